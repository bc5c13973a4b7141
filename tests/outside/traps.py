"""The usual mistakes, each as a function that spoils what was written down and leaves the engine as it is.

`TRAPS` has them by name. `planted` says where one fits and spoils; `effect` says how much less is really left than the
spoiled project claims. All are common practice in the sense that builders do make them; sizes (a tooth, a gasket) are
invented.
"""

import copy
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from .claims import claimed
from .contact import SIDES, Engine, Gaps
from .random_engines import BELOW_PEAK, Written, crossings

TOOTH = 360.0 * 2 / 42  # crank degrees, a cam wheel of 42 teeth
GASKET = 0.5  # mm
TILTED_GAUGE = 20.0  # degrees
Spoiler = Callable[[Written, Engine, str], Written | None]  # side last; None where it does not apply


@dataclass(frozen=True)
class Trap:
    """A mistake: `spoil` plants it on one side, or on both where `both`."""

    name: str
    spoil: Spoiler
    both: bool = False


TRAPS: dict[str, Trap] = {}


def _trap(name: str, both: bool = False) -> Callable[[Spoiler], Spoiler]:
    def keep(spoil: Spoiler) -> Spoiler:
        TRAPS[name] = Trap(name, spoil, both)
        return spoil

    return keep


def planted(name: str, written: Written, engine: Engine, side: str) -> Written | None:
    """The project with a mistake planted, or None where there is no occasion for it or it changes nothing.

    A second mistake is planted in what the first one left.
    """
    spoiled = TRAPS[name].spoil(written, engine, side)
    return None if spoiled is None or _same(spoiled, written) else spoiled


def _same(one: Written, other: Written) -> bool:
    if one.settings != other.settings or one.lobes.keys() != other.lobes.keys():
        return False
    pairs = [(one.drops[side], other.drops[side]) for side in SIDES]
    pairs += [(one.lobes[side][1], other.lobes[side][1]) for side in one.lobes]
    headers = [one.lobes[side][0] == other.lobes[side][0] for side in one.lobes]
    return all(headers) and all(np.array_equal(*pair) for pair in pairs)


class Effect(NamedTuple):
    """Least gaps over full travel, as they truly are and as the spoiled project claims, mm."""

    true: Gaps
    claimed: Gaps

    @property
    def too_much(self) -> float:
        """The most that a gap is claimed too large, mm; below 0 where every one is claimed too small."""
        return max(said - is_so for is_so, said in zip(self.true, self.claimed, strict=True))

    @property
    def moved(self) -> float:
        """The change of the gap that moves most, mm, + = claimed too large."""
        return max((said - is_so for is_so, said in zip(self.true, self.claimed, strict=True)), key=abs)


def effect(engine: Engine, spoiled: Written, folder: Path) -> Effect:
    """Judge a spoiled project, written into `folder`, against the true engine: full travel, each in its own terms."""
    return Effect(engine.full_travel(), claimed(spoiled.write(folder)).full_travel())


def _set(written: Written, side: str, **keys: object) -> Written:
    """The same with other keys of a cam; a value of None leaves the key out."""
    settings = copy.deepcopy(written.settings)
    settings[side].update(keys)
    settings[side] = {key: value for key, value in settings[side].items() if value is not None}
    return replace(written, settings=settings)


def _rows(
    written: Written, side: str, change: Callable[[np.ndarray], np.ndarray], header: str | None = None
) -> Written | None:
    """The same with a lobe's rows changed; None where a card stands in its place."""
    if side not in written.lobes:
        return None
    before, rows = written.lobes[side]
    return replace(written, lobes={**written.lobes, side: (header or before, change(rows.copy()))})


def _drops(written: Written, side: str, change: Callable[[np.ndarray], np.ndarray]) -> Written:
    """The same with a drop file's readings (second column) changed."""
    rows = written.drops[side]
    return replace(written, drops={**written.drops, side: np.c_[rows[:, 0], np.round(change(rows[:, 1]), 3)]})


def _opened(rows: np.ndarray) -> np.ndarray:
    """Rows with their lifts never below 0."""
    return np.c_[rows[:, 0], np.round(np.maximum(0.0, rows[:, 1]), 4)]


def _at_tappet(written: Written, side: str) -> bool:
    return side in written.lobes and written.lobes[side][0] == "cam_deg,lift_mm"


