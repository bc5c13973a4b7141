"""An invented engine whose torque is known, with a dip of known cause planted in it.

A smooth curve over speed, less what a timing away from the best costs. Pulls at fixed timings inside the contact limits
are drawn from it, with noise and a drift of each pull, and the torque model is fitted to them.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.job.dips import CHANGES, CONTACT, LOGS, TRAVEL
from phaseopt.job.resolve import Resolver
from phaseopt.job.stages import search_tables
from phaseopt.project import Project
from phaseopt.surrogate import Readings, fit
from phaseopt.torque import Reduction
from phaseopt.torque_model import TorqueModel

PULLS = 16
SPEEDS = np.arange(1500.0, 8001.0, 500.0)
FULL = 100.0
CHANGED = {
    "tables": {"rpm": SPEEDS.tolist(), "load": [70, FULL]},
    "gap": {"tables_only_guard": True},
    "search": {"roughness": 0.002},
}  # of the plain test engine
NOISE, DRIFT = 0.5, 0.5  # N·m

Best = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Planted:
    """`cause` of a dip, None for none, of `width` rpm at `speed`; `best` intake phase over speed; `lost` N·m there."""

    cause: str | None
    speed: float
    width: float
    best: Best
    lost: float = 0.0


def bump(rpm: np.ndarray, at: float, width: float) -> np.ndarray:
    """1 at a speed, falling smoothly to 0 over about a width."""
    return np.exp(-(((rpm - at) / width) ** 2) * 2.0)


def torque(planted: Planted, rpm: np.ndarray, intake: np.ndarray, exhaust: np.ndarray) -> np.ndarray:
    """True torque: a smooth curve less what timings away from the best cost, and what is lost at any timing."""
    even = 170.0 - 35.0 * ((rpm - 5000.0) / 3500.0) ** 2
    cost = 0.04 * (intake - planted.best(rpm)) ** 2 + 0.02 * (exhaust + 8.0) ** 2
    return even - cost - planted.lost * bump(rpm, planted.speed, planted.width)


def plant(cause: str | None, number: int, safe_to: float) -> Planted:
    """One of each kind, its place and size drawn; `safe_to`, the most advanced intake phase that contact allows."""
    rng = np.random.default_rng([0 if cause is None else len(cause), number])
    speed, width = float(rng.choice(SPEEDS[4:-4])), float(rng.uniform(700.0, 1000.0))
    usual = rng.uniform(0.35, 0.55) * safe_to

    def shifted(far: float) -> Best:
        return lambda rpm: usual + (far - usual) * bump(rpm, speed, width)

    if cause == CONTACT:
        return Planted(cause, speed, width, shifted(safe_to + rng.uniform(12.0, 18.0)))
    if cause == TRAVEL:
        return Planted(cause, speed, width, shifted(-rng.uniform(12.0, 18.0)))
    if cause == CHANGES:
        low, high = 0.1 * safe_to, 0.95 * safe_to
        return Planted(cause, speed, width, lambda rpm: np.where(np.abs(rpm - speed) < 250.0, high, low))
    lost = 0.0 if cause is None else float(rng.uniform(6.0, 14.0))
    return Planted(cause, speed, width, lambda rpm: usual + 0.0 * rpm, lost)


def learnt_of(planted: Planted, model: ContactModel, limits: Limits, seed: int, pulls: int = PULLS) -> TorqueModel:
    """The torque model of pulls at timings within the contact limits."""
    rng = np.random.default_rng(seed)
    box = max(limits.boxes, key=lambda each: each.size)
    intake = np.repeat(np.round(rng.uniform(box.intake_from, box.intake_to, pulls)), SPEEDS.size)
    exhaust = np.repeat(np.round(rng.uniform(box.exhaust_from, box.exhaust_to, pulls)), SPEEDS.size)
    rpm, pull = np.tile(SPEEDS, pulls), np.repeat(np.arange(pulls), SPEEDS.size)
    read = torque(planted, rpm, intake, exhaust) + rng.normal(0.0, NOISE, rpm.size)
    read += rng.normal(0.0, DRIFT, pulls)[pull]
    icl, ecl = model.engine.intake.true_centreline(intake), model.engine.exhaust.true_centreline(exhaust)
    load = np.full(rpm.size, FULL)
    mixture = 0.88 + 0.08 * (planted.cause == LOGS) * (bump(rpm, planted.speed, planted.width) > 0.3)
    points = xr.Dataset(
        {
            "rpm": ("point", rpm), "load": ("point", load), "icl": ("point", icl), "ecl": ("point", ecl),
            "full_throttle": ("point", np.ones(rpm.size, dtype=np.bool_)),
        },
        {"mixture": ("point", mixture + rng.normal(0.0, 0.005, rpm.size))},
    )  # fmt: skip
    surface = fit(Readings(np.column_stack([rpm, load, icl, ecl]), read, pull))
    return TorqueModel(surface, Reduction(points, ()), None, None, None)


def resolver_of(project: Project, learnt: TorqueModel) -> Resolver:
    """The search of a project on a torque model, ready to be made resolver."""
    return Resolver.of(search_tables(project, phase_limits(contact_model(project)), learnt))
