"""The tables as they are best by now: by cell, pinned and limited by the builder, checked, to copy and to write."""

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from phaseopt.live.bench_fields import TURN
from phaseopt.live.board import Put
from phaseopt.live.edits import KeyChange, with_values
from phaseopt.live.page_parts import filled
from phaseopt.live.pins import cap_change, pin_change, pin_in
from phaseopt.live.source import without_pulls
from phaseopt.project import SIDES, Side
from phaseopt.values.errors import InputError

if TYPE_CHECKING:
    from phaseopt.clearance.limits import Limits
    from phaseopt.job.build import Build
    from phaseopt.study.day import Day
    from phaseopt.torque_model import TorqueModel

FOLDER = "tables_now"


class _Score(NamedTuple):
    """What tables are worth: score and bound [N·m over all cells], average gain at full throttle with its standard
    deviation [N·m]."""

    value: float
    bound: float
    gain: float
    deviation: float


class TablesView:
    """The best tables of a day, and what the last change of a rule cost.

    Parameters: `file`, the project's.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self.answers: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "may_pin": self.may_pin,
            "try_pin": self.try_pin,
            "may_cap": self.may_cap,
            "write_tables": self.write,
        }
        self._build: Build | None = None
        self._day: Day | None = None
        self._before: _Score | None = None

    def made_of(self, model: "TorqueModel") -> bool:
        """Whether the tables shown were made of this torque model."""
        return self._build is not None and self._build.model is model

    def look(self, put: Put, day: "Day") -> None:
        """Make the part of the tables. Raises `InputError` as `search_tables` does."""
        from phaseopt.job.build import build
        from phaseopt.report.explorer import explorer_section
        from phaseopt.report.facts import clamps, verdict_word
        from phaseopt.report.first_screen import answer_figures, states
        from phaseopt.report.phase_table import mark_lines, phase_table
        from phaseopt.report.simulation import alone
        from phaseopt.report.subjects.simulate import NOT_MEASURED
        from phaseopt.report.words import box_words, moving

        earlier = self._build
        made = build(day.project, found=day.tables, explained=False)
        now = _score(made)
        if earlier is not None and earlier.project.search != made.project.search and earlier.model is made.model:
            self._before = _score(earlier)
        elif earlier is None or earlier.model is not made.model:
            self._before = None
        self._build, self._day = made, day
        sides, unit = moving(made.project), made.project.display_units.torque
        tables = tuple(phase_table(made, side) for side in sides)
        cells = {side: made.tables.of_side(side).to_numpy().tolist() for side in sides}
        html = filled(
            "tables.html.j2",
            states=states(made)[:1],
            figures=answer_figures(made),
            lines=_score_lines(now, self._before, made),
            tables=tables,
            marks=mark_lines(made, tables),
            clamps=box_words(made.project, clamps(made)),
            part=explorer_section(made),
            sides=sides,
            ways=[TURN if made.contact.travel(side)[1] > 0 else TURN[::-1] for side in sides],
            search=made.project.search,
            stated=self._stated(made),
            folder=FOLDER,
            accepted=made.verdict.accepted,
            unmeasured=NOT_MEASURED if alone(made) else "",
            verdict=made.verdict,
            unit=unit.name,
        )
        facts = {
            "cells": cells,
            "rpm": list(made.project.tables.rpm),
            "load": list(made.project.tables.load),
            "score": now._asdict(),
            "before": self._before and self._before._asdict(),
            "state": verdict_word(made),
            "accepted": made.verdict.accepted,
            "pinned": [each.model_dump() for each in made.project.search.pinned],
        }
        put("tables", html, facts)

    def _stated(self, made: "Build") -> dict[str, list[str]]:
        """Pins and caps as the file states them, in JSON: what a page saw when one is taken out."""
        from phaseopt.project.load import read_given

        search = read_given(self.file).table.get("search", {})
        return {
            name: [json.dumps(each) for each in search.get(name, [])]
            if len(search.get(name, [])) == len(getattr(made.project.search, name))
            else ["null"] * len(getattr(made.project.search, name))
            for name in ("pinned", "overlap_cap")
        }

    def may_pin(self, body: dict[str, Any]) -> dict[str, Any]:
        """Refuse to hold a cell at a timing that is not clear in any combination, with what comes too near there."""
        self.try_pin(body)
        return self._tried(pin_change, body)

    def try_pin(self, body: dict[str, Any]) -> dict[str, Any]:
        """How a timing for a cell is read, and that it is clear, while it is typed. Raises `InputError` as `may_pin`,
        without a search."""
        pin, limits = pin_in(body), self._shown().limits
        phases = [(side, pin[side]) for side in SIDES if side in pin]
        for side, phase in phases:
            _refuse_out_of_travel(limits, side, phase)
        both = {side: pin.get(side, 0.0) for side in SIDES}
        if limits.contact.tied:
            both = dict.fromkeys(SIDES, phases[0][1])
        refuse_not_clear(limits, **both)
        return {"remarks": [f"{_timings(phases)}: CLEAR in any combination, calculated."]}

    def may_cap(self, body: dict[str, Any]) -> dict[str, Any]:
        """Refuse a cap that leaves a cell no timing."""
        self._shown()
        return self._tried(cap_change, body)

    def _tried(
        self, made: Callable[[dict[str, Any], dict[str, Any]], KeyChange], body: dict[str, Any]
    ) -> dict[str, Any]:
        """Search with a change that is not made yet. Raises `InputError` where it leaves a cell no phase."""
        from phaseopt.project.load import REDUCE_DOES_WITHOUT, load_given, read_given

        given = read_given(self.file)
        table = without_pulls(with_values(given.table, [made(given.table, body)]))
        project = load_given(self.file, given._replace(table=table, read=table), without=REDUCE_DOES_WITHOUT)
        assert self._day is not None
        try:
            self._day.searched_as(self._day.project.model_copy(update={"search": project.search}))
        except InputError as error:
            raise InputError(replace(each, file=None, where="") for each in error.mistakes) from None
        return {}

    def _shown(self) -> "Build":
        if self._build is None:
            raise InputError.one("there are no tables yet", hint="wait until they are worked out")
        return self._build

    def write(self, _body: dict[str, Any]) -> dict[str, Any]:
        """Write the tables as neutral CSV into a folder beside the project.

        They are judged anew by the files as they are at this moment, which may have changed since they were found.
        Refused where they are not clear.
        """
        from phaseopt.job.stages import check_tables
        from phaseopt.output.directory import write_files
        from phaseopt.project.load import REDUCE_DOES_WITHOUT, load_given, read_given
        from phaseopt.report.words import moving
        from phaseopt.tables import table_text

        made, given = self._shown(), read_given(self.file)
        alone = given._replace(table=without_pulls(given.table))
        now = load_given(self.file, alone, without=REDUCE_DOES_WITHOUT)
        if now.tables != made.project.tables or now.search != made.project.search:
            raise InputError.one("the project changed since these were found", hint="wait for the new ones")
        verdict = check_tables(now, made.tables)
        if not (made.verdict.accepted and verdict.accepted):
            raise InputError.one(f"these tables may not be written: {verdict.worst}", hint="wait for the new ones")
        files = {f"{side}_phase.csv": table_text(made.tables.of_side(side)) for side in moving(made.project)}
        write_files(self.file.parent / FOLDER, files)
        return {"remarks": [f"Written: {FOLDER}/{' and '.join(files)}."], "files": sorted(files)}


def _timings(phases: Iterable[tuple[str, float]]) -> str:
    """Phases in words, such as "intake +12.5°, exhaust 0°"."""
    from phaseopt.report.words import phase_text

    return ", ".join(f"{side} {phase_text(phase)}" for side, phase in phases)


def _refuse_out_of_travel(limits: "Limits", side: Side, phase: float) -> None:
    """Refuse a phase that the phaser cannot reach, or that the tables have no step for."""
    from phaseopt.report.words import phase_text, span_text

    low, high = limits.contact.travel(side)
    if low == high:
        raise InputError.one("this cam has no phaser", hint="leave it blank", where=side)
    if not low <= phase <= high:
        problem = f"{_timings([(side, phase)])} is beyond the phaser's travel"
        raise InputError.one(problem, hint=f"enter one from {span_text(low, high)}")
    steps = getattr(limits, f"phases_{side}")
    if abs(steps - phase).min() > 1e-6:
        nearest = f"{phase_text(steps[steps < phase].max())} or {phase_text(steps[steps > phase].min())}"
        raise InputError.one(f"{_timings([(side, phase)])} is between two steps of the tables", hint=f"enter {nearest}")


def refuse_not_clear(limits: "Limits", intake: float, exhaust: float) -> None:
    """Refuse a timing that is in no safe box, saying which contact comes how near and what is required.

    Parameters: phases in crank degrees. Raises `InputError`: contact can never be overridden.
    """
    from phaseopt.clearance.rules import CLEAR, least_sentence, running_gaps, verdicts, without_float
    from phaseopt.report.words import box_words

    if any(bool(box.holds(intake, exhaust)) for box in limits.boxes):
        return
    model, top = limits.contact, limits.contact.top_speed
    gaps = model.gaps([[intake, intake, exhaust, exhaust]])
    words = without_float(verdicts(model, gaps.static, running_gaps(model, gaps, top)), model.held(top))
    word = str(words[0])
    state = "clear by itself, but not with every other cell" if word == CLEAR else word.upper()
    where = _timings([("intake", intake), ("exhaust", exhaust)])
    boxes = ", or ".join(box_words(limits.project, box) for box in limits.boxes)
    raise InputError.one(
        f"{where} is {state}: {least_sentence(model, gaps, top)}. No pin overrides that",
        hint=f"pin the cell inside {boxes}",
    )


def _score(made: "Build") -> _Score:
    gains = made.comparison.gains
    return _Score(made.best.value, made.best.bound, float(gains.gain), float(gains.deviation))


def _score_lines(now: _Score, before: _Score | None, made: "Build") -> list[str]:
    """Score and bound a cell, and what the last change of pins and limits cost."""
    unit = made.project.display_units.torque
    cells = len(made.project.tables.rpm) * len(made.project.tables.load)
    lines = [
        f"Score {unit.text(now.value / cells, 1)} a cell. Other tables under these rules score at most "
        f"{unit.text(max(now.bound - now.value, 0.0) / cells, 1)} a cell more."
    ]
    if before is not None:
        lines.append(
            f"Your last change: average gain at full throttle {unit.signed_text(before.gain)} before, "
            f"{unit.signed_text(now.gain)} now. Score {unit.signed_text((now.value - before.value) / cells, 1)} a cell."
        )
    return lines
