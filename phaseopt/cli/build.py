"""`phaseopt build`: the whole job."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, Changes, ProjectFile, command, depth, progress_line, require_nothing_written
from phaseopt.values.errors import InputError

Out = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Directory for the tables, the clearances and the report.")
]

Figures = Annotated[
    Path | None,
    typer.Option("--figures", metavar="DIR", help="Directory for every figure by itself, as SVG and PNG."),
]


@command
def build(project_file: ProjectFile, out: Out = None, figures: Figures = None, changes: Changes = None) -> Answer:
    """The whole job: limits, logs, torque, search, check, report.

    With --set: what a change would do, beside the project as it is.
    """
    if changes:
        require_nothing_written(out=out, figures=figures)
        return _with(project_file, changes)
    if out is None:
        raise InputError.one(
            "missing option '--out'", hint="add it: a directory for tables and report", where="phaseopt build"
        )
    import phaseopt.job.build as job
    from phaseopt.output.directory import require_apart, require_replaceable, write_files
    from phaseopt.output.figure_files import figure_files
    from phaseopt.output.files import write_build
    from phaseopt.output.records.build import BuildRecord
    from phaseopt.project.load import load_project
    from phaseopt.report.subjects.build import build_document

    project = load_project(project_file)
    require_replaceable(out)
    if figures is not None:
        require_apart(figures, "--figures", out)
        require_replaceable(figures, "--figures")
    with progress_line() as progress:
        found = job.build(project, progress)
        accepted = found.verdict.accepted
        if accepted:
            progress(0.99, "writing")
            drawn = figure_files(found) if figures is not None else {}
            write_build(out, found)
            if figures is not None:
                write_files(figures, drawn, "--figures")
    written = [path for path in (out, figures) if path is not None] if accepted else []
    return Answer(
        build_document(found, depth=depth()),
        lambda: BuildRecord.of(found),
        written=written,
        clear=accepted,
    )


def _with(project_file: Path, changes: list[str]) -> Answer:
    """Changes beside the project as it is."""
    from phaseopt.output.records.what_if import WhatIfRecord
    from phaseopt.report.subjects.what_if import what_if_document
    from phaseopt.study.what_if import try_changes

    with progress_line() as progress:
        found = try_changes(project_file, changes, progress)
    built = found.together.build
    return Answer(
        what_if_document(found),
        lambda: WhatIfRecord.of(found),
        clear=built is not None and built.verdict.accepted,
    )
