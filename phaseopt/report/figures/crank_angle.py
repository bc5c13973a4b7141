"""Valve lift and piston over crank angle at the tightest cell of a contact, the clearance shaded and dimensioned, and
below it the clearance that is left by each rule.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from phaseopt.clearance.allowances import timing
from phaseopt.clearance.budget import gap_budget
from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.rules import place
from phaseopt.clearance.valves import head_distance
from phaseopt.project import SIDES, Side
from phaseopt.report.facts import Tightest, tightest
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
from phaseopt.report.words import capital, phase_text
from phaseopt.values.arrays import FloatArray

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_SIZE = (400, 440)
_REACH = 45.0  # crank degrees drawn to either side of TDC
_ROOM = 4.0  # mm above the required clearance that the lower part shows


@dataclass(frozen=True)
class Curves:
    """What is drawn over crank angle: lift of each valve that takes part, the valve drop of one that meets a piston,
    and the clearance that you should measure, the static and the running one in the worst case [mm]."""

    lifts: dict[Side, FloatArray]
    drop: FloatArray | None
    by_hand: FloatArray
    static: FloatArray
    running: FloatArray


def curves(build: "Build", near: Tightest, theta: FloatArray) -> Curves:
    """The curves of a contact at its tightest cell over crank angles."""
    return _between_valves(build, near, theta) if near.contact == "valve_valve" else _to_piston(build, near, theta)


def _to_piston(build: "Build", near: Tightest, theta: FloatArray) -> Curves:
    (side,) = sides_of(near.contact)
    cam, law = build.contact.engine.cam(side), build.contact.drops[side]
    centre = float(cam.centre(near.intake_phase if side == "intake" else near.exhaust_phase))
    drop, lift = law.fitted(theta), cam.lift(theta, centre, cam.lash)
    static, running = timing(build.contact.project, side)
    at = build.contact.contacts.index(near.contact)
    low, from_centre = law.low(theta) - build.contact.static_mm[at], theta - centre
    taken = float(build.contact.running_mm(build.contact.top_speed)[at])
    return Curves(
        {side: lift},
        drop,
        drop - lift,
        low - cam.most.highest(from_centre - static, from_centre + static),
        low - cam.most.highest(from_centre - running, from_centre + running) - taken,
    )


def _between_valves(build: "Build", near: Tightest, theta: FloatArray) -> Curves:
    """Distances shrink with both lifts, so each is taken at its greatest."""
    heads, model = build.contact.heads, build.contact
    assert heads is not None  # the contact is listed only where seats are given
    by_side: dict[Side, FloatArray] = {}
    lifts: list[list[FloatArray]] = []
    for side, phase in zip(SIDES, (near.intake_phase, near.exhaust_phase), strict=True):
        cam = model.engine.cam(side)
        from_centre = theta - float(cam.centre(phase))
        by_side[side] = np.maximum(cam.lobe.lift(from_centre) - cam.lash, 0.0)
        errors = timing(model.project, side, model.wheel_zeros[side])
        lifts.append([by_side[side], *(cam.most.highest(from_centre - error, from_centre + error) for error in errors)])
    by_hand, static, running = (head_distance(heads, intake, exhaust) for intake, exhaust in zip(*lifts, strict=True))
    taken = model.static_mm[-1], model.running_mm(model.top_speed)[-1]
    return Curves(by_side, None, by_hand, static - taken[0], running - taken[0] - taken[1])


def gap_over_angle(build: "Build", contact: str) -> Drawing:
    """Lift, piston and clearance over crank angle at the cell where a contact is tightest, running at the top speed."""
    near, unit = tightest(build, contact), build.project.display_units.gap
    theta = np.linspace(-_REACH, _REACH, 181)
    found, words = curves(build, near, theta), WORDS[contact]
    with styled():
        figure = sized(*_SIZE)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        figure.subplots_adjust(left=0.09, right=0.985, top=0.9, bottom=0.235, hspace=0.1)
        figure.text(0.01, 0.965, f"{capital(words)}: {unit.text(near.by_hand)} {place(near.angle)}", fontsize=TEXT + 1,
                    fontweight="bold")  # fmt: skip
        cell = f"{near.rpm:.0f} rpm, {near.load:g} kPa; " + ", ".join(
            f"{side} {phase_text(phase)}"
            for side, phase in zip(SIDES, (near.intake_phase, near.exhaust_phase), strict=True)
            if side in sides_of(contact)
        )
        figure.text(0.01, 0.925, f"{unit.name}; {cell}", fontsize=TEXT, color=SOFT)
        for axes in (upper, lower):
            workshop(axes)
            axes.axvline(0.0, color=EDGE, lw=2.0, zorder=0.5)
        _lift_and_piston(upper, build, near, found, theta)
        _clearances(lower, build, near, found, theta)
        lower.set_xticks([-40, -20, 0, 20, 40], ["40", "20", "TDC", "20", "40"])
        lower.set_xlabel("crank degrees: before TDC, after TDC", fontsize=TEXT, labelpad=2)
        lower.legend(loc="upper left", bbox_to_anchor=(-0.09, -0.27), frameon=False, fontsize=TEXT, handlelength=2.6,
                     labelspacing=0.25, borderaxespad=0.0)  # fmt: skip
        return Drawing(figure, f"angle-{contact}", f"Lift and clearance over crank angle, {words}, tightest cell")


def _lift_and_piston(axes: Axes, build: "Build", near: Tightest, found: Curves, theta: FloatArray) -> None:
    """The valve's lift below the piston's crown, as far apart as they are along the valve; or both valves' lifts."""
    unit = build.project.display_units.gap
    highest = max(float(lift.max()) for lift in found.lifts.values())
    if found.drop is None:
        top = 1.15 * highest
        overlap = np.minimum(*found.lifts.values())
        axes.fill_between(theta, 0.0, unit.of(overlap), color=INK, alpha=0.12, lw=0)
        axes.annotate("both open", (0.0, 0.0), xytext=(0, 3), textcoords="offset points", ha="center", fontsize=TEXT)
    else:
        top = min(float(found.drop.max()), max(1.15 * highest, 1.6 * float(found.drop.min())))
        (lift,) = found.lifts.values()
        axes.fill_between(theta, unit.of(found.drop), unit.of(1.2 * top), color=PANEL, lw=0)
        axes.fill_between(theta, unit.of(lift), unit.of(found.drop), color=INK, alpha=0.12, lw=0)
        axes.plot(theta, unit.of(found.drop), color=INK, lw=2.0)
        side = 1.0 if near.angle < 0 else -1.0  # piston's name stands where the valve is not
        ha = "left" if side > 0 else "right"
        axes.text(side * 3.0, unit.of(0.96 * top), "piston", fontsize=TEXT, ha=ha, va="top")
        _dimension(axes, unit.of(lift), unit.of(found.drop), theta, f"{unit.text(near.by_hand)}")
    for side_of, lift in found.lifts.items():
        dashes = (7, 3) if side_of == "exhaust" and found.drop is None else (None, None)
        axes.plot(theta, unit.of(lift), color=COLOURS[side_of], lw=2.5, dashes=dashes)
        end, ha, at = (0, "left", -0.96) if side_of == "exhaust" else (-1, "right", 0.96)  # under the line's higher end
        axes.text(at * _REACH, unit.of(0.45 * float(lift[end])), f"{side_of} valve", fontsize=TEXT, ha=ha, va="center",
                  color=COLOURS[side_of], bbox={"fc": PAPER, "ec": "none", "pad": 0.5})  # fmt: skip
    axes.set_xlim(-_REACH, _REACH)
    axes.set_ylim(0.0, unit.of(top))
    axes.yaxis.set_major_locator(round_ticks(5))


