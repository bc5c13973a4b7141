"""Where a gap goes: from what a hand finds to what is left at speed, step by step, so that a person can add it up."""

import numpy as np
import xarray as xr

from phaseopt.clearance.allowances import SPREAD, static_terms
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.nominal_gaps import place_of
from phaseopt.clearance.tolerance_stack import spread_of
from phaseopt.project import SIDES

_FIRST = {
    "lash": "lash, which both rules leave out",
    "card": "what cam card or rocker ratio leaves open",
    "drop_high": "what a drop measurement may be too high by",
    "drop": "uncertainty of the drop (95 %)",
    "pump_up": "hydraulic pump-up",
    "lobe": "lobe-measuring error",
    "seats": "measuring error of the valve seats",
}
_BY_HAND = {
    "centreline": "fitted centreline (degree wheel)",
    SPREAD: "timing spread between cylinders",
    "flanks": "flanks of a cam card",
    "phaser": "phaser error when held",
    "wheel_zero": "zero of the degree wheel (between valves)",
}
_BY_SPEED = {"chain": "chain or belt", "overshoot": "phaser overshoot", "ageing": "phaser ageing"}
_MM = {
    "stretch": "rod and structure stretch",
    "growth": "growth of piston and rod",
    "play": "bearing and pin play",
    "loft": "valve-train loft",
}


def _of_cams(errors: dict[str, str]) -> dict[str, str]:
    return {f"{name}_{side}": f"{words}, {side}" for name, words in errors.items() for side in SIDES}


STATIC_STEPS = _FIRST | _of_cams(_BY_HAND)  # what a hand-turned engine may lack, in the order of the ledger
RUNNING_STEPS = _of_cams(_BY_SPEED) | _MM  # what speed adds
ERRORS = {"drop", "lobe", "seats", *_of_cams(_BY_HAND), *_of_cams(_BY_SPEED)}  # either way; the others count whole
ERRORS -= {f"{SPREAD}_{side}" for side in SIDES}


def gap_budget(model: ContactModel, intake_phase: float, exhaust_phase: float, rpm: float) -> xr.Dataset:
    """What each allowance takes from each gap at one timing and speed.

    `by_hand` less the static steps is `static`, less all of them is `running`: they add up exactly. What a timing error
    takes depends on where the lobes stand, so all timing errors of a rule together take the fall of the least gap as
    they are added, and each its share by degrees. `static_rss` and `running_rss` take the root of the sum of squares of
    the steps that are errors, and the others whole.

    Parameters
    ----------
    model : ContactModel
    intake_phase, exhaust_phase : float
        [crank degrees], + = advanced.
    rpm : float

    Returns
    -------
    Dataset
        `by_hand`, `static`, `running`, `static_rss`, `running_rss` over contact, `taken` over (step, contact) [mm];
        `words`, `rule` (static or running) and `error` (may be either way) over step.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> found = gap_budget(contact_model(load_project("examples/intake_only/project.toml")), 0.0, 0.0, 6000.0)
    >>> bool(abs(found["by_hand"] - found["taken"].sum("step") - found["running"]).max() < 1e-9)
    True
    """
    pair = np.array([[intake_phase, exhaust_phase]])
    gaps = model.gaps(np.repeat(pair, 2, axis=1))
    low = model.stated(pair, lash=False, most=True, low=True)[0]
    levels = np.stack(
        [
            model.by_hand(pair)[0],
            model.stated(pair, lash=False)[0],
            model.stated(pair, lash=False, most=True)[0],
            low,
            low - model.static_mm,
            gaps.static[0],
            gaps.swept[0],
        ]
    )
    # Levels fall by nature; where the bounds' 0.001 mm says otherwise, the later one carries the difference.
    levels[:-2] = np.maximum.accumulate(levels[:-2][::-1])[::-1]
    levels[:-2] = np.maximum(levels[:-2], levels[-2])
    falls = -np.diff(levels, axis=0)
    steps = STATIC_STEPS | RUNNING_STEPS
    found = [_steps(model, contact, pair, falls[:, c] + 0.0, rpm) for c, contact in enumerate(model.contacts)]
    taken = np.array([[each.get(step, 0.0) for each in found] for step in steps])
    error, speed = np.array([step in ERRORS for step in steps]), np.array([step in RUNNING_STEPS for step in steps])
    squares, whole = (taken * error[:, None]) ** 2, taken * ~error[:, None]

    def left(rows: np.ndarray) -> np.ndarray:
        return np.asarray(levels[0] - whole[rows].sum(axis=0) - np.sqrt(squares[rows].sum(axis=0)))

    mm = {"units": "mm"}
    return xr.Dataset(
        {
            "by_hand": ("contact", levels[0], mm | {"long_name": "clearance you should measure, cold, lash as set"}),
            "static": ("contact", levels[-2], mm | {"long_name": "static clearance, worst case"}),
            "running": ("contact", levels[0] - taken.sum(axis=0), mm | {"long_name": "running clearance, worst case"}),
            "static_rss": ("contact", left(~speed), mm | {"long_name": "static clearance, root-sum-square"}),
            "running_rss": ("contact", left(speed | ~speed), mm | {"long_name": "running clearance, root-sum-square"}),
            "taken": (("step", "contact"), taken, mm | {"long_name": "what an allowance takes"}),
            "words": ("step", list(steps.values()), {"long_name": "allowance"}),
            "rule": ("step", np.where(speed, "running", "static"), {"long_name": "rule it belongs to"}),
            "error": ("step", error, {"long_name": "may be either way"}),
        },
        {"step": list(steps), "contact": list(model.contacts)},
    )


def _steps(model: ContactModel, contact: str, pair: np.ndarray, falls: np.ndarray, rpm: float) -> dict[str, float]:
    """What each step takes from one gap, mm, from the falls between levels."""
    lash, card, drop, static, by_hand, by_speed = (float(fall) for fall in falls)
    _, uncertainty = spread_of(model, contact, pair).at(place_of(model, contact, pair))
    sigmas = min(float(uncertainty[0]), drop)
    terms = static_terms(model.project, contact, model.closing)
    scale = static / total if (total := sum(terms.values())) else 0.0
    found = {"lash": lash, "card": card, "drop_high": drop - sigmas, "drop": sigmas}
    found |= {name: scale * mm for name, mm in terms.items()}
    for fall, errors in zip((by_hand, by_speed), model.turns[contact], strict=True):
        degrees = sum(errors.values())
        found |= {name: fall * error / degrees for name, error in errors.items() if degrees}
    return found | {name: float(mm) for name, mm in model.running_terms(contact, rpm).items()}
