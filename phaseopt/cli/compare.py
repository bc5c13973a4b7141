"""`phaseopt compare`: two finished builds side by side."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from phaseopt.cli.frame import Answer, command, progress_line
from phaseopt.values.errors import InputError

if TYPE_CHECKING:
    from phaseopt.output.read_build import FinishedBuild
    from phaseopt.study.what_if import WhatIf

First = Annotated[Path, typer.Argument(metavar="OUT1", help="The directory of a finished build.", show_default=False)]
Second = Annotated[Path, typer.Argument(metavar="OUT2", help="The directory of the other build.", show_default=False)]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for a page and a CSV.")]

Shares = Annotated[
    tuple[Path, Path] | None,
    typer.Option(
        "--shares",
        metavar="1.toml 2.toml",
        help="The project files of both: what each change does alone, which takes a build each.",
        show_default=False,
    ),
]


@command
def compare(first: First, second: Second, out: Out = None, shares: Shares = None) -> Answer:
    """Two builds side by side: inputs, tables, clearances, torque.

    For the next build before parts are bought: copy the project file, change it, build, and compare.
    """
    from phaseopt.output.compare import compare as compared
    from phaseopt.output.compare_document import compare_document
    from phaseopt.output.compare_files import compare_files
    from phaseopt.output.directory import require_outside, require_replaceable, write_files
    from phaseopt.output.read_build import read_build
    from phaseopt.output.records.compare import CompareRecord

    if out is not None:
        require_outside(out, first, second)
        require_replaceable(out)
    builds = read_build(first), read_build(second)
    found = compared(*builds)
    changes = None if shares is None else _shares(shares, builds)
    if out is not None:
        write_files(out, compare_files(found, changes))
    return Answer(
        compare_document(found, changes),
        lambda: CompareRecord.of(found, changes),
        written=[] if out is None else [out],
    )


def _shares(files: tuple[Path, Path], builds: "tuple[FinishedBuild, FinishedBuild]") -> "WhatIf":
    """What each change does alone; the builds must be of these project files as they are now."""
    from phaseopt.project.load import load_project
    from phaseopt.study.what_if import share_changes

    projects = [load_project(file) for file in files]
    for project, done in zip(projects, builds, strict=True):
        if changed := done.changed_inputs(project):
            raise InputError.one(
                f"{done.directory} was not built from this: {changed[0]} differs",
                hint="name the project files in the order of the builds, or build again",
                file=project.file,
                where="--shares",
            )
    with progress_line() as progress:
        return share_changes(projects[0], projects[1], progress)
