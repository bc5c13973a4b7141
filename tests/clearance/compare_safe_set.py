"""One engine's safe set, clamps, boxes and table verdicts by the package against the brute force of `brute_rules.py`.

Every comparison is a margin above the nearest rule, mm. Where the package says safe, the brute force's least margin
counts as `short` when below zero; where it says not safe, the brute force's margin counts as `refused` when above zero.
"""

from collections import Counter
from dataclasses import astuple, dataclass, field

import numpy as np

from clearance.brute_rules import Rules
from phaseopt.clearance import ContactModel, Limits, check_tables, contact_model, phase_limits
from phaseopt.clearance.rules import CLEAR, margins, running_gaps
from phaseopt.project import SIDES, Project
from phaseopt.tables import PhaseTables
from phaseopt.values.errors import InputError

SHORT, REFUSED = 0.005, 0.02  # mm, the most either may come to
KINDS = ("pairs", "boxes", "cells", "tables", "rest")
Box = tuple[float, float, float, float]


@dataclass
class Tally:
    """By kind: how many were found safe and not safe, and the worst of both directions with where it was."""

    safe: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    unsafe: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    short: dict[str, tuple[float, str]] = field(default_factory=lambda: dict.fromkeys(KINDS, (-np.inf, "")))
    refused: dict[str, tuple[float, str]] = field(default_factory=lambda: dict.fromkeys(KINDS, (-np.inf, "")))
    limited_by: Counter[str] = field(default_factory=Counter)  # what stands nearest its rule in refused cells
    unjudged: int = 0  # pairs refused for valves that the brute force did not look at
    unseen: int = 0  # safe pairs where it looked at the pistons alone

    def says(self, kind: str, safe: bool, margin: float, where: str) -> None:
        """One verdict, and the brute force's margin."""
        count, worst, off = (self.safe, self.short, -margin) if safe else (self.unsafe, self.refused, margin)
        count[kind] += 1
        worst[kind] = max(worst[kind], (off, where))

    @property
    def good(self) -> bool:
        """Within what is allowed."""
        return all(self.short[k][0] <= SHORT and self.refused[k][0] <= REFUSED for k in KINDS)

    def add(self, other: "Tally") -> None:
        """Another engine's."""
        for k in KINDS:
            self.safe[k] += other.safe[k]
            self.unsafe[k] += other.unsafe[k]
            self.short[k] = max(self.short[k], other.short[k])
            self.refused[k] = max(self.refused[k], other.refused[k])
        self.limited_by += other.limited_by
        self.unjudged += other.unjudged
        self.unseen += other.unseen


def compare(project: Project, seed: int) -> Tally:
    """Everything of one engine. Raises `InputError` where its drop readings or heads are refused as such."""
    model, rules, tally = contact_model(project), Rules(project), Tally()
    rng, name = np.random.default_rng(seed), f"engine {seed}"
    try:
        limits = phase_limits(model)
    except InputError as error:
        if "not safe with its phasers at rest" not in str(error):
            raise
        margin = rules.box_margin((0.0, 0.0, 0.0, 0.0), model.top_speed, formula=True, enough=0.0)
        tally.says("rest", False, margin, f"{name}: at rest")
        return tally
    _pairs(limits, rules, model, tally, rng, name)
    _boxes(limits, rules, model, tally, rng, name)
    _tables(limits, rules, model, tally, rng, name)
    return tally