def _dimension(axes: Axes, low: FloatArray, high: FloatArray, theta: FloatArray, words: str) -> None:
    """The least clearance between its two ends, with arrows as on a drawing."""
    at = int((high - low).argmin())
    x = float(theta[at])
    arrow = {"arrowstyle": "<->", "color": INK, "lw": 1.6, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 9}
    axes.annotate("", (x, float(low[at])), (x, float(high[at])), arrowprops=arrow)
    away = -8 if x > 0 else 8  # towards the side where the valve is lower
    axes.annotate(words, (x, 0.5 * float(low[at] + high[at])), xytext=(away, 0), textcoords="offset points",
                  ha="left" if away > 0 else "right", va="center", fontsize=TEXT + 1, fontweight="bold",
                  bbox={"fc": PAPER, "ec": "none", "pad": 1.0})  # fmt: skip


def _clearances(axes: Axes, build: "Build", near: Tightest, found: Curves, theta: FloatArray) -> None:
    """What is left over crank angle: measured by hand, and in the worst case by both rules, with what they require."""
    unit, model = build.project.display_units.gap, build.contact
    required = float(model.required[model.contacts.index(near.contact)])
    steps = gap_budget(model, near.intake_phase, near.exhaust_phase, model.top_speed).sel(contact=near.contact)
    looks = (
        ("you should measure", found.by_hand, (None, None), INK, "by_hand", None),
        ("static, worst case", found.static, (7, 2), INK, "static", required),
        (f"running, {model.top_speed:.0f} rpm, worst case", found.running, (3, 2), BEFORE, "running", model.reserve),
    )
    for label, curve, dashes, colour, name, wants in looks:
        least_words = unit.text(near.by_hand) if wants is None else f"{unit.down_text(float(steps[name]))}"
        asked = "" if wants is None else f" (required {unit.up_beside(wants)})"
        axes.plot(theta, unit.of(curve), color=colour, lw=1.8, dashes=dashes, label=f"{label}: {least_words}{asked}")
        least = int(curve.argmin())
        axes.plot(theta[least], unit.of(float(curve[least])), "o", color=colour, ms=4.5)
        if wants is not None:
            axes.axhline(unit.of(wants), color=colour, lw=1.0, dashes=(1, 2))
            axes.annotate("required", (-_REACH, unit.of(wants)), xytext=(2, 1), textcoords="offset points",
                          fontsize=TEXT - 1, color=SOFT)  # fmt: skip
    bottom = min(0.0, float(found.running.min()) - 0.3)
    axes.axhline(0.0, color=INK, lw=1.5)
    axes.set_ylim(unit.of(bottom), unit.of(required + _ROOM))
    axes.yaxis.set_major_locator(round_ticks(4))
