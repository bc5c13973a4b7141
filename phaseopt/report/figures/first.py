"""The two drawings of a build's first screen, at the size at which they stand there: torque and power, and the closest
approach of a valve to a piston, to scale.
"""

import math
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import place
from phaseopt.engine.crank import SliderCrank
from phaseopt.job.concave_envelope import concave_envelope
from phaseopt.project import SIDES, Side
from phaseopt.report.facts import Tightest
from phaseopt.report.figures.drawing import (
    BEFORE,
    COLOURS,
    EDGE,
    INK,
    PANEL,
    PAPER,
    SOFT,
    TEXT,
    Drawing,
    round_ticks,
    sized,
    styled,
    workshop,
)
from phaseopt.report.gains import full_load_power
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_STEM = 0.19  # of a head's diameter; a stem is drawn so thick, and a rim so high where none is given
_RIM = 0.05
_HEAD = {"intake": 0.37, "exhaust": 0.32}  # head over bore where it is not given (common practice, no source)
_BESIDE = 3.0  # mm of pocket drawn beside a head; how much there is nobody measures here


def torque_and_power(build: "Build", *, phone: bool = False) -> Drawing:
    """Torque at full throttle before and after with its ±, power on the right axis, dips marked on both curves."""
    units, row = build.project.display_units, build.torque.isel(load=-1)
    rpm = row["rpm"].to_numpy()
    after, before = (units.torque.of(row[name].to_numpy()) for name in ("torque", "torque_before"))
    band = INTERVAL * units.torque.of(row["torque_sd"].to_numpy())
    power = full_load_power(build)
    name, size = ("first-torque-phone", (358, 200)) if phone else ("first-torque", (440, 250))
    with styled():
        figure = sized(*size)
        axes = figure.subplots()
        figure.subplots_adjust(left=38 / size[0], right=1 - 40 / size[0], bottom=38 / size[1], top=1 - 24 / size[1])
        workshop(axes)
        axes.fill_between(rpm, after - band, after + band, color=INK, alpha=0.12, lw=0)
        axes.plot(rpm, before, color=BEFORE, lw=1.5, dashes=(4, 3))
        axes.plot(rpm, after, color=INK, lw=2.5)
        untested = np.where(row["measured"].to_numpy(), np.nan, after)
        axes.plot(rpm, untested, ".", color=PAPER, mec=INK, ms=5)
        _dips(axes, rpm, before, "v", PAPER, BEFORE)
        _dips(axes, rpm, after, "v", INK, INK)
        right = axes.twinx()
        right.spines[["top", "left", "right", "bottom"]].set_visible(False)
        right.tick_params(length=0, labelsize=TEXT)
        right.plot(rpm, units.power.of(power["before"]), color=BEFORE, lw=1.0, dashes=(4, 3))
        right.plot(rpm, units.power.of(power["after"]), color=INK, lw=1.0)
        _apart(axes, right, (before, after, after + band), units.power.of(power["after"]))
        axes.set_xlabel("engine speed, rpm", fontsize=TEXT, labelpad=3)
        axes.xaxis.set_major_locator(round_ticks(4 if phone else 5))
        axes.yaxis.set_major_locator(round_ticks(5))
        start = "" if axes.get_ylim()[0] <= 0 else f" (starts at {axes.get_ylim()[0]:.0f})"
        figure.text(4 / size[0], 1 - 15 / size[1], f"{units.torque.name}{start}", fontsize=TEXT)
        figure.text(1 - 4 / size[0], 1 - 15 / size[1], units.power.name, fontsize=TEXT, ha="right")
        title = "Torque and power at full throttle over engine speed: before dashed, now solid with its ±"
        return Drawing(figure, name, title)