def _with_card(written: Written, engine: Engine, side: str, scale: float = 1.0, read_at: float = 0.0) -> Written | None:
    """The lobe replaced by its card; durations times `scale`, really taken at lifts higher by `read_at` mm than they
    say."""
    if not _at_tappet(written, side):
        return None
    lobe = engine.cam(side).lobe
    angle = np.arange(*lobe.ends, 0.01)
    lift = lobe.lift(angle)
    checks = [at for at in (0.5, 1.0, 2.0, 3.0, 5.0, 7.0) if at + read_at < 0.9 * lift.max()]
    spans = [np.ptp(angle[lift >= at + read_at]) * 2 * scale for at in checks]
    durations = [{"at": at, "degrees": round(float(span), 1)} for at, span in zip(checks, spans, strict=True)]
    card = {"lift": round(float(lift.max()), 2), "measured_at": "tappet", "durations": durations}
    lobes = {other: file for other, file in written.lobes.items() if other != side}
    return replace(_set(written, side, lobe=None, card=card), lobes=lobes)


def with_card(written: Written, engine: Engine, side: str) -> Written | None:
    """An honest card in place of the lobe; None where lift was measured at the valve."""
    return _with_card(written, engine, side)


def middle_from_nose(engine: Engine, side: str) -> float:
    """By how many crank degrees the middle between equal lifts, 1.25 mm below the peak, stands after the lobe's
    zero."""
    cam = engine.cam(side)
    peak = float(np.max(cam.at(np.arange(-20.0, 20.0, 0.05))))
    return sum(crossings(cam, peak - BELOW_PEAK)) / 2 - cam.centre()


# The mistakes that the degree-in check must name


@_trap("lobe mirrored")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    return _rows(written, side, lambda rows: np.c_[-rows[::-1, 0], rows[::-1, 1]])


@_trap("offset sign")
def _(written: Written, engine: Engine, side: str) -> Written:
    return _set(written, side, offset=0.0 - written.settings[side]["offset"])


@_trap("offset in cam degrees")
def _(written: Written, engine: Engine, side: str) -> Written:
    return _set(written, side, offset=written.settings[side]["offset"] / 2)


@_trap("card in cam degrees")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    return _with_card(written, engine, side, scale=0.5)


@_trap("travel in cam degrees")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    if "phaser" not in written.settings[side]:
        return None
    phaser = written.settings[side]["phaser"]
    return _set(written, side, phaser={**phaser, "travel": [end / 2 for end in phaser["travel"]]})


@_trap("lobe zero off its nose")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    """By 4 cam degrees, towards where more gap is claimed."""
    by = (4.0 if side == "intake" else -4.0) * (1 if _at_tappet(written, side) else 2)
    return _rows(written, side, lambda rows: np.c_[rows[:, 0] + by, rows[:, 1]])


@_trap("centreline by equal lift, lobe by its peak")
def _(written: Written, engine: Engine, side: str) -> Written:
    off = middle_from_nose(engine, side) * (1 if side == "intake" else -1)
    return _set(written, side, centreline=round(written.settings[side]["centreline"] + off, 1))


@_trap("ratio missing")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    return _set(written, side, ratio=1.0) if "ratio" in written.settings[side] else None


@_trap("lash in thousandths")
def _(written: Written, engine: Engine, side: str) -> Written:
    return _set(written, side, lash=round(written.settings[side]["lash"] / 0.0254, 0))


@_trap("lash in inches")
def _(written: Written, engine: Engine, side: str) -> Written:
    return _set(written, side, lash=round(written.settings[side]["lash"] / 25.4, 3))


@_trap("lobe files swapped", both=True)
def _(written: Written, engine: Engine, side: str) -> Written | None:
    if len(written.lobes) < 2:
        return None
    return replace(written, lobes={"intake": written.lobes["exhaust"], "exhaust": written.lobes["intake"]})


@_trap("drop files swapped", both=True)
def _(written: Written, engine: Engine, side: str) -> Written:
    return replace(written, drops={"intake": written.drops["exhaust"], "exhaust": written.drops["intake"]})


@_trap("a tooth out")
def _(written: Written, engine: Engine, side: str) -> Written:
    """The project says where the cam ought to stand; the cam really stands a tooth nearer to the piston."""
    return _set(written, side, centreline=round(written.settings[side]["centreline"] + TOOTH, 1))


# Others of the same kind


@_trap("offset folded into the centreline the wrong way")
def _(written: Written, engine: Engine, side: str) -> Written:
    """The rule of the other cam: on the intake + for advanced, on the exhaust -."""
    offset = written.settings[side]["offset"] * (1 if side == "intake" else -1)
    return _set(written, side, centreline=written.settings[side]["centreline"] + offset, offset=0.0)


