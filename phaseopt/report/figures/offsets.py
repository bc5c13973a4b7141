"""The pictures of a study of offsets: torque against the margin of full travel, the pairs tried, gain by speed."""

from collections.abc import Iterable

import numpy as np
from matplotlib.figure import Figure

from phaseopt.report.figures.colours import BLACK, MAP, WHITE
from phaseopt.report.figures.drawing import DARK, EDGE, LIGHT, MIDDLE, RULE, styled, svg_element
from phaseopt.study.offset_trial import Trial
from phaseopt.study.offsets import Choice, OffsetStudy
from phaseopt.values.interval import INTERVAL

_COLOURS = {"as fitted": DARK, "best of all": MIDDLE, "best, travel clear": LIGHT}
_MARKS = {"as fitted": "s", "best of all": "^", "best, travel clear": "D"}


def offsets_figures(study: OffsetStudy, named: list[tuple[str, Choice]]) -> dict[str, str]:
    """SVG by file name. Parameters: `named`, the offsets to choose from, each under its name."""
    figures = {"front.svg": _front(study, named)}
    if all(len({trial.offsets[cam] for trial in study.trials}) > 1 for cam in (0, 1)):  # a map, where both cams move
        figures["offsets.svg"] = _places(study, named)
    others = [(name, choice) for name, choice in named if choice.gain is not None]
    return figures | ({"gain.svg": _gain(study, others)} if others else {})


def _front(study: OffsetStudy, named: list[tuple[str, Choice]]) -> str:
    now, front, units = study.fitted.trial.score, study.front, study.project.display_units

    def margins(trials: Iterable[Trial]) -> list[float]:
        return [units.gap.of(trial.travel_margin) for trial in trials]

    def scores(trials: Iterable[Trial]) -> list[float]:
        return [units.torque.of(trial.score - now) for trial in trials]

    with styled():
        figure = Figure(figsize=(7.5, 4.2), layout="constrained")
        axes = figure.subplots()
        axes.axvspan(min(0.0, *margins(study.trials)) - units.gap.of(0.2), 0.0, color=RULE, alpha=0.5, lw=0)
        axes.plot(margins(study.trials), scores(study.trials), "o", color=EDGE, ms=3, label="tried")
        axes.plot(margins(front), scores(front), ".-", color=BLACK, label="front")
        for name, choice in named:
            at = margins([choice.trial]), scores([choice.trial])
            axes.plot(*at, _MARKS[name], color=_COLOURS[name], mec=BLACK, ms=9, label=name)
        axes.margins(x=0.02)
        axes.set_xlabel(f"full travel above what is required, {units.gap.name} (below 0 a fault is not clear)")
        axes.set_ylabel(f"score over that as fitted, {units.torque.name} a cell")
        axes.set_title("Torque against the clearance left by a phaser fault")
        axes.grid(alpha=0.3)
        axes.legend(loc="best")
        return svg_element(
            figure, "offsets-front", "Torque against the margin of full travel, a point a pair of offsets"
        )


def _places(study: OffsetStudy, named: list[tuple[str, Choice]]) -> str:
    now, unit = study.fitted.trial.score, study.project.display_units.torque
    at = np.array([trial.offsets for trial in study.trials])
    clear = np.array([trial.travel_clear for trial in study.trials])
    score = np.array([unit.of(trial.score - now) for trial in study.trials])
    with styled():
        figure = Figure(figsize=(7.5, 4.8), layout="constrained")
        axes = figure.subplots()
        least, most = float(score.min()), float(max(score.max(), score.min() + 0.1))
        for which, mark, words in ((~clear, "o", "full travel not clear"), (clear, "D", "full travel clear")):
            if which.any():
                drawn = axes.scatter(
                    at[which, 0],
                    at[which, 1],
                    c=score[which],
                    marker=mark,
                    cmap=MAP,
                    s=42,
                    edgecolors=BLACK,
                    lw=0.5,
                    label=words,
                    vmin=least,
                    vmax=most,
                )
        if study.refused:
            axes.plot(
                *np.array([offsets for offsets, _ in study.refused]).T, "x", color=BLACK, ms=5, label="no solution"
            )
        for name, choice in named:
            axes.annotate(
                name, choice.trial.offsets, xytext=(8, 8), textcoords="offset points", fontsize=8,
                bbox={"fc": WHITE, "ec": _COLOURS[name], "pad": 1.5, "alpha": 0.85},
            )  # fmt: skip
        figure.colorbar(drawn, ax=axes, label=f"score over that as fitted, {unit.name} a cell")
        axes.set_xlabel("intake offset, crank °, + = advanced")
        axes.set_ylabel("exhaust offset, crank °, + = advanced")
        axes.set_title("Offsets tried")
        axes.legend(loc="best")
        return svg_element(figure, "offsets-places", "Score of each pair of offsets tried")


def _gain(study: OffsetStudy, named: list[tuple[str, Choice]]) -> str:
    rpm, unit = np.array(study.project.tables.rpm), study.project.display_units.torque
    with styled():
        figure = Figure(figsize=(7.5, 3.6), layout="constrained")
        axes = figure.subplots()
        for name, choice in named:
            assert choice.gain is not None
            gain, band = (unit.of(each) for each in (choice.gain.full_load, INTERVAL * choice.gain.full_load_deviation))
            axes.fill_between(rpm, gain - band, gain + band, color=_COLOURS[name], alpha=0.2, lw=0)
            axes.plot(rpm, gain, marker=_MARKS[name], color=_COLOURS[name], ms=4, label=name)
        axes.axhline(0.0, color=BLACK, lw=0.8)
        axes.set_xlabel("engine speed, rpm")
        axes.set_ylabel(f"gain at full throttle, {unit.name}")
        axes.set_title("Best tables against the best tables as fitted; band: ± (95 %)")
        axes.grid(alpha=0.3)
        axes.legend(loc="best")
        return svg_element(figure, "offsets-gain", "Gain at full throttle over engine speed")