def _apart(left: Axes, right: Axes, torque: tuple[FloatArray, FloatArray, FloatArray], power: FloatArray) -> None:
    """Torque in the upper part of the picture, power in the lower, so that neither runs through the other.

    Parameters: `torque` before, now, and at the upper end of its ±, which has room as far as it leaves the curves tall.
    """
    both = np.concatenate(torque[:2])
    both, above = both[np.isfinite(both)], torque[2][np.isfinite(torque[2])]
    if both.size:
        low, high = float(both.min()), float(both.max())
        span = max(high - low, 0.05 * abs(high), 1.0)
        step = 10.0 ** math.floor(math.log10(span))
        bottom = step * math.floor((low - 0.8 * span) / step)
        top = min(float(above.max(initial=high)), high + span)
        left.set_ylim(max(0.0, bottom) if low >= 0 else bottom, max(top, high + 0.1 * span) + 0.02 * span)
    known = power[np.isfinite(power)]
    if known.size and known.max() > 0:
        right.set_ylim(0.0, 1.9 * float(known.max()))
        right.set_yticks([at for at in round_ticks(5).tick_values(0.0, 1.9 * known.max()) if at <= 1.1 * known.max()])


def _dips(axes: Axes, rpm: FloatArray, torque: FloatArray, mark: str, face: str, edge: str) -> None:
    """A mark at the deepest place of each dip below a smooth curve, where it is deeper than a hundredth of torque."""
    known = np.flatnonzero(np.isfinite(torque))
    if known.size < 3:
        return
    curve = torque[known]
    depth = concave_envelope(rpm[known], curve).shares @ curve - curve
    deep = depth > 0.01 * float(np.abs(curve).max())
    runs = np.split(np.arange(known.size), np.flatnonzero(np.diff(deep.astype(int))) + 1)
    for run in runs:
        if deep[run[0]]:
            at = run[int(depth[run].argmax())]
            axes.plot(rpm[known[at]], curve[at], mark, color=face, mec=edge, ms=8, zorder=5)


def closest_approach(model: ContactModel, near: Tightest) -> Drawing:
    """A section across the crank through the valves and the piston at the closest approach, to scale.

    What a project does not give is drawn as common practice has it and changes no distance between valve and piston:
    the stem, the rim, the crown flat under each head and parallel to it.
    """
    project, unit = model.project, model.project.display_units.gap
    size = (440, 220)
    with styled():
        figure = sized(*size)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_aspect("equal")
        crank = SliderCrank(project.crank.stroke, project.crank.rod, project.crank.pin_offset)
        heads = {side: _Head(model, near, side) for side in SIDES}
        surface = _crown(model, near, heads, float(crank.drop(near.angle)))
        half = project.crank.bore / 2.0
        axes.add_patch(Polygon(surface, closed=True, fc=PANEL, ec=EDGE, lw=1.2))
        for wall in (-half, half):
            axes.plot(
                [wall, wall], [min(surface[:, 1]), max(6.0, float(surface[:, 1].max()) + 4.0)], color=EDGE, lw=1.5
            )
        for side, head in heads.items():
            axes.add_patch(Polygon(head.outline(), closed=True, fc=PAPER, ec=COLOURS[side], lw=1.8, joinstyle="round"))
            axes.text(*head.label(), side, color=COLOURS[side], fontsize=TEXT, ha="center", va="bottom")
        _dimension(axes, near, heads, f"{unit.text(near.by_hand)}")
        bottom, top = (
            float(surface[:, 1].min()),
            max(float(head.outline()[:, 1].max()) for head in heads.values()) + 5.0,
        )
        _view(axes, size, half, bottom, top)
        _scale_bar(axes, -half, bottom + 1.5, project.display_units.size)
        title = f"Closest approach to scale: {WORDS[near.contact]}, {place(near.angle)}, measured cold, lash as set"
        return Drawing(figure, "closest", title)


