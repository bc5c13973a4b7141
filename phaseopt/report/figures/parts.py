"""The pictures of a parts study: torque of the best combinations over speed, and torque against clearance of all."""

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from phaseopt.report.figures.drawing import (
    BEFORE,
    EDGE,
    INK,
    PAPER,
    SOFT,
    TEXT,
    Drawing,
    round_ticks,
    sized,
    styled,
    workshop,
)
from phaseopt.report.parts_facts import gain_as_tried, last_outcome, listed, to_build
from phaseopt.study.parts.combinations import AS_IT_IS
from phaseopt.study.parts.study import PartsStudy
from phaseopt.study.parts.trial import Outcome
from phaseopt.values.arrays import FloatArray
from phaseopt.values.interval import INTERVAL

_MARKS = ("o", "s", "^", "D", "v", "P", "X")
_WIDE, _NAMES = 660.0, 178.0  # pixels of a figure, and of the names at its right
_LETTERS, _LINE = 26, 13.0  # of a name in a line, and the line's height in pixels


def torque_fan(study: PartsStudy) -> Drawing:
    """Torque of each finalist over speed, and what it gains over the engine as it is: the best with its ±."""
    unit, now = study.base.project.display_units.torque, study.outcome(study.present)
    best, keys = _first(study), listed(study)
    with styled():
        figure = sized(_WIDE, 470.0)
        upper, lower = figure.subplots(2, 1, sharex=True)
        _place(figure, 470.0, top=44.0, between=0.16)
        for axes in (upper, lower):
            workshop(axes)
            axes.xaxis.set_major_locator(round_ticks(6))
            axes.yaxis.set_major_locator(round_ticks(5))
            axes.axvspan(*study.base.band, color=EDGE, alpha=0.07, lw=0)
        ends: list[tuple[str, float, float]] = []
        for number, key in reversed(list(enumerate(keys, start=1))):
            found = study.outcome(key)
            curve, gain = unit.of(found.curve), unit.of(found.curve - _at(now, found.rpm))
            if key == best:
                band = INTERVAL * unit.of(study.gain(key)[1])
                for axes, line in ((upper, curve), (lower, gain)):
                    axes.fill_between(found.rpm, line - band, line + band, color=INK, alpha=0.12, lw=0)
            look = {"color": INK, "lw": 2.5, "zorder": 5} if key == best else {"color": SOFT, "lw": 1.0}
            mark = _MARKS[(number - 1) % len(_MARKS)]
            for axes, line in ((upper, curve), (lower, gain)):
                axes.plot(found.rpm, line, marker=mark, mfc=INK if key == best else PAPER, ms=4.5, **look)
            ends.append((f"{number} {study.combinations[key].words}", *_end(found.rpm, curve)))
        upper.plot(now.rpm, unit.of(now.curve), color=BEFORE, lw=1.5, dashes=(4, 3))
        lower.axhline(0.0, color=BEFORE, lw=1.5, dashes=(4, 3))
        ends.append((AS_IT_IS, *_end(now.rpm, unit.of(now.curve))))
        _name_ends(upper, ends)
        lower.set_xlabel("engine speed, rpm", fontsize=TEXT)
        _titles(figure, 470.0, _finding(study, best), "Grey ground: the speeds that count")
        _above(upper, f"torque, {unit.name}{_starts(upper)}")
        _above(lower, f"gain, {unit.name}")
        title = "Torque at full throttle of each combination over engine speed, and its gain over the engine as it is"
        return Drawing(figure, "parts-torque", title)


def clearance_scatter(study: PartsStudy) -> Drawing:
    """Gain over the engine as it is against the clearance that is left above the rules: all that were tried."""
    units, keys = study.base.project.display_units, listed(study)
    with styled():
        figure = sized(_WIDE, 360.0)
        axes = figure.subplots()
        _place(figure, 360.0, top=44.0)
        workshop(axes)
        axes.axvline(0.0, color=INK, lw=2.0)
        ends: list[tuple[str, float, float]] = []
        for key in study.results:
            found, more = last_outcome(study, key), gain_as_tried(study, key)
            if found is None or more is None:
                continue
            gain, margin = units.torque.of(more), units.gap.of(found.margin)
            if key in keys:
                best = key == _first(study)
                axes.plot(margin, gain, "o", color=INK, ms=9 if best else 7, zorder=4)
                ends.append((f"{keys.index(key) + 1} {study.combinations[key].words}", margin, gain))
            elif key == study.present:
                axes.plot(margin, gain, "s", color=BEFORE, mfc=PAPER, ms=8, mew=1.5, zorder=4)
                ends.append((AS_IT_IS, margin, gain))
            else:
                axes.plot(margin, gain, "o", color=EDGE, mfc=PAPER, ms=5)
        low, high = axes.get_xlim()
        axes.set_xlim(min(low, -0.04 * (high - low)), high)
        axes.xaxis.set_major_locator(round_ticks(6))
        axes.yaxis.set_major_locator(round_ticks(6))
        _name_ends(axes, ends)
        axes.set_xlabel(f"least clearance above your rules, worst case, {units.gap.name}", fontsize=TEXT)
        _titles(figure, 360.0, "Torque gain against clearance", "Line: your rule")
        _above(axes, f"average gain, {units.torque.name}")
        title = "Average torque gain of each combination tried against its least clearance above the rules"
        return Drawing(figure, "parts-clearance", title)