def _pairs(
    limits: Limits, rules: Rules, model: ContactModel, tally: Tally, rng: np.random.Generator, name: str
) -> None:
    """Every pair of labels at every speed; valve to valve for the pairs nearest its edge and some others."""
    safe = limits.safe["safe"].values
    speeds = limits.safe["rpm"].values
    labels = limits.phases_intake, limits.phases_exhaust
    by_side = [
        np.array([rules.piston_margins(side, phase, phase, speeds) for phase in each]).T
        for side, each in zip(SIDES, labels, strict=True)
    ]
    least = np.minimum(by_side[0][:, :, None], by_side[1][:, None, :])
    low, high = least.copy(), least.copy()
    can = np.eye(len(labels[0]), dtype=bool) if model.tied else np.ones(safe.shape[1:], dtype=bool)
    known = np.broadcast_to(can, safe.shape).copy()
    assert not (safe & ~known).any()
    if rules.project.seats is not None:
        looked = np.zeros(safe.shape[1:], dtype=bool)
        apart = np.round(labels[0][:, None] - labels[1][None], 9)
        for value in _nearest_edge(limits, apart, can, least, rng):
            at = apart == value
            box = (value, value, 0.0, 0.0)  # the gap between valves hangs on the difference alone
            looked |= at
            low[:, at] = np.minimum(low[:, at], rules.valve_margins(box, speeds, formula=False)[:, None])
            high[:, at] = np.minimum(high[:, at], rules.valve_margins(box, speeds, formula=True)[:, None])
        unjudged = known & ~safe & ~looked & (least > 0.0)
        tally.unjudged += int(unjudged.sum())
        tally.unseen += int((safe & ~looked).sum())
        known &= ~unjudged
    for verdict, margin in ((True, low), (False, high)):
        chosen = known & (safe == verdict)
        if not chosen.any():
            continue
        off = np.where(chosen, margin if verdict else -margin, np.inf)
        at = np.unravel_index(int(off.argmin()), off.shape)
        words = f"{name}: {labels[0][at[1]]:g} with {labels[1][at[2]]:g} at {speeds[at[0]]:g} rpm"
        tally.says("pairs", verdict, float(margin[at]), words)
        (tally.safe if verdict else tally.unsafe)["pairs"] += int(chosen.sum()) - 1


