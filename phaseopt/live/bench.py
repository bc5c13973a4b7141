"""The bench: values as they are typed, against each other, and the limits that they leave."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from phaseopt.live.page_parts import filled
from phaseopt.values.errors import InputError

Put = Callable[[str, str, dict[str, Any]], None]


class Bench:
    """A project's limits as its file is now.

    Parameters: `file`, the project's.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self.answers: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {"try": self.tried}

    def look(self, put: Put) -> None:
        """Make the parts of the bench."""
        from phaseopt.job.stages import phase_limits
        from phaseopt.project.load import LIMITS_DO_WITHOUT, load_project
        from phaseopt.report.subjects.limits import limits_document

        try:
            project = load_project(self.file, without=LIMITS_DO_WITHOUT)
            put("name", project.name, {"name": project.name})
            document = limits_document(phase_limits(project))
        except InputError as error:
            put("mistakes", filled("mistakes.html.j2", mistakes=error.mistakes), {"messages": list(error.messages)})
            return
        put("mistakes", "", {"messages": []})
        put("bench", filled("bench.html.j2", document=document), {"verdict": document.verdict, "state": document.state})

    def tried(self, body: dict[str, Any]) -> dict[str, Any]:
        """What a value not yet entered would do."""
        from phaseopt.project.load import LIMITS_DO_WITHOUT, load_project

        load_project(self.file, without=LIMITS_DO_WITHOUT, changes=[f"{body['key']}={body['value']}"])
        return {}