class _Head:
    """A valve's head in the section: where it is at the closest approach, along and across its stem."""

    def __init__(self, model: ContactModel, near: Tightest, side: Side) -> None:
        cam, project = model.engine.cam(side), model.project
        phase = near.intake_phase if side == "intake" else near.exhaust_phase
        self.lift = float(cam.lift(near.angle, cam.centre(phase), cam.lash))
        stated, seats = project.cam(side), project.seats.of(side) if project.seats is not None else ()
        self.radius = (stated.head_diameter or _HEAD[side] * project.crank.bore) / 2.0
        sign = 1.0 if side == "intake" else -1.0
        tilt = math.radians(stated.tilt)
        self.down = np.array([-sign * math.sin(tilt), -math.cos(tilt)])
        self.across = np.array([math.cos(tilt), -sign * math.sin(tilt)])
        centre = (seats[0].across, seats[0].height) if seats else (sign * project.crank.bore / 4.6, 0.0)
        self.rim = seats[0].margin if seats else _RIM * 2 * self.radius
        self.seat = np.array(centre)
        self.face = self.seat + self.lift * self.down  # centre of the lower face

    def at(self, across: float, up: float) -> FloatArray:
        """A point by its distance from the stem's axis and above the lower face."""
        return np.asarray(self.face + across * self.across - up * self.down)

    def outline(self) -> FloatArray:
        """Head, tulip and stem."""
        r, stem = self.radius, _STEM * self.radius
        half = [(r, 0.0), (r, self.rim), (0.72 * r, self.rim + 0.16 * r), (stem * 1.6, self.rim + 0.5 * r)]
        half += [(stem, self.rim + 0.85 * r), (stem, 2.0 * r)]
        return np.array([self.at(x, y) for x, y in half] + [self.at(-x, y) for x, y in reversed(half)])

    def label(self) -> tuple[float, float]:
        """Where its name stands."""
        at = self.at(0.0, 2.0 * self.radius) + np.array([0.0, 1.0])
        return float(at[0]), float(at[1])


def _crown(model: ContactModel, near: Tightest, heads: dict[Side, _Head], fall: float) -> FloatArray:
    """The piston's crown: flat under each valve, as far below it as drop less lift says, level between and beside."""
    half = model.project.crank.bore / 2.0 - 0.4
    level = -fall - 0.8
    parts = {}
    for side, head in heads.items():
        left = float(model.drops[side].fitted(near.angle)) - head.lift
        ends = [
            head.face + max(left, 0.0) * head.down + sign * (head.radius + _BESIDE) * head.across for sign in (-1, 1)
        ]
        parts[side] = sorted(ends, key=lambda end: float(end[0]))
    points: list[FloatArray] = [np.array([-half, level])]
    for side in ("exhaust", "intake"):
        first, last = parts[side]
        points += [np.array([first[0], max(level, first[1])]) if first[1] < level else first, first, last]
        points.append(np.array([last[0], level]) if last[1] < level else last)
    points += [np.array([half, level])]
    inside = [np.array([float(np.clip(x, -half, half)), y]) for x, y in points]
    deep = min(float(y) for _, y in inside) - 14.0
    return np.array([*inside, [half, deep], [-half, deep]])


def _dimension(axes: Axes, near: Tightest, heads: dict[Side, _Head], words: str) -> None:
    """The clearance between its two ends, with arrows as on a drawing."""
    if near.contact == "valve_valve":
        one = heads["exhaust"].at(heads["exhaust"].radius, 0.0)
        other = heads["intake"].at(-heads["intake"].radius, 0.0)
    else:
        (side,) = sides_of(near.contact)
        one = heads[side].face
        other = one + near.by_hand * heads[side].down
    ends = (float(one[0]), float(one[1])), (float(other[0]), float(other[1]))
    arrow = {"arrowstyle": "<->", "color": INK, "lw": 1.6, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 8}
    axes.annotate("", *ends, arrowprops=arrow)
    x, y = float(one[0] + other[0]) / 2.0, float(one[1] + other[1]) / 2.0
    axes.annotate(
        words, (x, y), (x, y - 9.0), fontsize=TEXT, ha="center", va="center", color=INK,
        arrowprops={"arrowstyle": "-", "color": SOFT, "lw": 0.8}, bbox={"fc": PANEL, "ec": "none", "pad": 1.5},
    )  # fmt: skip


def _view(axes: Axes, size: tuple[int, int], half: float, bottom: float, top: float) -> None:
    """As much as the picture holds, the bore in its middle."""
    wide, high = 2.0 * (half + 3.0), top - bottom + 2.0
    scale = max(wide / size[0], high / size[1])
    axes.set_xlim(-scale * size[0] / 2.0, scale * size[0] / 2.0)
    axes.set_ylim(bottom - 1.0, bottom - 1.0 + scale * size[1])


def _scale_bar(axes: Axes, x: float, y: float, size: Unit) -> None:
    """A length to compare with, round in the builder's unit."""
    length = 10.0 if size.size == 1.0 else size.size / 2.0
    x += 3.0
    axes.plot([x, x + length], [y, y], color=INK, lw=2.0, solid_capstyle="butt")
    axes.text(x + length + 1.0, y, f"{size.of(length):g} {size.name}", fontsize=TEXT, va="center")