def _nearest_edge(
    limits: Limits, apart: np.ndarray, can: np.ndarray, least: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Differences of phase to look at: by the package the nearest to either side of the edge, at the lowest and at the
    top speed, where the pistons leave room; and three others."""
    static = limits.safe["static_margin"].sel(contact="valve_valve").values
    chosen: list[float] = rng.choice(np.unique(apart[can]), 3).tolist()
    for r in (0, -1):
        margin = np.minimum(static, limits.safe["running_margin"].sel(contact="valve_valve").values[r])
        for side in (margin >= 0.0, margin < 0.0):
            at = side & can & (least[r] > 0.0)
            chosen += apart[at][np.argsort(np.abs(margin[at]), kind="stable")][:1].tolist()
    return np.unique(chosen)


def _boxes(
    limits: Limits, rules: Rules, model: ContactModel, tally: Tally, rng: np.random.Generator, name: str
) -> None:
    """Boxes at the top speed, clamps at one other: clear as a whole, and no label wider at any end."""
    r = int(rng.integers(limits.together.rpm.size))
    rpm = float(limits.together.rpm[r])
    ends = ("intake_from", "intake_to", "exhaust_from", "exhaust_to")
    together, alone = ([float(getattr(each, end)[r]) for end in ends] for each in (limits.together, limits.alone))
    found: list[tuple[Box, float, tuple[int, ...]]] = [(_box(together), rpm, (0, 1, 2, 3))]
    found += [
        (astuple(box), model.top_speed, (0, 1, 2, 3))
        for box in (limits.boxes[0], limits.boxes[int(rng.integers(len(limits.boxes)))])
    ]
    if not model.tied:
        found += [((*alone[:2], 0.0, 0.0), rpm, (0, 1)), ((0.0, 0.0, *alone[2:]), rpm, (2, 3))]
    for box, speed, free in dict.fromkeys(found):
        where = f"{name}: box {', '.join(f'{end:g}' for end in box)} at {speed:g} rpm"
        tally.says("boxes", True, _margin(rules, model, box, speed, safe=True), where)
        for end in (0, 1) if model.tied else free:
            wider = _wider(limits, box, end, model.tied)
            if wider is not None:
                margin = _margin(rules, model, wider, speed, safe=False)
                tally.says("boxes", False, margin, f"{where}, wider at end {end}")


def _box(ends: list[float]) -> Box:
    return ends[0], ends[1], ends[2], ends[3]


def _wider(limits: Limits, box: Box, end: int, tied: bool) -> Box | None:
    """The box one label wider at an end; None at the end of travel."""
    labels = limits.phases_intake if end < 2 else limits.phases_exhaust
    beyond = labels[labels < box[end] - 1e-6][-1:] if end % 2 == 0 else labels[labels > box[end] + 1e-6][:1]
    if not beyond.size:
        return None
    new = list(box)
    new[end] = float(beyond[0])
    if tied:
        new[end + 2] = new[end]
    return _box(new)


def _margin(rules: Rules, model: ContactModel, box: Box, rpm: float, *, safe: bool) -> float:
    """The brute margin of a box. Tied cams keep their difference: each small piece between two labels is a box, as the
    package says it takes them where it refuses; every point of the line counts where it calls them safe."""
    if not model.tied or box[0] == box[1]:
        return rules.box_margin(box, rpm, formula=not safe, enough=-np.inf if safe else 0.0)
    at = np.array([rpm])
    margin = min(float(rules.piston_margins(s, box[0], box[1], at)[0]) for s in SIDES)
    if rules.project.seats is None or (not safe and margin < 0.0):
        return margin
    step = 0.0 if safe else float(np.diff(model.pieces(box)[:, :2]).max())
    return min(margin, float(rules.valve_margins((0.0, step, 0.0, step), at, formula=not safe)[0]))


def _tables(
    limits: Limits, rules: Rules, model: ContactModel, tally: Tally, rng: np.random.Generator, name: str
) -> None:
    """A table whose cells stand a hundredth of a degree or two on both sides of the edge, anywhere between labels."""
    rpm, load = np.array([1500.0, 4000.0, model.top_speed]), np.array([50.0, 100.0])
    phases = np.stack([_edge(model, speed, rng) for speed in rpm])
    verdict = check_tables(model, PhaseTables.of(rpm, load, phases[..., 0], phases[..., 1]))
    clear = verdict.cells["verdict"].values == CLEAR
    tally.limited_by.update(verdict.cells["limited_by"].values[~clear].tolist())
    for r, k in np.ndindex(3, 2):
        i, e = phases[r, k].tolist()
        safe = bool(clear[r, k])
        margin = rules.box_margin((i, i, e, e), float(rpm[r]), formula=not safe, enough=-np.inf if safe else 0.0)
        tally.says("cells", safe, margin, f"{name}: cell {i:.4f} with {e:.4f} at {rpm[r]:g} rpm")
    span, safe = astuple(verdict.box.range), verdict.box.verdict == CLEAR
    margin = _margin(rules, model, span, model.top_speed, safe=safe)
    tally.says("tables", safe, margin, f"{name}: tables over {', '.join(f'{end:.4f}' for end in span)}")


def _edge(model: ContactModel, rpm: float, rng: np.random.Generator) -> np.ndarray:
    """Two pairs of phases on a way from rest to an end of the travel, on both sides of where the package's verdict on
    single pairs turns; the end itself twice where it never does."""
    ends = np.array([rng.choice(model.travel(side)) for side in SIDES])
    if model.heads is not None and rng.random() < 0.6:
        ends = np.array([model.travel("intake")[1], model.travel("exhaust")[0]])  # where the valves come nearest
    ends *= rng.choice([[1.0, 1.0], [1.0, 0.0], [0.0, 1.0], rng.uniform(0, 1, 2)])
    if model.tied:
        ends[:] = rng.choice(model.travel("intake"))

    def clear(part: float) -> bool:
        gaps = model.gaps(np.repeat(part * ends, 2))
        return bool((margins(model, gaps.static, running_gaps(model, gaps, rpm)) >= 0.0).all())

    if clear(1.0) or not np.any(ends):
        return np.array([ends, ends])
    low, high = 0.0, 1.0
    while (high - low) * np.abs(ends).max() > 0.005:
        low, high = (0.5 * (low + high), high) if clear(0.5 * (low + high)) else (low, 0.5 * (low + high))
    off = rng.uniform(0, 0.02) / np.abs(ends).max()
    return np.outer([max(low - off, 0.0), min(high + off, 1.0)], ends)
