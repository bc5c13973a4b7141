"""Random engines and what a builder would measure on them, errors inside the stated ones; formulas of its own."""

import math
from dataclasses import dataclass

import numpy as np
from engines import cosine_lift, piston_fall

from phaseopt.clearance.drop import DropLaw
from phaseopt.clearance.drop_fit import Evidence
from phaseopt.clearance.drop_sheet import Sheet
from phaseopt.clearance.drop_single import CamError, Single, clay_drop, from_geometry, reading_at_tdc
from phaseopt.clearance.drop_sources import law_of
from phaseopt.engine.camshaft import Camshaft
from phaseopt.engine.crank import SliderCrank
from phaseopt.engine.lobe import Lobe
from phaseopt.project import Clay, Drop, Geometry

ANGLES = np.arange(-15.0, 16.0, 5.0)
AROUND = np.array([-20.0, -12.0, -6.0, 0.0, 6.0, 12.0, 20.0])
GAUGE, WHEEL, CENTRE, ANGLE, STACK = 0.05, 1.0, 1.5, 0.5, 0.15
CLAY_ERROR, SPRING_BACK, LASH = 0.08, 0.12, 0.2
SETS = (
    ("readings",), ("at_tdc",), ("clay",), ("geometry",), ("readings", "at_tdc"), ("at_tdc", "clay"),
    ("at_tdc", "clay", "geometry"), ("readings", "at_tdc", "clay", "geometry"),
)  # fmt: skip


@dataclass
class Measured:
    """An engine: its true drop is D0 + k s(θ); `wheel` is where the wheel that reads it shows TDC."""

    stroke: float
    rod: float
    head: float
    tilt: float
    parts: Geometry
    at_tdc: float
    factor: float
    wheel: float

    @classmethod
    def of(cls, rng: np.random.Generator) -> "Measured":
        """Random dimensions; what is stated of tilt and floor is out by their errors."""
        stroke = rng.uniform(60, 95)
        tilt, head = rng.uniform(3, 22), rng.uniform(24, 36)
        floor = rng.choice([0.0, tilt, rng.uniform(0, tilt)])
        values = {
            "deck": rng.uniform(0, 0.5), "gasket": rng.uniform(0.6, 1.5), "recession": rng.uniform(4, 8),
            "pocket_depth": rng.uniform(1, 3), "across": 18.0, "pocket_across": rng.uniform(15, 21),
        }  # fmt: skip
        height = sum(values[name] for name in ("deck", "gasket", "recession", "pocket_depth")) + rng.normal(0, STACK)
        out = values["across"] - values["pocket_across"]
        lean, slope = np.radians([tilt + rng.normal(0, ANGLE), max(floor + rng.normal(0, ANGLE), 0.0)])
        normal, axis = np.array([np.sin(slope), np.cos(slope)]), np.array([np.sin(lean), np.cos(lean)])
        face = np.array([np.cos(lean), -np.sin(lean)])
        rims = [(np.array([out, height]) + sign * head / 2 * face) @ normal for sign in (-1, 1)]
        return cls(
            stroke, stroke * rng.uniform(1.5, 2.0), head, tilt,
            Geometry(**values, pocket_angle=floor, error=STACK, angle_error=ANGLE),
            min(rims) / (axis @ normal), math.cos(slope) / (axis @ normal),
            float(np.clip(rng.normal(0, WHEEL), -2.5, 2.5)),
        )  # fmt: skip

    def true(self, theta: np.ndarray) -> np.ndarray:
        """The drop over true crank angle."""
        return self.at_tdc + self.factor * piston_fall(theta, self.stroke, self.rod)

    def law(self, rng: np.random.Generator, sources: tuple[str, ...]) -> DropLaw:
        """The law from readings, clay and so on taken with errors."""
        crank = SliderCrank(self.stroke, self.rod)
        singles, known, sheet = [], None, None
        if "readings" in sources:
            drops = self.true(ANGLES - self.wheel) + rng.normal(0, GAUGE, ANGLES.size)
            zero = np.zeros(ANGLES.size, dtype=np.int64)
            sheet = Sheet((None,), zero, zero, zero + 1, ANGLES, drops)
        if "at_tdc" in sources:
            read = float(self.true(np.asarray(rng.normal(0, WHEEL)))) + rng.normal(0, GAUGE)
            singles.append(reading_at_tdc(crank, 1, read, self.tilt, GAUGE, WHEEL))
        if "clay" in sources:
            singles.append(self._clay(rng, crank))
        if "geometry" in sources:
            single, known = from_geometry(self.parts, 1, self.head, self.tilt)
            singles.append(single)
        errors = Drop(at_tdc=5.0, gauge_error=GAUGE, wheel_error=WHEEL)
        return law_of(Evidence(crank, self.tilt, errors, sheet, None, tuple(singles), known))

    def _clay(self, rng: np.random.Generator, crank: SliderCrank) -> Single:
        x = np.arange(-134.0, 135.0, 2.0)
        lobe = Lobe.through(x, cosine_lift(x / 2, 10.5, 66.0))
        centreline = rng.uniform(95, 112)
        stood = centreline + rng.uniform(-CENTRE, CENTRE)
        theta = np.arange(-60.0, 60.0, 0.05)
        lift = np.maximum(cosine_lift((theta - stood) / 2, 10.5, 66.0) - LASH, 0.0)
        gap = float((self.true(theta) - lift).min())
        thick = gap + rng.uniform(0, SPRING_BACK) + rng.normal(0, CLAY_ERROR)
        cam = Camshaft("intake", lobe, lobe, LASH, centreline, 0.0, None)
        clay = Clay(thickness=9.0, centreline=centreline, error=CLAY_ERROR, spring_back=SPRING_BACK)
        return clay_drop(crank, cam, 1, thick, clay, CamError(CENTRE))

    def exceeded(self, found: DropLaw) -> np.ndarray:
        """Where the claim is above the truth, on the scale of true TDC and on that of the wheel."""
        low = found.low(AROUND)
        wheel = self.wheel if found.readings is not None else 0.0
        return np.r_[low > self.true(AROUND), low > self.true(AROUND - wheel)]
