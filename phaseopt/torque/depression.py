"""What filter, throttle and plenum take from the barometer at full throttle, over speed, as the pulls logged it.

    depression = zero of the day + loss · rpm²

A turbulent loss goes with the square of flow (any handbook of hydraulics), and flow nearly with speed. It goes with the
density of the air outside too, which is each day's own. The zero is one for each pull: what its sensor and barometer
differ by. At no flow nothing is lost, so the middle zero of all pulls is error alone. As long as it is no more than
such sensors err by, it may as well be a loss that does not go with the square, and stays.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.project import Project
from phaseopt.project.simulation import LEAST_DEPRESSION, MOST_DEPRESSION
from phaseopt.torque.weather import dry_pressure
from phaseopt.values.arrays import FloatArray
from phaseopt.values.units import ZERO_CELSIUS

LEAST_POINTS = 8
SPAN = 1.5  # highest speed over the lowest, of a pull's points, to tell its loss from its zero
ZERO = 1.0  # kPa that sensor and barometer may differ by and count as a loss (common practice: 1 % of a sensor's range)
NO_SENSOR = 5.0  # kPa; a reading so far off at no flow is no manifold pressure
MISSES = 0.5  # kPa (rms) by which pressure may leave the law
SURE = 3.0  # the loss over its standard error
FALLS = 0.1  # kPa at the highest speed; less is the last digit of a logger
UNLIKE = 1.0  # kPa from what is stated that a person should know of


@dataclass(frozen=True)
class LoggedDepression:
    """Full-throttle pressure as the pulls logged it; made by `logged_depression`.

    Parameters
    ----------
    zero, loss
        Of the law: kPa, and kPa at 1000 rpm.
    scatter
        Root-mean-square of what the points leave of it [kPa].
    span
        The speeds of the points [rpm].
    pulls
        How many logged it.
    taken_off
        Reading at no flow that counted as the sensor's error [kPa], 0 where none did.
    refused
        Why the pulls do not show it; empty where they do.

    Examples
    --------
    >>> law = LoggedDepression(zero=0.5, loss=0.03, scatter=0.1, span=(2000.0, 8000.0), pulls=3)
    >>> law.at([2000.0, 8000.0]).round(2).tolist(), law.used  # kPa below the barometer
    ([0.62, 2.42], True)
    """

    zero: float = math.nan
    loss: float = math.nan
    scatter: float = math.nan
    span: tuple[float, float] = (math.nan, math.nan)
    pulls: int = 0
    taken_off: float = 0.0
    refused: str = ""

    @property
    def used(self) -> bool:
        """Whether the pulls show it."""
        return not self.refused

    def at(self, rpm: npt.ArrayLike) -> FloatArray:
        """How far plenum pressure is below that outside [kPa] at speeds [rpm]."""
        speed = np.asarray(rpm, dtype=np.float64) / 1000.0
        return np.asarray(self.zero + self.loss * speed**2)

    def held_at(self, rpm: npt.ArrayLike) -> FloatArray:
        """The same as far as a simulation can hold it, which is what [cycle] may state."""
        return np.clip(self.at(rpm), LEAST_DEPRESSION, MOST_DEPRESSION)


def logged_depression(project: Project, points: xr.Dataset, pressure: float, temperature: float) -> LoggedDepression:
    """The law of full-throttle pressure over speed that a project's pulls show.

    Parameters
    ----------
    project
        With the pulls' weather.
    points
        As `reduce_logs` makes them.
    pressure, temperature
        Of the dry air [kPa, °C] that the law is wanted for.

    Returns
    -------
    LoggedDepression
        With the reason where pressure was not logged so that it shows.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque import reduce_logs
    >>> project = load_project("examples/intake_only/project.toml")
    >>> law = logged_depression(project, reduce_logs(project).points, 99.0, 25.0)
    >>> law.at([2000.0, 8000.0]).round(1).tolist()
    [0.7, 2.8]
    """
    if "depression" not in points.coords:
        return LoggedDepression(refused="no pull logged it")
    rpm, lost, pull = (points[name].to_numpy() for name in ("rpm", "depression", "pull"))
    known = np.isfinite(lost)
    rpm, lost, pull = rpm[known], lost[known], pull[known]
    if not len(rpm):
        return LoggedDepression(refused="no pull at full throttle has both manifold pressure and barometer")
    wide = [number for number in np.unique(pull) if _spread(rpm[pull == number])]
    inside = np.isin(pull, wide)
    rpm, lost, pull = rpm[inside], lost[inside], pull[inside]
    if len(rpm) < LEAST_POINTS:
        return LoggedDepression(refused=f"no full-throttle pull runs up to {SPAN:g} times its lowest speed")
    density = np.array([_density(project, int(number), pressure, temperature) for number in pull])
    return _fitted(rpm, lost, pull, density)


def _spread(rpm: FloatArray) -> bool:
    return len(rpm) > 1 and float(rpm.max()) >= SPAN * float(rpm.min())


def _density(project: Project, number: int, pressure: float, temperature: float) -> float:
    """Density of the air of a pull's day over that of the wanted air."""
    assert project.torque is not None
    air = project.torque.pulls[number].air if number < len(project.torque.pulls) else None
    if air is None:
        return 1.0
    return dry_pressure(air) / pressure * (temperature + ZERO_CELSIUS) / (air.temperature + ZERO_CELSIUS)


def _fitted(rpm: FloatArray, lost: FloatArray, pull: FloatArray, density: FloatArray) -> LoggedDepression:
    numbers, place = np.unique(pull, return_inverse=True)
    of_pull = (place[:, None] == np.arange(len(numbers))).astype(np.float64)
    columns = np.column_stack([of_pull, density * (rpm / 1000.0) ** 2])
    found = np.linalg.lstsq(columns, lost, rcond=None)[0]
    left = lost - columns @ found
    scatter = float(np.sqrt(np.mean(left**2)))
    freedom = max(len(lost) - len(found), 1)
    error = math.sqrt(float(left @ left) / freedom * np.linalg.inv(columns.T @ columns)[-1, -1])
    zero, loss = float(np.median(found[:-1])), float(found[-1])
    law = LoggedDepression(zero, loss, scatter, (float(rpm.min()), float(rpm.max())), len(numbers))
    if abs(zero) > NO_SENSOR:
        return LoggedDepression(
            refused=f"at no flow it would be {-zero:+.1f} kPa off the barometer: check the units of both"
        )
    if loss <= SURE * error or loss * (law.span[1] / 1000.0) ** 2 < FALLS:
        return LoggedDepression(refused="logged pressure does not fall as speed rises, as behind a throttle it must")
    if scatter > MISSES:
        return LoggedDepression(refused=f"it does not go with the square of speed: {scatter:.1f} kPa off (rms)")
    if abs(zero) > ZERO:
        return LoggedDepression(0.0, loss, scatter, law.span, law.pulls, zero)
    return law
