"""What the page's explorer knows: torque over both timings of every cell, least gaps of every pair of phases, curves.

Least gaps are those of the contact model's bounds at the phases that the sliders can stand at, rounded down, so the
page never works one out by itself. Curves over crank angle are for drawing. Numbers travel as base64 of 16-bit
integers.
"""

import base64
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.allowances import timing
from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.rules import RULES
from phaseopt.clearance.valves import head_distance
from phaseopt.engine.valve_events import events
from phaseopt.project import SIDES, Side
from phaseopt.report.facts import binder_words, clamps, clamps_hold, limits_shown
from phaseopt.report.figures.colours import STEPS, Scale
from phaseopt.report.limit_costs import limit_words, per_words
from phaseopt.report.words import capital, moving, phase_words
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL
from phaseopt.values.rounding import rounded_down

if TYPE_CHECKING:
    from phaseopt.job.build import Build


MICRON = 0.001  # mm, in which gaps and lifts travel
MOST_NODES = 24  # of a timing axis at which torque is given: between them it is smooth
_MOST_VALUES = 60_000  # torques in the page: more cells have fewer nodes each
_ABSENT = -32768  # a torque that is not known
_FAR = 32.0  # mm that no gap worth a look exceeds
_DROP = np.arange(-60.0, 60.5, 1.0)  # crank degrees after TDC, where a valve can meet the piston
_LIFT = np.arange(-180.0, 180.5, 1.0)  # crank degrees from the lobe's centre
_HEADS = 33  # lifts of each valve at which the distance between the heads is given


def explorer_section(build: "Build") -> dict[str, Any]:
    """What fills `explorer.html.j2`; cells travel as rows under one line of names, texts as their number in a list."""
    data = explorer_data(build)
    cells, texts = data["cells"], dict[str, int]()
    for cell in cells:
        cell["limited_by"] = [texts.setdefault(each, len(texts)) for each in cell["limited_by"]]
        cell["costs"] = [
            [*(texts.setdefault(each, len(texts)) for each in cost[:2]), cost[2]] for cost in cell["costs"]
        ]
    return {
        "sliders": [(side, capital(phase_words(build.project, side))) for side in moving(build.project)],
        "top": f"{build.contact.top_speed:g}",
        "contacts": [WORDS[name] for name in build.contact.contacts],
        "data": data
        | {
            "cells": {
                "names": list(cells[0]),
                "texts": list(texts),
                "rows": _short([list(cell.values()) for cell in cells]),
            }
        },
    }


def _short(value: Any) -> Any:
    """The same in fewer letters: whole numbers without a decimal point, yes and no as 1 and 0.

    >>> _short([14.0, -0.5, True, None])
    [14, -0.5, 1, None]
    """
    if isinstance(value, list):
        return [_short(each) for each in value]
    return int(value) if isinstance(value, bool) or (isinstance(value, float) and value.is_integer()) else value


def explorer_data(build: "Build") -> dict[str, Any]:
    """All that the explorer draws, as JSON holds it; `explorer.js` says how each part is read."""
    model, limits, units = build.contact, build.limits, build.project.display_units
    return {
        "rpm": list(build.project.tables.rpm),
        "load": list(build.project.tables.load),
        "top": float(f"{model.top_speed:g}"),  # 1.1 times a redline is not a round number in binary
        "moving": list(moving(build.project)),
        "tied": model.tied,
        "phases": {"intake": limits.phases_intake.tolist(), "exhaust": limits.phases_exhaust.tolist()},
        "cams": {side: _cam(build, side) for side in SIDES},
        "contacts": [_contact(build, k) for k in range(len(model.contacts))],
        "clamps": _clamps(build),
        "torque": _torque(build),
        "cells": _cells(build),
        "colours": [Scale(0.0, STEPS - 1.0).colour(float(step)) for step in range(STEPS)],
        "units": {
            "length": _unit(units.gap),
            "rule": _unit(units.gap),
            "lift": _unit(units.gap),
            "torque": _unit(units.torque),
        },
        "check_lift": build.project.tables.check_lift,
        "interval": INTERVAL,
    }


