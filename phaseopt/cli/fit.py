"""`phaseopt fit`: the torque model and how far to trust it."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, command, progress_line

Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for pictures (SVG).")]


@command
def fit(project_file: ProjectFile, out: Out = None) -> Answer:
    """How far to trust the torque model."""
    from phaseopt.output.directory import RECORD, record_of, require_replaceable, write_files
    from phaseopt.output.records.fit import FitRecord
    from phaseopt.project.load import load_project
    from phaseopt.report.subjects.fit import fit_document
    from phaseopt.torque_model import torque_model, torque_trust
    from phaseopt.torque_model.trust import require_measured
    from phaseopt.values.progress import part

    project = load_project(project_file)
    require_measured(project)
    if out is not None:
        require_replaceable(out)
    figures: dict[str, str] = {}
    with progress_line() as progress:
        model = torque_model(project, part(progress, 0.0, 0.9))
        trust = torque_trust(project, model) if model.supplied_grid is None else None
        if out is not None:
            from phaseopt.job.stages import phase_limits
            from phaseopt.report.figures.drawing import alone
            from phaseopt.report.figures.torque_model import fit_figures

            progress(0.95, "drawing")
            figures = alone(fit_figures(model, phase_limits(project)))
    if out is not None:
        write_files(out, {**figures, RECORD: record_of(figures)})
    return Answer(
        fit_document(project, model, trust),
        lambda: FitRecord.of(project, model, trust),
        written=[] if out is None else [out],
    )