@_trap("exhaust centreline after bottom dead centre")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    """Written as read on a wheel that counts from the other dead centre: 180 less what is meant."""
    if side == "intake":
        return None
    return _set(written, side, centreline=180.0 - written.settings[side]["centreline"])


@_trap("offset left out")
def _(written: Written, engine: Engine, side: str) -> Written:
    return _set(written, side, offset=0.0)


@_trap("offsets swapped between the cams", both=True)
def _(written: Written, engine: Engine, side: str) -> Written:
    intake, exhaust = (written.settings[each]["offset"] for each in SIDES)
    return _set(_set(written, "intake", offset=exhaust), "exhaust", offset=intake)


@_trap("durations at another lift")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    """Taken 0.5 mm higher than the card says."""
    return _with_card(written, engine, side, read_at=0.5)


@_trap("lash taken twice")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    """The lobe was read over its lash, and lash is given as well."""
    keys = written.settings[side]
    off = keys["lash"] / keys.get("ratio", 1.0)
    return _rows(written, side, lambda rows: _opened(np.c_[rows[:, 0], rows[:, 1] - off]))


@_trap("drop gauge's zero lost")
def _(written: Written, engine: Engine, side: str) -> Written:
    """Every reading 0.6 mm too much."""
    return _drops(written, side, lambda drop: drop + 0.6)


@_trap("lobe in cam degrees under a heading of crank degrees")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    return _rows(written, side, lambda rows: rows, "crank_deg,valve_lift_mm") if _at_tappet(written, side) else None


@_trap("lobe in crank degrees taken as cam degrees")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    double = 2 if _at_tappet(written, side) else 1
    return _rows(written, side, lambda rows: np.c_[double * rows[:, 0], rows[:, 1]], "cam_deg,lift_mm")


@_trap("ratio inverted")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    keys = written.settings[side]
    return _set(written, side, ratio=round(1 / keys["ratio"], 4)) if "ratio" in keys else None


@_trap("lobe gauge in half thousandths")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    """Divisions of 0.0005 in read as 0.01 mm: every lift too small by 1.27."""
    return _rows(written, side, lambda rows: _opened(np.c_[rows[:, 0], rows[:, 1] / 1.27]))


@_trap("drop readings in inches")
def _(written: Written, engine: Engine, side: str) -> Written:
    return _drops(written, side, lambda drop: drop / 25.4)


@_trap("drops read with a thicker gasket")
def _(written: Written, engine: Engine, side: str) -> Written:
    more = engine.drop(side, np.zeros(1))[0] - replace(engine, lower=(-GASKET,)).drop(side, np.zeros(1))[0]
    return _drops(written, side, lambda drop: drop + more)


@_trap("drop gauge tilted")
def _(written: Written, engine: Engine, side: str) -> Written:
    return _drops(written, side, lambda drop: drop / np.cos(np.radians(TILTED_GAUGE)))


@_trap("drop angles the other way round")
def _(written: Written, engine: Engine, side: str) -> Written:
    rows = written.drops[side]
    return replace(written, drops={**written.drops, side: np.c_[rows[:, 0], rows[::-1, 1]]})


@_trap("travel from the other end")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    if "phaser" not in written.settings[side]:
        return None
    phaser = written.settings[side]["phaser"]
    low, high = phaser["travel"]
    return _set(written, side, phaser={**phaser, "travel": [-high, -low]})


@_trap("the wheel's zero off top dead centre")
def _(written: Written, engine: Engine, side: str) -> Written:
    """By 4 crank degrees when the cam was degreed in, towards where more gap is claimed."""
    return _set(written, side, centreline=written.settings[side]["centreline"] + 4.0)


@_trap("one ratio for a follower whose ratio changes")
def _(written: Written, engine: Engine, side: str) -> Written | None:
    """Lift at the tappet and the ratio at no lift, as a catalogue has it."""
    cam = engine.cam(side)
    if isinstance(cam.ratio, float):
        return None
    angle = np.arange(np.floor(cam.lobe.ends[0]) - 3, np.ceil(cam.lobe.ends[1]) + 4)
    rows = np.c_[angle, np.round(cam.lobe.lift(angle), 3)]
    return _rows(_set(written, side, ratio=round(cam.ratio[0][1], 2)), side, lambda _: rows, "cam_deg,lift_mm")
