"""Which pairs of phases are clear, tight or hit, and the safe box in them: the one before dashed, the one now solid."""

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Patch, Rectangle

from phaseopt.clearance.limits import Limits, SafeBox
from phaseopt.report.figures.colours import BLACK, WHITE
from phaseopt.report.figures.drawing import (
    BEFORE,
    EDGE,
    HITS_FILL,
    INK,
    SOFT,
    TEXT,
    TIGHT_FILL,
    Drawing,
    round_ticks,
    sized,
    styled,
    workshop,
)
from phaseopt.report.words import moving, phase_words
from phaseopt.values.arrays import BoolArray, FloatArray

_SIZE, _STRIP = (440, 300), (440, 160)


@dataclass(frozen=True)
class StatePairs:
    """Pairs of phases (a, b) that are not clear, of one state, and how they are painted."""

    words: str
    here: BoolArray
    fill: str
    hatch: str
    strokes: str

    def paint(self, axes: Axes, intake: FloatArray, exhaust: FloatArray) -> None:
        """Over axes of both phases."""
        area = axes.contourf(intake, exhaust, self.here.T.astype(float), levels=[0.5, 1.5], colors=[self.fill],
                             hatches=[self.hatch], zorder=2)  # fmt: skip
        area.set_edgecolor(self.strokes)
        area.set_linewidth(0.0)

    @property
    def patch(self) -> Patch:
        """What a legend shows."""
        return Patch(fc=self.fill, hatch=self.hatch, ec=self.strokes, lw=0.5, label=self.words)


def refused(limits: Limits) -> list[StatePairs]:
    """Pairs of phases that are not clear at the highest speed, by their state."""
    model, margin = limits.contact, limits.pairs.margin[-1]
    least = [margin[..., 0, :] + model.required, margin[..., 1, :] + model.reserve]
    hits = np.any([(gap <= 0).any(axis=-1) for gap in least], axis=0)
    not_clear = limits.pairs.edge[-1] != 0
    return [
        StatePairs("TIGHT: under your minimum", not_clear & ~hits, TIGHT_FILL, "//", BLACK),
        StatePairs("HITS: parts can hit", not_clear & hits, HITS_FILL, "xx", WHITE),
    ]


def box_outline(axes: Axes, box: SafeBox, dash: str, label: str, colour: str = BLACK) -> None:
    """A safe box over axes of both phases."""
    corner = box.intake_from, box.exhaust_from
    size = box.intake_to - box.intake_from, box.exhaust_to - box.exhaust_from
    axes.add_patch(Rectangle(corner, *size, fill=False, ec=WHITE, lw=3.5, zorder=3))
    axes.add_patch(Rectangle(corner, *size, fill=False, ec=colour, lw=1.6, ls=dash, zorder=3, label=label))


def safe_map(limits: Limits, before: tuple[SafeBox, ...] = ()) -> Drawing:
    """Clear, tight and hitting pairs of phases at the highest speed, with the safe boxes now and `before`."""
    with styled():
        plane = len(moving(limits.project)) == 2
        size = _SIZE if plane else _STRIP
        figure = sized(*size)
        figure.subplots_adjust(left=52 / size[0], right=0.97, bottom=102 / size[1], top=0.97)
        axes = figure.subplots()
        workshop(axes)
        axes.grid(False)
        states = (_plane if plane else _line)(axes, limits, before)
        axes.xaxis.set_major_locator(round_ticks(6))
        handles = [*axes.get_legend_handles_labels()[0], *(each.patch for each in states if each.here.any())]
        figure.legend(
            handles=handles, ncols=2, frameon=False, fontsize=TEXT, columnspacing=1.0, loc="lower left",
            bbox_to_anchor=(0.08, 0.0),
        )  # fmt: skip
        title = f"Safe phases up to {limits.contact.top_speed:.0f} rpm: the box before dashed, the box now solid"
        return Drawing(figure, "safe-box", title)


def _plane(axes: Axes, limits: Limits, before: tuple[SafeBox, ...]) -> list[StatePairs]:
    intake, exhaust = limits.phases_intake, limits.phases_exhaust
    states = refused(limits)
    for state in states:
        if state.here.any():
            state.paint(axes, intake, exhaust)
    for boxes, dash, label, colour in ((before, "--", "before", BEFORE), (limits.boxes, "-", "safe box now", INK)):
        for number, box in enumerate(boxes):
            box_outline(axes, box, dash, label if not number else "_", colour)
    axes.plot(0, 0, "P", color=BLACK, mec=WHITE, ms=9, zorder=6, ls="none", label="rest")
    axes.set_xlim(intake[0] - 1.5, intake[-1] + 1.5)
    axes.set_ylim(exhaust[0] - 1.5, exhaust[-1] + 1.5)
    axes.yaxis.set_major_locator(round_ticks(5))
    axes.set_xlabel("intake phase, + = advanced", fontsize=TEXT, labelpad=2)
    axes.set_ylabel("exhaust phase, + = advanced", fontsize=TEXT, labelpad=2)
    return states


def _line(axes: Axes, limits: Limits, before: tuple[SafeBox, ...]) -> list[StatePairs]:
    """One phaser: its phases in a row."""
    (side,) = moving(limits.project)
    phases = limits.phases_intake if side == "intake" else limits.phases_exhaust
    tied = limits.contact.tied
    half = (phases[1] - phases[0]) / 2.0
    states = refused(limits)
    for state in states:
        along = np.diagonal(state.here) if tied else state.here.ravel()
        for phase in phases[along]:
            strip = Rectangle((phase - half, 0.0), 2 * half, 1.0, fc=state.fill, ec=state.strokes, hatch=state.hatch)
            strip.set_linewidth(0.0)
            axes.add_patch(strip)
    for boxes, dash, label, colour in ((before, "--", "before", BEFORE), (limits.boxes, "-", "safe now", INK)):
        for number, box in enumerate(boxes):
            start, end = (box.intake_from, box.intake_to) if side == "intake" else (box.exhaust_from, box.exhaust_to)
            place = (start - half, 0.1), end - start + 2 * half, 0.8
            axes.add_patch(Rectangle(*place, fill=False, ec=colour, ls=dash, lw=2.0, zorder=3,
                                     label=label if not number else "_"))  # fmt: skip
    axes.plot(0, 0.5, "P", color=BLACK, mec=WHITE, ms=9, zorder=6, ls="none", label="rest")
    axes.set_xlim(phases[0] - 2 * half, phases[-1] + 2 * half)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.spines["bottom"].set_color(EDGE)
    axes.set_xlabel(f"{phase_words(limits.project, side)}, + = advanced", fontsize=TEXT, labelpad=2, color=SOFT)
    return states
