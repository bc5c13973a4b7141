"""Sections of torque that contradict themselves or each other: logs, weather, dyno, and a torque grid."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

from phaseopt.project import SIDES, Torque, TorqueGrid
from phaseopt.project.checks import Checks, Contradiction, Sections, phaser_of
from phaseopt.project.standards import named_standards

CHECKS = Checks()


@CHECKS.of("intake", "exhaust", "phaser", given="torque")
def _logged_phases(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    for side in SIDES:
        if phaser_of(s, side) is None:
            continue
        columns = torque.columns
        measured, command = getattr(columns, f"{side}_phase"), getattr(columns, f"{side}_command")
        if measured is None and command is None:
            yield (
                f"torque.columns.{side}_phase",
                f"no column has the {side} phase",
                "name the measured or the commanded column",
            )
        if getattr(torque.phases, side) is None:
            yield (
                f"torque.phases.{side}",
                f"how the logged {side} phase counts is not stated",
                f'give {side} = {{ sign = 1, zero = 0.0, in = "crank deg" }}, as your controller logs it',
            )


@CHECKS.of(given="torque")
def _torque_column(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    if torque.columns.torque is None and any(pull.kind != "inertia sweep" for pull in torque.pulls):
        yield "torque.columns.torque", "left out, but the pulls need it", "name the torque column"


def _keys(torque: Torque, numbers: list[int], of_the_day: str) -> list[str]:
    """Where pulls lack something: each entry that does, and once what is stated of the day for those of the folder."""
    keys = [torque.pull_key(number) for number in numbers]
    return list(dict.fromkeys(of_the_day if key.startswith("torque.logs") else key for key in keys))


@CHECKS.of(given="torque")
def _weather(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    marks = torque.full_throttle
    needs = torque.correction if torque.correction != "none" else "full_throttle.depression_below"
    wanting = [(number, pull) for number, pull in enumerate(torque.pulls, start=1) if torque.needs_air(pull)]
    if wanting:
        lacking = [number for number, pull in wanting if pull.weather is None]
        for key in _keys(torque, lacking, "torque"):
            yield (
                f"{key}.weather",
                f"left out, but {needs} needs the air of the day",
                'give weather = { pressure = "98.7 kPa", temperature = "18 degC", humidity = 0.55 }',
            )
        for number, pull in wanting:
            if pull.weather is not None and pull.air is None:
                yield (
                    f"{torque.pull_key(number)}.time",
                    f"the weather is by the clock, but {pull.files[0]} does not show when it was made",
                    f'give time = "14:05" in an entry with files = ["{Path(pull.files[0]).name}"]',
                )
    if marks.throttle_above is not None and torque.columns.throttle is None:
        yield (
            "torque.columns.throttle",
            "left out, but full_throttle.throttle_above needs it",
            "name the throttle column",
        )


# Torque behind the gearbox, as logs name it in English, German, French, Italian, Spanish and Swedish: common practice,
# no source. A flywheel is no wheel.
_AT_WHEEL = re.compile(
    r"(?<!fly)(?<!fly[ _-])wheel|\broller|\bhubs?\b|\br?w(?:hp|tq)\b"
    r"|\b(?:hinter|vorder|antriebs)?rad(?:dreh)?(?:moment|leistung)?\b|\broues?\b|\bruot[ae]\b|\bruedas?\b|\b(?:driv|bak|fram)?hjul",
    re.IGNORECASE,
)


@CHECKS.of(given="torque")
def _where_measured(s: Sections) -> Iterator[Contradiction]:
    """Torque at the wheels must not count as the flywheel's because nobody said where it was measured."""
    torque: Torque = s["torque"]
    column = torque.columns.torque
    if column is None or "at" in torque.dyno.model_fields_set:
        return
    spun = "inertia sweep" in (torque.kind, *(pull.kind for pull in torque.pulls))
    geared = "torque.dyno.ratio" if torque.dyno.ratio is not None else "torque.columns.roller"
    if not spun and (torque.dyno.ratio is not None or torque.columns.roller is not None):
        yield (
            "torque.dyno.at",
            f"left out, but {geared} is given, as where torque is measured behind the gearbox",
            'give at = "wheel", "hub" or "flywheel" under [torque.dyno]',
        )
    elif _AT_WHEEL.search(column.replace("_", " ")):
        yield (
            "torque.dyno.at",
            f"left out, but the torque column {column!r} is named as if measured at wheels, hubs or rollers",
            'give at = "wheel" (or "hub") and ratio under [torque.dyno]; at = "flywheel" if it is the flywheel\'s',
        )


