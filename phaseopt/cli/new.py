"""`phaseopt new`: a project to fill in, or the example."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Found, command
from phaseopt.values.errors import InputError

Directory = Annotated[Path, typer.Argument(metavar="DIR", help="A new or empty directory.", show_default=False)]
Yes = Annotated[
    bool, typer.Option("--yes", "-y", help="Ask nothing: the commonest engine, with everything left blank.")
]
Example = Annotated[
    bool, typer.Option("--example", help="Write the invented hill-climb car instead, complete and ready to build.")
]


@command
def new(directory: Directory, yes: Yes = False, example: Example = False) -> Found:
    """A project to fill in, after a few questions, or the example.

    It holds the sections that your answers call for, every key explained, templates for lobes and readings, and a
    sheet to print and take to the engine.
    """
    from phaseopt.output.fresh import require_fresh, write_fresh
    from phaseopt.output.records.new import NewRecord

    if yes and example:
        raise InputError.one("--yes and --example do not go together", hint="give one of them", where="phaseopt new")
    require_fresh(directory)
    project = directory / "project.toml"
    if example:
        from phaseopt.cli.example_data import example_files

        files = example_files()
        kept = f"An invented hill-climb car, {len(files)} files, in {directory}."
        then = (
            f"{kept} Nothing in it is fit to be copied to a real engine. Run\n"
            f"  phaseopt limits {project}\n"
            f"  phaseopt build {project} --out {directory / 'out'}\n"
            "The first build simulates the engine, which takes minutes; that is kept."
        )
    else:
        from phaseopt.project.answers import Answers
        from phaseopt.project.blank import blank_files
        from phaseopt.report.subjects.sheet import blank_sheet, sheet_page

        if yes:
            answers = Answers()
        else:
            from phaseopt.cli.questions import asked

            answers = asked()
        files = blank_files(answers) | {"measuring_sheet.html": sheet_page(blank_sheet())}
        kept = f"A project to fill in: {project}."
        then = (
            f"Written to {directory}: {', '.join(files)}\n"
            "Print measuring_sheet.html for the readings, fill in project.toml and the CSV files, then run\n"
            f"  phaseopt limits {project}\n"
            "which names whatever is still to be filled in."
        )
    write_fresh(directory, files)
    return Found(
        kept,
        lambda: then,
        lambda: NewRecord(files=tuple(files)),
        written=[directory],
    )
