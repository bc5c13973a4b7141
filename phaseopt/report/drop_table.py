"""The valve drop by crank angle, so that a gap can be worked out by hand: drop less lift at the same angle."""

import numpy as np

from phaseopt.clearance.drop import DropLaw
from phaseopt.values.display_units import Unit

ANGLES = np.arange(-30.0, 31.0, 5.0)  # crank degrees after TDC; practice reads the middle of it
FITTED, COUNTED = "as fitted", "counted"


def drop_rows(law: DropLaw) -> dict[str, list[float]]:
    """Drop in mm at `ANGLES`: as fitted, counted for the cylinder with the least, and as each source has it by itself.

    Fitted angles are as the wheel showed them; what counts is the least whether the wheel was right or not.
    """
    rows = {FITTED: law.fitted(ANGLES), COUNTED: law.low(ANGLES)}
    rows |= {f"{name} alone": alone.fitted(ANGLES) for name, alone in law.alone.items()}
    return {name: row.tolist() for name, row in rows.items()}


def drop_table(law: DropLaw, unit: Unit) -> list[str]:
    """The rows as text in a unit of lengths, what counts rounded down."""
    wide = max(map(len, drop_rows(law)))
    lines = [f"  {'° after TDC':<{wide}}" + "".join(f"{angle:7.0f}" for angle in ANGLES)]
    for name, row in drop_rows(law).items():
        lines.append(
            f"  {name:<{wide}}" + "".join(f"{unit.down(x) if name == COUNTED else unit.number(x):>7}" for x in row)
        )
    return lines