@CHECKS.of(given="torque")
def _corrected_already(s: Sections) -> Iterator[Contradiction]:
    """Torque that a sheet has corrected must not be corrected again, or by the factor of another standard."""
    torque: Torque = s["torque"]
    named = named_standards(torque.columns.torque or "")
    stated = torque.already_corrected
    if named and "already_corrected" not in torque.model_fields_set:
        yield (
            "torque.already_corrected",
            f"left out, but the torque column {torque.columns.torque!r} is named as if corrected for weather",
            f'give already_corrected = {" or ".join(map(json.dumps, named))}, as the sheet says; or "none"',
        )
    elif named and stated not in ("none", *named):
        yield (
            "torque.already_corrected",
            f"{stated}, but the torque column {torque.columns.torque!r} is named as {named[0]}",
            "check the standard on the sheet",
        )
    for number, pull in enumerate(torque.pulls, start=1):
        already = torque.corrected_to(pull)
        if torque.correction == "none" and already != "none":
            key = "torque" if pull.already_corrected is None else torque.pull_key(number)
            yield (
                "torque.correction",
                f'"none", but {key}.already_corrected says that torque was corrected to {already}',
                f'give correction = "{already}"',
            )
            return


@CHECKS.of(given="torque")
def _dyno(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    dyno, columns = torque.dyno, torque.columns
    spun = [(n, pull) for n, pull in enumerate(torque.pulls, start=1) if pull.kind == "inertia sweep"]
    lacking = [number for number, pull in spun if (pull.ratio, dyno.ratio, columns.roller) == (None, None, None)]
    for key in _keys(torque, lacking, "torque.dyno"):
        yield (
            f"{key}.ratio",
            "left out, but an inertia sweep needs the engine's turns for one turn of the roller",
            "give the overall ratio of the gear that was driven, as in ratio = 4.1",
        )
    if spun and dyno.roller_inertia is None:
        yield "torque.dyno.roller_inertia", "left out, but an inertia sweep needs it", "give kg m² of roller and wheels"
    if (spun or dyno.engine_inertia or dyno.roller_inertia) and columns.time is None:
        yield "torque.columns.time", "left out, but the torque of acceleration needs it", "name the time column"
    braked = [pull for pull in torque.pulls if pull.kind != "inertia sweep"]
    turns = not dyno.divided or dyno.roller_inertia is not None or bool(dyno.coastdown)
    known = dyno.ratio is not None or columns.roller is not None or all(pull.ratio is not None for pull in braked)
    if dyno.at != "flywheel" and turns and not known:
        yield (
            "torque.dyno.ratio",
            f"left out, but torque at the {dyno.at} needs it",
            "give engine turns for one turn of hub or roller, or name the roller's speed column; divided = true where "
            "logged torque is divided by it already",
        )
    rolls = spun or torque.kind == "inertia sweep"
    if dyno.at == "flywheel" and not rolls and (dyno.driveline or dyno.coastdown or dyno.divided):
        key = "driveline" if dyno.driveline else "coastdown" if dyno.coastdown else "divided"
        yield f"torque.dyno.{key}", "torque at the flywheel passes no driveline or roller", 'give at = "hub" or "wheel"'
    if dyno.coastdown and (dyno.roller_inertia is None or columns.roller is None):
        key = "torque.columns.roller" if columns.roller is None else "torque.dyno.roller_inertia"
        yield key, "left out, but torque.dyno.coastdown needs it", "name the roller's speed column and its inertia"


@CHECKS.of(given="torque")
def _gates(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    for name, limit in torque.gates:
        if limit is not None and getattr(torque.columns, name) is None:
            yield f"torque.columns.{name}", f"left out, but torque.gates.{name} needs it", f"name the column of {name}"


@CHECKS.of(given="torque")
def _spark(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    if torque.spark_gain is not None and torque.columns.spark is None:
        yield "torque.columns.spark", "left out, but torque.spark_gain needs it", "name the column of ignition advance"
    if torque.spark_gain is not None and torque.best_spark:
        yield (
            "torque.spark_gain",
            "it brings pulls to one spark, but torque.best_spark says that each is at its best",
            "keep one of the two",
        )


@CHECKS.of("torque", "torque_grid")
def _torque_once(s: Sections) -> Iterator[Contradiction]:
    if s["torque"] is not None and s["torque_grid"] is not None:
        yield (
            "torque_grid",
            "torque is given twice: by the pulls under [torque], and by this grid",
            "keep one: take [torque_grid] out to learn from the pulls, or [torque] to build on the grid",
        )


@CHECKS.of("intake", "exhaust", "phaser", given="torque_grid")
def _grid_timings(s: Sections) -> Iterator[Contradiction]:
    grid: TorqueGrid = s["torque_grid"]
    for side, centre in zip(SIDES, ("icl", "ecl"), strict=True):
        phase = getattr(grid.columns, f"{side}_phase")
        if phase is not None and getattr(grid.offsets, side) is None:
            yield (
                f"torque_grid.offsets.{side}",
                f"left out, but the grid's {side} phases depend on how the cam was fitted",
                "give the installed offset that the grid was made with, crank degrees, + = advanced",
            )
        if phaser_of(s, side) is not None and phase is None and getattr(grid.columns, centre) is None:
            yield (
                f"torque_grid.columns.{centre}",
                f"no column has the {side} timing",
                f"name the column of true centrelines ({centre}), or of phases ({side}_phase)",
            )