def one_curve(study: PartsStudy, key: str) -> Drawing:
    """Torque of one combination beside the engine as it is."""
    unit, found, now = study.base.project.display_units.torque, study.outcome(key), study.outcome(study.present)
    with styled():
        figure = sized(440.0, 220.0)
        axes = figure.subplots()
        figure.subplots_adjust(left=44 / 440, right=1 - 12 / 440, bottom=38 / 220, top=1 - 26 / 220)
        workshop(axes)
        axes.plot(now.rpm, unit.of(now.curve), color=BEFORE, lw=1.5, dashes=(4, 3))
        axes.plot(found.rpm, unit.of(found.curve), color=INK, lw=2.5)
        axes.xaxis.set_major_locator(round_ticks(5))
        axes.yaxis.set_major_locator(round_ticks(5))
        axes.set_xlabel("engine speed, rpm", fontsize=TEXT, labelpad=3)
        _above(axes, f"{unit.name}{_starts(axes)}. Dashed: {AS_IT_IS}")
        number = listed(study).index(key) + 1
        return Drawing(
            figure, f"parts-torque-{number}", f"Torque of number {number} over engine speed, solid; now dashed"
        )


def _first(study: PartsStudy) -> str | None:
    """The combination to build, or the best of those listed."""
    return to_build(study) or next(iter(listed(study)), None)


def _finding(study: PartsStudy, key: str | None) -> str:
    """What the fan shows, in words."""
    if key is None:
        return "The engine as it is"
    unit, found = study.base.project.display_units.torque, study.outcome(key)
    gain = found.curve - _at(study.outcome(study.present), found.rpm)
    inside = (found.rpm >= study.base.band[0]) & (found.rpm <= study.base.band[1]) & np.isfinite(gain)
    mean = study.gain(key)[0]
    if mean <= 0.0 or not inside.any():
        return "No combination makes more on average"
    most = found.rpm[inside][int(gain[inside].argmax())]
    return f"{unit.text(mean)} more on average, most at {most:g} rpm"


def _at(outcome: Outcome, rpm: FloatArray) -> FloatArray:
    return np.asarray(np.interp(rpm, outcome.rpm, outcome.curve))


def _end(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """The last known point of a line."""
    known = np.flatnonzero(np.isfinite(y))
    return (float(x[known[-1]]), float(y[known[-1]])) if known.size else (float(x[-1]), float("nan"))


def _place(figure: Figure, high: float, *, top: float, between: float = 0.0) -> None:
    figure.subplots_adjust(
        left=46.0 / _WIDE, right=1.0 - _NAMES / _WIDE, bottom=40.0 / high, top=1.0 - top / high, hspace=between
    )


def _titles(figure: Figure, high: float, finding: str, beside: str) -> None:
    figure.text(4.0 / _WIDE, 1.0 - 14.0 / high, finding, fontsize=TEXT, weight="bold")
    figure.text(1.0 - 4.0 / _WIDE, 1.0 - 14.0 / high, beside, fontsize=TEXT, color=SOFT, ha="right")


def _above(axes: Axes, words: str) -> None:
    axes.annotate(words, (0.0, 1.0), (-40.0, 5.0), "axes fraction", "offset points", fontsize=TEXT)


def _starts(axes: Axes) -> str:
    low = axes.get_ylim()[0]
    return f" (starts at {low:.0f})" if low > 0 else ""


def _name_ends(axes: Axes, ends: Sequence[tuple[str, float, float]]) -> None:
    """Names at the right of an axes, each joined to its point by a thin line, none over another."""
    low, high = axes.get_ylim()
    axes.set_ylim(low, high)
    axes.set_xlim(*axes.get_xlim())
    tall = float(axes.get_position().height * axes.get_figure().get_figheight() * 72.0)  # type: ignore[union-attr]
    known = sorted((end for end in ends if np.isfinite(end[2])), key=lambda end: end[2])
    names = [textwrap.wrap(end[0], _LETTERS, max_lines=2, placeholder=" …") for end in known]
    wanted = [(end[2] - low) / (high - low) * tall for end in known]
    places = spread(wanted, [_LINE * len(lines) + 3.0 for lines in names], tall)
    right, gap = axes.get_xlim()[1], (axes.get_xlim()[1] - axes.get_xlim()[0]) / (_WIDE - _NAMES - 46.0)
    for (_, x, y), lines, place in zip(known, names, places, strict=True):
        at = low + place / tall * (high - low)
        axes.plot([x + 5.0 * gap, right + 8.0 * gap], [y, at], color=EDGE, lw=0.6, clip_on=False, zorder=1)
        words = "\n".join(lines)
        axes.text(right + 11.0 * gap, at, words, fontsize=TEXT - 1.0, va="center", linespacing=1.0)


def spread(wanted: Sequence[float], heights: Sequence[float], room: float) -> list[float]:
    """Middles of labels of given heights as near as may be to where they are wanted, from below, none over another.

    They stay inside the room where all fit in it.

    >>> spread([10.0, 12.0, 90.0], [10.0, 10.0, 10.0], 100.0)
    [10.0, 20.0, 90.0]
    >>> spread([98.0, 99.0], [10.0, 10.0], 100.0)
    [85.0, 95.0]
    """
    places: list[float] = []
    floor = 0.0
    for want, height in zip(wanted, heights, strict=True):
        places.append(max(want, floor + height / 2))
        floor = places[-1] + height / 2
    ceiling = max(room, sum(heights))
    for i in reversed(range(len(places))):
        places[i] = min(places[i], ceiling - heights[i] / 2)
        ceiling = places[i] - heights[i] / 2
    return places