def _unit(unit: Unit) -> dict[str, Any]:
    """A unit as the explorer shows it: its factor from the documented one, and decimals."""
    return {"unit": unit.name, "factor": 1.0 / unit.size, "places": unit.decimals}


def packed(values: npt.ArrayLike, unit: float, *, down: bool = False) -> str:
    """Numbers as base64 of little-endian 16-bit integers, in `unit`; `down` rounds down, else to the nearest.

    >>> np.frombuffer(base64.b64decode(packed([0.0029, -0.0001], 0.001, down=True)), "<i2").tolist()
    [2, -1]
    """
    scaled = np.asarray(values, dtype=np.float64) / unit
    whole = np.floor(scaled + 1e-6) if down else np.round(scaled)
    whole = np.nan_to_num(whole, nan=-32767.0)  # a pair that tied cams cannot take
    return base64.b64encode(np.clip(whole, -32767, 32767).astype("<i2").tobytes()).decode("ascii")


def _cam(build: "Build", side: Side) -> dict[str, Any]:
    """A cam at rest: its centre, its events from there, and its lift as set, at least and running."""
    cam = build.contact.engine.cam(side)
    centre = float(cam.centre(0.0))
    at_rest = events(cam, centre, build.project.tables.check_lift)
    static, running = timing(build.contact.project, side)
    lifts = (
        cam.lift(_LIFT, 0.0, cam.lash),
        cam.most.highest(_LIFT - static, _LIFT + static),
        cam.most.highest(_LIFT - running, _LIFT + running),
    )
    return {
        "centre": centre,
        "opens": float(at_rest.opens),
        "closes": float(at_rest.closes),
        "lift": [packed(each, MICRON) for each in lifts],
        "lift_from": float(_LIFT[0]),
        "travel": list(build.contact.travel(side)),
    }


def _contact(build: "Build", number: int) -> dict[str, Any]:
    """A contact: its rules, its least gaps at every pair of phases (intake outermost), and what to draw it from."""
    model, name = build.contact, build.contact.contacts[number]
    safe = build.limits.safe.isel(rpm=-1, contact=number)
    speeds = np.append(np.array(build.project.tables.rpm), model.top_speed)
    taken = model.running_mm(speeds)[:, number]
    pairs = np.stack(np.meshgrid(build.limits.phases_intake, build.limits.phases_exhaust, indexing="ij"), axis=-1)
    found = {
        "name": WORDS[name],
        "sides": list(sides_of(name)),
        "required": float(model.required[number]),
        "reserve": model.reserve,
        "taken": [float(each) for each in np.ceil(taken / MICRON - 1e-6) * MICRON],
        "static_mm": float(model.static_mm[number]),
        "by_hand": packed(np.minimum(model.by_hand(pairs.reshape(-1, 2))[:, number], _FAR), MICRON, down=True),
        "static": packed(np.minimum(safe["static"], _FAR), MICRON, down=True),
        "swept": packed(np.minimum(safe["swept"], _FAR), MICRON, down=True),
    }
    return found | (_between_heads(build) if name == "valve_valve" else _drops(build, sides_of(name)[0]))


def _drops(build: "Build", side: Side) -> dict[str, Any]:
    law = build.contact.drops[side]
    return {
        "drop": [packed(np.minimum(each, _FAR), MICRON) for each in (law.fitted(_DROP), law.low(_DROP))],
        "drop_from": float(_DROP[0]),
    }


def _between_heads(build: "Build") -> dict[str, Any]:
    heads = build.contact.heads
    assert heads is not None  # the contact is listed only where seats are given
    lifts = [np.linspace(0.0, build.contact.engine.cam(side).most.peak, _HEADS) for side in SIDES]
    apart = head_distance(heads, lifts[0][:, None], lifts[1][None, :])
    return {"apart": packed(np.minimum(apart, _FAR), MICRON), "steps": [float(each[1]) for each in lifts]}


def _clamps(build: "Build") -> dict[str, Any]:
    box = clamps(build)
    return {
        "intake": [box.intake_from, box.intake_to],
        "exhaust": [box.exhaust_from, box.exhaust_to],
        "safe": clamps_hold(build),
    }


