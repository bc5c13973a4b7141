"""`phaseopt new`: a project to fill in."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Found, command

Directory = Annotated[Path, typer.Argument(metavar="DIR", help="A new or empty directory.", show_default=False)]


@command
def new(directory: Directory) -> Found:
    """A project to fill in, with a sheet to print for the readings."""
    from phaseopt.output.fresh import write_fresh
    from phaseopt.project.blank import blank_files
    from phaseopt.report.sheet import blank_sheet

    files = blank_files() | {"measuring_sheet.html": blank_sheet()}
    write_fresh(directory, files)
    then = (
        f"Written to {directory}: {', '.join(files)}\n"
        "Print measuring_sheet.html for the readings, fill in project.toml and the CSV files, then run\n"
        f"  phaseopt limits {directory / 'project.toml'}\n"
        "which names whatever is still to be filled in."
    )
    return Found(
        "A project to fill in.",
        lambda: then,
        lambda: {"directory": str(directory), "files": list(files)},
        written=[directory],
    )
