"""`phaseopt build`: the whole job."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, command, depth, progress_line

Out = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Directory for the tables, the margins and the report.")
]

Figures = Annotated[
    Path | None,
    typer.Option("--figures", metavar="DIR", help="Directory for every figure by itself, as SVG and PNG."),
]


@command
def build(project_file: ProjectFile, out: Out, figures: Figures = None) -> Answer:
    """The whole job: limits, logs, torque, search, check, report."""
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
