"""The examples' lobe files and drop readings. All of it is invented; no real engine was measured.

`python examples/invented_parts.py` writes them again, byte for byte.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

HERE = Path(__file__).parent
RAMP = 0.25  # mm, the quiet beginning and end of a solid-tappet lobe
RAMP_LENGTH = 20.0  # cam degrees
POWERS = np.array([2.0, 6.0, 8.0, 10.0, 12.0])


def lift(cam_deg: FloatArray, peak: float, half: float, lean: float = 0.0) -> FloatArray:
    """Tappet lift, mm: a polynomial lobe on a ramp, smooth to the second derivative and beyond.

    Parameters: `cam_deg` from the lobe's centre; `peak` mm; `half` of the main event, cam degrees; `lean` stretches
    the closing flank and shortens the opening one by that share.
    """
    stretched = np.abs(cam_deg * (1.0 - lean * np.tanh(cam_deg / 30.0)))
    orders = np.array([np.prod([POWERS - i for i in range(n)], axis=0) if n else POWERS**0 for n in range(5)])
    weights = np.linalg.solve(orders, [-1.0, 0.0, 0.0, 0.0, 0.0])  # 1 at the centre; 0 to the fourth slope at the end
    u = np.clip(stretched / half, 0.0, 1.0)[:, np.newaxis]
    main = 1.0 + (weights * u**POWERS).sum(axis=1)
    r = np.clip((stretched - half + RAMP_LENGTH / 4) / RAMP_LENGTH, 0.0, 1.0)
    ramp = 1.0 - (10 * r**3 - 15 * r**4 + 6 * r**5)
    return np.asarray((peak - RAMP) * main + RAMP * ramp)


def write_lobe(path: Path, peak: float, half: float, lean: float) -> None:
    """A lobe every cam degree, as a cam bench writes it."""
    angles = np.arange(-105.0, 106.0)
    lines = [f"{angle:g},{at:.3f}" for angle, at in zip(angles, lift(angles, peak, half, lean), strict=True)]
    path.write_text("\n".join(["cam_deg,lift_mm", *lines, ""]), encoding="utf-8", newline="")


@dataclass(frozen=True)
class Sheet:
    """A sheet of drop readings every 5° from 25 before to 25 after TDC.

    Drop is `at_tdc` plus `rise` times the piston's fall (slider-crank of `stroke` and `rod`, mm), read on a degree
    wheel that stands `wheel` degrees out and with a gauge that scatters by `scatter` mm.
    """

    stroke: float
    rod: float
    at_tdc: float
    rise: float
    wheel: float
    scatter: float


def write_drops(path: Path, sheet: Sheet, seed: int) -> None:
    """A sheet of drop readings, to the hundredth of a millimetre."""
    r = sheet.stroke / 2
    display_units = np.arange(-25.0, 26.0, 5.0)
    turned = np.radians(display_units - sheet.wheel)
    fall = r * (1 - np.cos(turned)) + sheet.rod - np.sqrt(sheet.rod**2 - (r * np.sin(turned)) ** 2)
    drop = sheet.at_tdc + sheet.rise * fall
    drop = drop + np.random.default_rng(seed).normal(0.0, sheet.scatter, display_units.size)
    lines = [f"{angle:g},{reading:.2f}" for angle, reading in zip(display_units, drop, strict=True)]
    path.write_text("\n".join(["crank_deg,drop_mm", *lines, ""]), encoding="utf-8", newline="")


def write_all(folder: Path) -> None:
    """Every lobe and drop file of the examples, under `folder` as they lie under this one."""
    hillclimb, intake_only, following = folder / "hillclimb", folder / "intake_only", folder / "next_build"
    parts = (
        hillclimb / "lobes",
        hillclimb / "drops",
        intake_only / "lobes",
        intake_only / "drops",
        following / "lobes",
    )
    for part in parts:
        part.mkdir(parents=True, exist_ok=True)
    write_lobe(hillclimb / "lobes" / "intake.csv", peak=10.4, half=82.0, lean=0.010)
    write_lobe(hillclimb / "lobes" / "exhaust.csv", peak=9.6, half=80.5, lean=-0.008)
    # on the shelf (hillclimb/shelf.toml)
    write_lobe(hillclimb / "lobes" / "short_intake.csv", peak=10.1, half=78.5, lean=0.010)
    write_lobe(hillclimb / "lobes" / "long_intake.csv", peak=10.9, half=87.0, lean=0.010)
    write_lobe(hillclimb / "lobes" / "short_exhaust.csv", peak=9.4, half=77.0, lean=-0.008)
    write_lobe(hillclimb / "lobes" / "long_exhaust.csv", peak=10.2, half=85.0, lean=-0.008)
    write_drops(hillclimb / "drops" / "intake.csv", Sheet(86.0, 137.0, 4.85, 0.985, 1.0, 0.035), seed=11)
    write_drops(hillclimb / "drops" / "exhaust.csv", Sheet(86.0, 137.0, 5.30, 0.980, 1.0, 0.040), seed=12)
    write_lobe(following / "lobes" / "intake.csv", peak=10.9, half=87.0, lean=0.010)
    write_lobe(intake_only / "lobes" / "intake.csv", peak=9.4, half=77.0, lean=0.010)
    write_drops(intake_only / "drops" / "intake.csv", Sheet(81.0, 138.0, 6.20, 0.990, -0.5, 0.030), seed=21)


if __name__ == "__main__":
    write_all(HERE)
