"""The run sheet: planned pulls made ready for the dyno, each judged anew against both contact rules.

A pull is judged as the box of all its phases and rest, up to the top speed: however the phasers move on the way to a
timing, and up to that speed, the gaps shown are there. One that is not clear is left out and its timing never shown.
"""

from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.clearance.check import BoxVerdict, box_verdict, outside_travel
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, running_gaps
from phaseopt.project import SIDES
from phaseopt.study.planned_pulls import Plan, PlannedPull
from phaseopt.values.arrays import FloatArray


@dataclass(frozen=True, eq=False)
class SheetPull:
    """A pull of the sheet.

    Attributes
    ----------
    number : int
        From 1.
    kind : str
        "fixed", "table", "in turn", "baseline" or "spark swing", as planned.
    expected_gain : float
        Of the final tables by this pull [N·m]; NaN where nobody knows.
    timings : Dataset
        Over `rpm` (and `contact`): `intake_phase` and `exhaust_phase` from rest, `intake_reading` and
        `exhaust_reading` as the log counts them (where the project says how), `icl` and `ecl` [deg], and at each timing
        the clearance `by_hand`, the least `static` one and the `running` one at the top speed [mm].
    box : BoxVerdict
        The least clearances over all of the pull and the way from rest.
    spark : float
        Ignition advance beside the usual one [deg].

    See Also
    --------
    plan_next_pulls
    """

    number: int
    kind: str
    expected_gain: float
    timings: xr.Dataset
    box: BoxVerdict
    spark: float = 0.0

    @property
    def held(self) -> bool:
        """Whether one timing is held over all speeds."""
        return all(bool(np.ptp(self.timings[f"{side}_phase"].to_numpy()) == 0.0) for side in SIDES)

    def by_hand(self, contact: str) -> float:
        """The least clearance that you should measure at any of its timings, mm."""
        return float(self.timings["by_hand"].sel(contact=contact).min())


@dataclass(frozen=True, eq=False)
class RunSheet:
    """Pulls in the order to be made, and what to know about them.

    Attributes
    ----------
    model : ContactModel
        What they were judged by.
    pulls : tuple of SheetPull
    left_out : int
        Planned pulls that were not clear; their timings are not shown.
    clamps : BoxVerdict
        The box of all timings and rest: where its verdict is clear its ends can be entered as clamps, otherwise each
        pull needs its own.
    expected : tuple of float
        What the final tables should gain after 0, 1, ... pulls [N·m]; empty where a pull was left out.
    stop : str
        When to stop.
    notes : tuple of str
    swing : tuple of SheetPull
        Pulls after those: one timing with the usual spark, less and more.
    most_at : tuple of float
        Speeds at which that timing gains most [rpm].

    See Also
    --------
    plan_next_pulls
    """

    model: ContactModel
    pulls: tuple[SheetPull, ...]
    left_out: int
    clamps: BoxVerdict
    expected: tuple[float, ...]
    stop: str
    notes: tuple[str, ...]
    swing: tuple[SheetPull, ...] = ()
    most_at: tuple[float, ...] = ()


def run_sheet(model: ContactModel, plan: Plan, notes: tuple[str, ...] = ()) -> RunSheet:
    """Judge the pulls of a plan and add to each all that you need to make it.

    Parameters: `model` of the project the plan was made for; `plan`; `notes`, what every output must say of its torque.
    """
    judged = [(pull, *_judged(model, pull)) for pull in (*plan.pulls, *plan.swing)]
    clear = [(pull, pairs, box) for pull, pairs, box in judged if box.verdict == CLEAR]
    every_pull = [
        SheetPull(number, pull.kind, pull.expected_gain, _timings(model, plan.rpm, pairs), box, pull.spark)
        for number, (pull, pairs, box) in enumerate(clear, start=1)
    ]
    pulls, swing = (
        tuple(pull for pull in every_pull if (pull.kind == "spark swing") == swung) for swung in (False, True)
    )
    every = np.concatenate([np.zeros((1, 2)), *(pairs for _, pairs, _ in clear)])
    left_out = len(judged) - len(clear)
    notes = (*notes, *plan.notes)
    if left_out:
        words = "1 planned pull was" if left_out == 1 else f"{left_out} planned pulls were"
        notes = (f"{words} not clear of both rules on the way from rest and left out.", *notes)
    clamps = box_verdict(model, every, False, model.top_speed)
    expected = () if left_out else plan.expected
    return RunSheet(model, pulls, left_out, clamps, expected, plan.stop, notes, swing, plan.most_at)


def _judged(model: ContactModel, pull: PlannedPull) -> tuple[FloatArray, BoxVerdict]:
    pairs = np.column_stack([pull.intake, pull.exhaust]).astype(np.float64)
    outside = bool((outside_travel(model, pairs) != "").any())
    return pairs, box_verdict(model, pairs, outside, model.top_speed)


def _timings(model: ContactModel, rpm: FloatArray, pairs: FloatArray) -> xr.Dataset:
    gaps = model.gaps(np.repeat(pairs, 2, axis=1))
    degree, mm = {"units": "degree"}, {"units": "mm"}
    contact = ("rpm", "contact")
    found: dict[str, tuple[object, ...]] = {}
    for side, phase in zip(SIDES, pairs.T, strict=True):
        found[f"{side}_phase"] = ("rpm", phase, degree | {"long_name": f"{side} phase from rest, + = advanced"})
        reading = _readings(model, side, phase)
        if reading is not None:
            found[f"{side}_reading"] = ("rpm", reading, degree | {"long_name": f"{side} phase as the log counts it"})
        zero, name = ("after", "icl") if side == "intake" else ("before", "ecl")
        centre = model.engine.cam(side).true_centreline(phase)
        found[name] = ("rpm", centre, degree | {"long_name": f"true {side} centreline {zero} gas-exchange TDC"})
    words = {
        "by_hand": (model.by_hand(pairs), "clearance you should measure, cold lash as set"),
        "static": (gaps.static, "least static clearance"),
        "running": (running_gaps(model, gaps, model.top_speed), "running clearance at the top speed, worst case"),
    }
    found |= {name: (contact, values, mm | {"long_name": text}) for name, (values, text) in words.items()}
    speeds = ("rpm", np.asarray(rpm, dtype=np.float64), {"units": "rpm", "long_name": "engine speed"})
    return xr.Dataset(found, {"rpm": speeds, "contact": list(model.contacts)})


def _readings(model: ContactModel, side: str, phase: FloatArray) -> FloatArray | None:
    """What the log reads at a phase; None where the project does not say how it counts, or for a fixed cam."""
    torque = model.project.torque
    if torque is None:
        return None
    channel = torque.phases.intake if side == "intake" else torque.phases.exhaust
    return None if channel is None else channel.reading(phase)
