"""What the best tables at other offsets make over the best tables at the offsets as fitted, and how sure that is."""

import math
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from phaseopt.job.gains import AverageGain, average_gain
from phaseopt.project import Project
from phaseopt.search.objective import cell_weights
from phaseopt.study.offset_trial import Trial, centrelines_at
from phaseopt.surrogate import TorqueSurface
from phaseopt.values.arrays import FloatArray, cells_of
from phaseopt.values.interval import INTERVAL

BANDS = ("low", "middle", "high")  # thirds of the speeds that count in an average
SEEN = 0.005  # of full-load torque: two pulls on an ordinary dyno, which repeats to 1 % (common practice), show no less


class TorqueChange(StrEnum):
    """What other offsets do to torque, as far as it is known."""

    MORE = "more"
    SAME = "same"
    SHIFTED = "shifted"
    LESS = "less"
    UNPROVED = "not proved"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Band:
    """Gain at full load over a band of speeds, N·m and its standard deviation, and as a share of torque as fitted."""

    name: str
    rpm: tuple[float, float]
    mean: float
    deviation: float
    share: float


@dataclass(frozen=True, eq=False)
class Gain:
    """Gain in expected torque, N·m: `mean` of all cells by weight with its `deviation`, which decides; by `bands` of
    speed at full load; at each speed of the full-load row: `full_load` (R,), its `full_load_deviation`; and the
    `average` at full throttle, as of a build. Cells whose torque is not known at both offsets count nothing; nan where
    none is left."""

    mean: float
    deviation: float
    bands: tuple[Band, ...]
    full_load: FloatArray
    full_load_deviation: FloatArray
    average: AverageGain

    def as_plain(self) -> dict[str, Any]:
        """As JSON holds it; `of_plain` reads it back."""
        rows = {name: getattr(self, name).tolist() for name in ("full_load", "full_load_deviation")}
        plain = {"mean": self.mean, "deviation": self.deviation, "average": asdict(self.average)}
        return plain | {"bands": [asdict(band) for band in self.bands]} | rows

    @classmethod
    def of_plain(cls, found: dict[str, Any]) -> "Gain":
        """From what `as_plain` gave."""
        bands = tuple(Band(**(each | {"rpm": (each["rpm"][0], each["rpm"][1])})) for each in found["bands"])
        rows = [np.array(found[name], dtype=np.float64) for name in ("full_load", "full_load_deviation")]
        span = found["average"]["rpm"]
        average = AverageGain(**(found["average"] | {"rpm": (span[0], span[1])}))
        return cls(found["mean"], found["deviation"], bands, rows[0], rows[1], average)


def gain_between(project: Project, surface: TorqueSurface, now: Trial, other: Trial) -> Gain:
    """Gain of one trial's tables over another's; they share their uncertainty, since torque is learnt once."""
    rpm, load = np.array(project.tables.rpm), np.array(project.tables.load)
    x = np.concatenate([_inputs(project, trial) for trial in (other, now)])
    torque, covariance = surface.joint(x)
    covariance = np.nan_to_num(covariance)
    cells = rpm.size * load.size
    gain = torque[:cells] - torque[cells:]
    known = np.isfinite(gain)

    def of(weight: FloatArray) -> tuple[float, float, FloatArray]:
        """Mean gain over cells, its deviation, and the shares that the cells take."""
        share = np.where(known, weight, 0.0)
        if not share.sum() > 0.0:
            return math.nan, math.nan, share
        share = share / share.sum()
        contrast = np.concatenate([share, -share])
        variance = float(contrast @ covariance @ contrast)
        return float(share @ np.nan_to_num(gain)), math.sqrt(max(variance, 0.0)), share

    full = np.arange(cells) % load.size == load.size - 1
    speed = np.repeat(rpm, load.size)
    average = average_gain(surface, x[cells:][full], x[:cells][full], now.measured, other.measured)
    counted = (speed >= average.rpm[0]) & (speed <= average.rpm[1])  # what nobody measured is in no band
    edges = np.linspace(*average.rpm, len(BANDS) + 1)
    bands = []
    for name, low, high in zip(BANDS, edges[:-1], edges[1:], strict=True):
        inside = full & counted & (speed >= low) & ((speed < high) | (high == edges[-1]))
        mean, deviation, share = of(inside.astype(np.float64))
        now_there = float(share @ np.nan_to_num(torque[cells:]))
        bands.append(
            Band(name, (float(low), float(high)), mean, deviation, mean / now_there if now_there else math.nan)
        )
    each = [of((np.arange(cells) == cell).astype(np.float64)) for cell in np.flatnonzero(full)]
    mean, deviation, _ = of(cell_weights(project).ravel())
    by_speed = np.array([[mean, deviation] for mean, deviation, _ in each])
    return Gain(mean, deviation, tuple(bands), by_speed[:, 0], by_speed[:, 1], average)


def torque_change(gain: Gain | None, now: Trial) -> TorqueChange:
    """What a gain says: more or less where it is sure and a dyno could show it, the same where it is surely less than
    an ordinary dyno repeats to; shifted where that is so on average, but not in a third of the speeds."""
    if gain is None or not math.isfinite(gain.mean):
        return TorqueChange.UNKNOWN
    sure, dyno = INTERVAL * gain.deviation, SEEN * now.full_load
    if abs(gain.mean) > max(sure, dyno):
        return TorqueChange.MORE if gain.mean > 0.0 else TorqueChange.LESS
    if abs(gain.mean) + sure > 2.0 * dyno:
        return TorqueChange.UNPROVED
    shifted = any(abs(band.mean) > max(INTERVAL * band.deviation, 2.0 * dyno) for band in gain.bands)
    return TorqueChange.SHIFTED if shifted else TorqueChange.SAME


def _inputs(project: Project, trial: Trial) -> FloatArray:
    """(cells, 4) rpm, load and true centrelines of a trial's tables."""
    centres = centrelines_at(project, trial.offsets, trial.phases)
    return np.column_stack([cells_of(project.tables.rpm, project.tables.load), *centres.reshape(2, -1)])
