"""`phaseopt new`: a project to fill in, or the example."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from phaseopt.cli.frame import INTERRUPTED, Answer, command
from phaseopt.values.errors import InputError

if TYPE_CHECKING:
    from phaseopt.project.answers import Answers

Directory = Annotated[Path, typer.Argument(metavar="DIR", help="A new or empty directory.", show_default=False)]
Yes = Annotated[
    bool, typer.Option("--yes", "-y", help="Ask nothing: the commonest engine, with everything left blank.")
]
Example = Annotated[
    bool, typer.Option("--example", help="Write the invented hill-climb car instead, complete and ready to build.")
]

_ANSWERS = "answers.json"


@command
def new(directory: Directory, yes: Yes = False, example: Example = False) -> Answer:
    """A project to fill in, after twenty questions; or the example.

    It holds the keys that your answers call for, each explained, templates for lobes and readings, and a sheet to print
    and take to the engine. Answers are kept in DIR until the last one: stop, and go on another day.
    """
    from phaseopt.output.fresh import require_fresh, write_fresh
    from phaseopt.output.records.new import NewRecord
    from phaseopt.report.subjects.new import blank_document, example_document

    if yes and example:
        raise InputError.one("--yes and --example do not go together", hint="give one of them", where="phaseopt new")
    saved, folder = directory / _ANSWERS, ""
    require_fresh(directory, but="" if yes or example else _ANSWERS)
    if example:
        from phaseopt.cli.example_data import example_files

        files = example_files()
        document = example_document(directory, len(files))
    else:
        from phaseopt.project.answers import LOGS, Answers
        from phaseopt.project.blank import blank_files
        from phaseopt.report.subjects.sheet import blank_sheet, sheet_page

        answers = Answers() if yes else _asked(saved)
        files = blank_files(answers) | {"measuring_sheet.html": sheet_page(blank_sheet(answers.units))}
        document = blank_document(directory)
        folder = "" if answers.torque == "simulation" else LOGS
    write_fresh(directory, files, but=_ANSWERS)
    if folder:
        (directory / folder).mkdir(exist_ok=True)
    saved.unlink(missing_ok=True)
    return Answer(document, lambda: NewRecord(files=tuple(files)), written=[directory])


def _asked(saved: Path) -> "Answers":
    from phaseopt.cli.questions import asked, saved_answers

    try:
        return asked(saved_answers(saved), saved)
    except KeyboardInterrupt:
        typer.echo(f"stopped; phaseopt new {saved.parent} goes on from the answers so far", err=True)
        raise typer.Exit(INTERRUPTED) from None
