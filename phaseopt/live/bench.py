"""The bench: values as they are typed, against each other, and the limits that they leave."""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import escape

from phaseopt.live.board import Put, Superseded
from phaseopt.live.edits import last_changes, value_at
from phaseopt.live.page_parts import filled, picture_of
from phaseopt.live.source import as_facts, without_pulls
from phaseopt.live.studies import stored_studies, study_pages
from phaseopt.values.errors import InputError, Mistake

if TYPE_CHECKING:
    from phaseopt.clearance.limits import Limits, SafeBox
    from phaseopt.project import AsGiven, Project
    from phaseopt.report.facts import Tightest


_NOT_CONTACT = ("torque", "torque_grid", "cycle")  # sections that no limit rests on


class Bench:
    """A project's limits as its file is now.

    The safe box comes at once, in the thread that asks; what else the limits say, and what to measure next, in one of
    its own, which a newer look stops.

    Parameters: `file`, the project's.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self.answers: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "try": self.tried,
            "may": self.may,
            "may_row": self.may_row,
            "sheet": self.sheet,
        }
        self.limits: Limits | None = None
        self._boxes: tuple[SafeBox, ...] = ()
        self._new = threading.Condition()
        self._rest: tuple[Put, Limits] | None = None
        self._known: tuple[dict[str, Any], Limits] | None = None  # limits, and all that they rest on
        self._fits: tuple[dict[str, str], dict[str, list[str]]] = ({}, {})
        self._explained: tuple[Limits, dict[str, tuple[str, dict[str, Any]]]] | None = None
        threading.Thread(target=self._explain, daemon=True).start()

    def look(self, put: Put) -> None:
        """Make the parts of the bench."""
        from phaseopt.job.stages import phase_limits
        from phaseopt.live.bench_fields import fits_of
        from phaseopt.project.load import LIMITS_DO_WITHOUT, load_given, read_given
        from phaseopt.report.document import in_shell

        past = last_changes(self.file, 30)
        put("history", filled("history.html.j2", past=past), {"past": past})
        pages, stored = study_pages(self.file), stored_studies(self.file)
        html = filled("studies.html.j2", file=in_shell(Path(self.file.name)), pages=pages, stored=stored)
        put("studies", html, {"pages": [page._asdict() for page in pages], "stored": stored})
        given = None
        try:
            given = read_given(self.file)
            alone = given._replace(table=without_pulls(given.table))
            project = load_given(self.file, alone, without=LIMITS_DO_WITHOUT)
            put("name", str(escape(project.name)), {"name": project.name})
            rests_on = _rests_on(project)
            if self._known is None or self._known[0] != rests_on:
                self._known = rests_on, phase_limits(project)
            limits = self._known[1]
        except InputError as error:
            self.limits = self._known = None
            facts = {"messages": list(error.messages)}
            put("mistakes", filled("mistakes.html.j2", mistakes=as_facts(error.mistakes, self.file)), facts)
            if given is not None:
                self._put_fields(put, given, {}, {})
            for name in ("box", "travel", "closest", "bench", "measure"):
                put(name, filled("bench_unknown.html.j2") if name == "box" else "", {"state": "UNKNOWN"})
            return
        put("mistakes", "", {"messages": []})
        if limits is not self.limits:
            self._fits = fits_of(limits.contact, self.file)
        self._put_box(put, limits)
        self._put_fields(put, given, *self._fits)
        with self._new:
            self._rest = put, limits
            self._new.notify_all()

    def _put_box(self, put: Put, limits: "Limits") -> None:
        """The safe box now, and before; the closest clearance at its corner."""
        from phaseopt.clearance.contacts import WORDS
        from phaseopt.clearance.rules import place
        from phaseopt.report.figures.first import closest_approach
        from phaseopt.report.figures.safe_map import safe_map
        from phaseopt.report.words import box_words

        if self.limits is not None and self.limits.boxes != limits.boxes:
            self._boxes = self.limits.boxes
        self.limits, before = limits, self._boxes
        near = closest_of(limits)
        unit = limits.project.display_units.gap
        facts: dict[str, Any] = {"state": "CLEAR", "boxes": [asdict(box) for box in limits.boxes]}
        facts |= {"before": [asdict(box) for box in before], "closest": {**asdict(near), "load": None}}
        html = filled(
            "bench_box.html.j2",
            top=f"{limits.contact.top_speed:.0f}",
            boxes=[box_words(limits.project, box) for box in limits.boxes],
            before=[box_words(limits.project, box) for box in before],
            map=picture_of(safe_map(limits, before)),
        )
        put("box", html, facts)
        html = filled(
            "bench_closest.html.j2",
            contact=WORDS[near.contact],
            where=place(near.angle),
            by_hand=unit.text(near.by_hand),
            worst=unit.down_text(min(near.static, near.running)),
            approach=picture_of(closest_approach(limits.contact, near)),
        )
        put("closest", html, facts["closest"])

    def _put_fields(
        self, put: Put, given: "AsGiven", fits: Mapping[str, str], lines: Mapping[str, Sequence[str]]
    ) -> None:
        from phaseopt.live.bench_fields import groups_of

        groups = groups_of(given.table, fits, lines)
        put("fields", filled("bench_fields.html.j2", groups=groups), {"digest": given.sha256, "fits": dict(fits)})

    def _explain(self) -> None:
        """In a thread of its own: all that the limits say, then what to measure next."""
        from phaseopt.job.next_step import measures_of
        from phaseopt.report.subjects.limits import limits_document
        from phaseopt.report.subjects.next import measure_lines

        while True:
            with self._new:
                self._new.wait_for(lambda: self._rest is not None)
                assert self._rest is not None
                (put, limits), self._rest = self._rest, None
            try:
                if self._explained is None or self._explained[0] is not limits:
                    document = limits_document(limits)
                    facts = {"verdict": document.verdict, "state": document.state}
                    parts: dict[str, tuple[str, dict[str, Any]]] = {
                        "bench": (filled("bench.html.j2", document=document), facts)
                    }
                    lead = "".join(f'<p class="warning">{escape(line)}</p>' for line in document.lead)
                    parts["travel"] = lead, {"lead": list(document.lead)}
                    for name in ("travel", "bench"):
                        put(name, *parts[name])
                    measures = measures_of(limits, partial(put, "measure", "", {"waiting": True}))
                    html = filled("bench_measure.html.j2", lines=list(measure_lines(measures)))
                    parts["measure"] = html, {"measures": [asdict(each) for each in measures]}
                    self._explained = limits, parts
                for name, part in self._explained[1].items():
                    put(name, *part)
            except Superseded:
                continue
            except InputError as error:
                mistakes = as_facts(error.mistakes, self.file)
                put("bench", filled("mistakes.html.j2", mistakes=mistakes), {"messages": list(error.messages)})

    def may(self, body: dict[str, Any]) -> dict[str, Any]:
        """Refuse a change that brings a mistake which the project has not had; nothing is written here."""
        self._changed(body)
        return {}

    def may_row(self, body: dict[str, Any]) -> dict[str, Any]:
        """The same of a reading to add."""
        from phaseopt.live.readings import row_in
        from phaseopt.project.load import read_given

        key, value, _ = row_in(body)
        name = key.rpartition(".")[0]
        table = read_given(self.file).table
        listed = isinstance(value_at(table, name), list)
        self._changed({"key": key, "value": value} if listed else {"key": name, "value": [value]})
        return {}

    def tried(self, body: dict[str, Any]) -> dict[str, Any]:
        """What a value not yet entered would do: a mistake, or how the reading fits the others."""
        from phaseopt.clearance.model import contact_model
        from phaseopt.live.bench_fields import fits_of
        from phaseopt.live.edits import changes_in
        from phaseopt.project.load import LIMITS_DO_WITHOUT, load_given

        changes, remarks = changes_in(body)
        given = self._changed(body)
        try:
            alone = given._replace(table=without_pulls(given.table))
            model = contact_model(load_given(self.file, alone, without=LIMITS_DO_WITHOUT))
        except InputError as error:
            return {"remarks": [*remarks, *_here(error.mistakes).messages[:2]], "state": "UNKNOWN"}
        fits, lines = fits_of(model, self.file)
        near = [fits[key] for key in fits if any(f"{each.key}.".startswith(f"{key}.") for each in changes)]
        group = {each.key.split(".")[1] if each.key.startswith("drop.") else "" for each in changes}
        more = [lines[f"drop-{side}"][0] for side in group if side]
        return {"remarks": [*remarks, *near, *more], "fits": near, "state": "UNKNOWN"}

    def sheet(self, _body: dict[str, Any]) -> dict[str, Any]:
        """The measuring sheet as a page to print."""
        from phaseopt.report.subjects.sheet import blank_sheet, limits_sheet, sheet_page

        return {"html": sheet_page(blank_sheet() if self.limits is None else limits_sheet(self.limits))}

    def _changed(self, body: dict[str, Any]) -> "AsGiven":
        """The file's contents with a change; refuses one that brings a mistake."""
        from phaseopt.live.edits import changes_in, with_values
        from phaseopt.project.load import read_given

        changes, _ = changes_in(body)
        given = read_given(self.file)
        table = with_values(given.table, changes)
        changed = given._replace(table=table, read=table)
        if after := _mistakes(self.file, changed):
            before = {(each.where, each.problem) for each in _mistakes(self.file, given)}
            if new := [each for each in after if (each.where, each.problem) not in before]:
                raise _here(new)
        return changed