def _torque(build: "Build") -> dict[str, Any]:
    """Torque and its uncertainty at some phases of every cell; the latter is below 0 where the model does not speak."""
    labels = build.best.labels
    cells = build.torque["torque"].size
    intake, exhaust = (_thinned(getattr(build.limits, f"phases_{side}"), _most_nodes(cells)) for side in SIDES)
    if build.contact.tied:
        exhaust = np.array([0])
    of = labels.picked(np.ix_(intake, exhaust))
    known = np.isfinite(of.torque) & np.isfinite(of.deviation)
    unit = max(float(np.abs(of.torque[known]).max(initial=1.0)), float(of.deviation[known].max(initial=1.0))) / 32000.0
    torque = np.where(known, np.round(np.where(known, of.torque, 0.0) / unit), _ABSENT)
    uncertainty = np.round(np.where(known, of.deviation, 0.0) / unit)
    uncertainty = np.where(of.in_reach, uncertainty, -1.0 - uncertainty)
    return {
        "intake": build.limits.phases_intake[intake].tolist(),
        "exhaust": build.limits.phases_exhaust[exhaust].tolist() if not build.contact.tied else [0.0],
        "unit": unit,
        "mean": base64.b64encode(torque.astype("<i2").tobytes()).decode("ascii"),
        "uncertainty": base64.b64encode(uncertainty.astype("<i2").tobytes()).decode("ascii"),
    }


def _most_nodes(cells: int) -> int:
    """Nodes of a timing axis that keep the page small with so many cells.

    >>> _most_nodes(128), _most_nodes(400)
    (21, 12)
    """
    return min(MOST_NODES, int((_MOST_VALUES / cells) ** 0.5))


def _thinned(phases: FloatArray, most: int) -> npt.NDArray[np.int64]:
    """Even steps through an axis with both ends and rest, no more than `most`.

    >>> _thinned(np.arange(0.0, 20.5, 0.5), 6).tolist()
    [0, 8, 16, 24, 32, 40]
    """
    rest = int(np.abs(phases).argmin())
    for step in range(1, phases.size):
        found = np.unique(np.r_[np.arange(rest % step, phases.size, step), 0, phases.size - 1, rest])
        if found.size <= most:
            return found
    return np.unique([0, rest, phases.size - 1])


def _cells(build: "Build") -> list[dict[str, Any]]:
    """Every cell, rows of speed outermost, with numbers as `cells.csv` gives them."""
    units, count = build.project.display_units, len(build.project.tables.load)
    # Plain arrays: a labelled one takes a tenth of a millisecond to say one number, and there are thousands.
    torque = {str(name): values.to_numpy() for name, values in build.torque.items()}
    gaps = {name: build.verdict.cells[name].to_numpy() for name in ("by_hand", *RULES)}
    tables = [pair.of_side(side).to_numpy() for pair in (build.tables, build.baseline.tables) for side in SIDES]
    limits, found = limits_shown(build), []
    for n in range(torque["torque"].size):
        r, k = divmod(n, count)
        phases = [float(table[r, k]) for table in tables]
        found.append(
            {
                "phases": phases[:2],
                "before": phases[2:],
                **{
                    name: _number(float(torque[name][r, k]), 2)
                    for name in ("torque", "torque_sd", "torque_before", "gain", "gain_sd")
                },
                "in_reach": bool(torque["in_reach"][r, k]),
                "measured": bool(torque["measured"][r, k]),
                "limited_by": [binder_words(name) for name in limits[r][k]],
                "costs": [
                    [
                        limit_words(cost.limit),
                        per_words(cost, units),
                        _number(float(cost.cells[r, k]), 3),
                    ]
                    for cost in build.explanations.limit_costs.limits
                    if abs(cost.cells[r, k]) >= 0.0005
                ],
                "gaps": [
                    [round(float(gaps["by_hand"][r, k, c]), 3)]
                    + [rounded_down(float(gaps[rule][r, k, c])) for rule in RULES]
                    for c in range(len(build.contact.contacts))
                ],
            }
        )
    return found


def _number(value: float, decimals: int) -> float | None:
    return round(value, decimals) if np.isfinite(value) else None
