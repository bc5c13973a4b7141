"""The bench: values as they are typed, against each other, and the limits that they leave."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import escape

from phaseopt.live.board import Put
from phaseopt.live.page_parts import filled
from phaseopt.live.source import as_facts
from phaseopt.values.errors import InputError, Mistake

if TYPE_CHECKING:
    from phaseopt.project import AsGiven


class Bench:
    """A project's limits as its file is now.

    Parameters: `file`, the project's.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self.answers: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "try": self.tried,
            "may": self.may,
        }

    def look(self, put: Put) -> None:
        """Make the parts of the bench."""
        from phaseopt.job.stages import phase_limits
        from phaseopt.project.load import LIMITS_DO_WITHOUT, load_project
        from phaseopt.report.subjects.limits import limits_document

        try:
            project = load_project(self.file, without=LIMITS_DO_WITHOUT)
            put("name", str(escape(project.name)), {"name": project.name})
            document = limits_document(phase_limits(project))
        except InputError as error:
            put(
                "mistakes",
                filled("mistakes.html.j2", mistakes=as_facts(error.mistakes, self.file)),
                {"messages": list(error.messages)},
            )
            return
        put("mistakes", "", {"messages": []})
        put("bench", filled("bench.html.j2", document=document), {"verdict": document.verdict, "state": document.state})

    def may(self, body: dict[str, Any]) -> dict[str, Any]:
        """Refuse a change that brings a mistake which the project has not had; nothing is written here."""
        from phaseopt.live.edits import changes_in, with_values
        from phaseopt.project.load import read_given

        changes, remarks = changes_in(body)
        given = read_given(self.file)
        table = with_values(given.table, changes)
        before = {(each.where, each.problem) for each in _mistakes(self.file, given)}
        after = _mistakes(self.file, given._replace(table=table, read=table))
        if new := [each for each in after if (each.where, each.problem) not in before]:
            raise InputError(new)
        return {"remarks": remarks}

    def tried(self, body: dict[str, Any]) -> dict[str, Any]:
        """What a value not yet entered would do."""
        return self.may(body)


def _mistakes(file: Path, given: "AsGiven") -> Sequence[Mistake]:
    """What is wrong with contents of a project file, as far as contact asks for them."""
    from phaseopt.project.load import LIMITS_DO_WITHOUT, load_given

    try:
        load_given(file, given, without=LIMITS_DO_WITHOUT)
    except InputError as error:
        return error.mistakes
    return ()