def _rests_on(project: "Project") -> dict[str, Any]:
    """All that a project's limits rest on: what it states of contact, and the bytes of the files that it names."""
    from phaseopt.job.input_hashes import input_hashes

    alone = project.model_copy(update=dict.fromkeys(_NOT_CONTACT))
    files = {name: digest for name, digest in input_hashes(alone).items() if name != project.file.name}
    return dict(alone) | {"search": project.search.overlap_cap, "files": files}


def closest_of(limits: "Limits") -> "Tightest":
    """The contact with the least margin anywhere in the largest safe box, drawn at its corner nearest the piston."""
    import numpy as np

    from phaseopt.clearance.check import box_verdict
    from phaseopt.report.facts import Tightest

    model = limits.contact
    box = max(limits.boxes, key=lambda box: box.size)
    intake, exhaust = box.intake_to, box.intake_to if model.tied else box.exhaust_from
    corners = np.array([[box.intake_from, box.exhaust_from], [box.intake_to, box.exhaust_to]])
    least = box_verdict(model, corners, False, model.top_speed)
    gaps, by_hand = model.gaps([[intake, intake, exhaust, exhaust]]), model.by_hand([[intake, exhaust]])[0]
    icl, ecl = model.engine.centrelines([intake], [exhaust])[0].tolist()
    found = []
    for n, contact in enumerate(model.contacts):
        static, running = least.static[contact], least.running[contact]
        margin = min(static - float(model.required[n]), running - model.reserve)
        angle = float(gaps.static_angle[0, n])
        found.append(
            Tightest(
                contact, model.top_speed, float("nan"), intake, exhaust, icl, ecl, float(by_hand[n]), static, running,
                angle, margin,
            )
        )  # fmt: skip
    return min(found, key=lambda near: near.margin)


def _here(mistakes: Sequence[Mistake]) -> InputError:
    """Mistakes as they are shown beside a field: the file is known."""
    return InputError(replace(each, file=None) for each in mistakes)


def _mistakes(file: Path, given: "AsGiven") -> Sequence[Mistake]:
    """What is wrong with contents of a project file, as far as contact asks for them."""
    from phaseopt.project.load import LIMITS_DO_WITHOUT, load_given

    try:
        load_given(file, given, without=LIMITS_DO_WITHOUT)
    except InputError as error:
        return error.mistakes
    return ()
