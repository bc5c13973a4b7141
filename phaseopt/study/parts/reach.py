"""A combination at full throttle alone, with phasers that reach all that any of its installed offsets could.

Contact and torque depend on true centrelines. So the safe timings of every offset are among those of phasers whose rest
has the least overlap that any offset gives, and whose travel is longer by the range of offsets.
"""

from collections.abc import Mapping, Sequence

from phaseopt.project import SIDES, Cam, Project, Side
from phaseopt.project.search_settings import Weight
from phaseopt.study.offset_range import Offsets, fitted_at

Range = tuple[float, float]  # crank degrees, + = advanced

OUTSIDE = 0.02  # weight of speeds outside the band: enough that their timing is chosen sensibly
_ALL = (0.0, 30_000.0)


def at_full_throttle(project: Project, rpm: Sequence[float], band: Range) -> Project:
    """The project with one load, full throttle, at some speeds; those in the band [rpm] count.

    Caps and costs at part load, pinned cells and tables to compare with say nothing there. Cams count as not
    yet read on the engine: those on the shelf are not fitted, and all combinations are to be judged alike.
    """
    tables = project.tables.model_copy(update={"rpm": tuple(rpm), "load": project.tables.load[-1:], "baseline": None})
    weights = (Weight(rpm=band, load=_ALL, weight=1.0), Weight(rpm=_ALL, load=_ALL, weight=OUTSIDE))
    part_load = {"overlap_cap": (), "caps": (), "costs": (), "pinned": (), "part_load": "torque"}
    search = project.search.model_copy(update=part_load | {"weights": weights, "caution": 0.0})
    cams: dict[str, Cam] = {side: project.cam(side).model_copy(update={"degree_in": None}) for side in SIDES}
    return project.model_copy(update=cams | {"tables": tables, "search": search, "torque": None})


def reaching_all(project: Project, ranges: Mapping[Side, Range]) -> Project:
    """The project at the least overlap of all offsets, its phasers longer by their ranges."""
    least = least_overlap(project, ranges)
    cams: dict[str, Cam] = {}
    moved = fitted_at(project, least)
    for side, (low, high) in ranges.items():
        cam = moved.cam(side)
        assert cam.phaser is not None
        first, last = cam.phaser.travel
        travel = (first, last + high - low) if side == "intake" else (first - (high - low), last)
        phaser = cam.phaser.model_copy(update={"travel": travel, "travel_in": "crank deg"})
        cams[side] = cam.model_copy(update={"phaser": phaser})
    return moved.model_copy(update=cams)


def least_overlap(project: Project, ranges: Mapping[Side, Range]) -> Offsets:
    """The most retarded intake and the most advanced exhaust offset."""
    fitted = {side: project.cam(side).offset for side in SIDES}
    ends = {side: each[0] if side == "intake" else each[1] for side, each in ranges.items()}
    found = fitted | ends
    return found["intake"], found["exhaust"]


def windows(project: Project, ranges: Mapping[Side, Range], used: Mapping[Side, Range]) -> list[Offsets]:
    """Offsets from which a phaser reaches the timings used, few of them, the present first where it is one.

    Parameters: `used`, by side, least and most phase of phasers that reach all (`reaching_all`). For each cam the
    offset nearest to the present one, and the one with the least overlap.
    """
    by_side: dict[Side, list[float]] = {}
    for k, side in enumerate(SIDES):
        now = project.cam(side).offset
        if side not in ranges:
            by_side[side] = [now]
            continue
        phaser = project.phaser_of(side)
        assert phaser is not None
        (low, high), step = ranges[side], phaser.resolution
        rest = least_overlap(project, ranges)[k]
        first, last = (rest + end for end in used[side])  # as offset + phase
        least, most = max(low, last - phaser.travel[1]), min(high, first - phaser.travel[0])
        if least > most:  # no offset reaches all: nearest to it, from both ends
            least, most = sorted((min(max(least, low), high), min(max(most, low), high)))
        near = min(max(now, least), most)
        far = least if side == "intake" else most
        by_side[side] = list(dict.fromkeys(_stepped(each, now, step, (low, high)) for each in (near, far)))
    pairs = [(a, b) for a in by_side["intake"] for b in by_side["exhaust"]]
    return [pairs[0], pairs[-1]] if len(pairs) > 1 else pairs


def _stepped(offset: float, now: float, step: float, within: Range) -> float:
    """Whole steps of the phaser's resolution from the present offset, within the range."""
    found = now + step * round((offset - now) / step)
    return round(min(max(found, within[0]), within[1]), 6)
