"""Where a gap goes: from what a hand finds to what is left at speed, step by step, so that a person can add it up."""

import numpy as np
import xarray as xr

from phaseopt.clearance.model import ContactModel

STEPS = {
    "lash": "lash, which both rules leave out",
    "card": "what the cam card leaves open",
    "drop": "doubt of the drop: two standard deviations, and what a measurement may be too high by",
    "hand": "hydraulic pump-up; between valves, the seats' measuring error",
    "static_timing": "fitted centreline, card flanks and phaser error",
    "running_timing": "chain and phaser overshoot",
    "stretch": "rod and structure stretch",
    "growth": "growth of piston and rod",
    "play": "bearing and pin play",
    "loft": "valve-train loft",
}


def ledger(model: ContactModel, intake_phase: float, exhaust_phase: float, rpm: float) -> xr.Dataset:
    """What each allowance takes from each gap at one timing and speed.

    `by_hand` less the first five steps is `static`, less all of them is `running`: they add up exactly. What a timing
    error takes depends on where the lobes stand, so each step is the fall of the least gap as that error is added.

    Parameters: phases in crank degrees, + = advanced; `rpm`.
    Returns a Dataset with `by_hand`, `static`, `running` over contact and `taken` over (step, contact), mm.
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
    terms = [model.running_terms(contact, rpm) for contact in model.contacts]
    by_speed = [[float(each.get(step, 0.0)) for each in terms] for step in list(STEPS)[6:]]
    taken = np.vstack([-np.diff(levels, axis=0), by_speed])
    mm = {"units": "mm"}
    return xr.Dataset(
        {
            "by_hand": ("contact", levels[0], mm | {"long_name": "gap a hand should find, cold lash as set"}),
            "static": ("contact", levels[-2], mm | {"long_name": "static gap, guaranteed"}),
            "running": ("contact", levels[0] - taken.sum(axis=0), mm | {"long_name": "running gap, worst case"}),
            "taken": (("step", "contact"), taken, mm | {"long_name": "what an allowance takes"}),
            "words": ("step", list(STEPS.values()), {"long_name": "allowance"}),
        },
        {"step": list(STEPS), "contact": list(model.contacts)},
    )
