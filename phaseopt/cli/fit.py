"""`phaseopt fit`: the torque model and how far to trust it."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Found, ProjectFile, command, progress_line

Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for pictures (SVG).")]


@command
def fit(project_file: ProjectFile, out: Out = None) -> Found:
    """How far to trust the torque model of the pulls, or of a grid."""
    from phaseopt.output.directory import RECORD, record_of, require_replaceable, write_files
    from phaseopt.output.records.fit import FitRecord
    from phaseopt.project.load import load_project
    from phaseopt.report.fit_text import fit_summary, left_out_lines
    from phaseopt.report.given import given_summary, left_out_line
    from phaseopt.torque_model.sources import torque_model
    from phaseopt.torque_model.trust import require_measured, torque_trust
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
            from phaseopt.report.figures.torque_model import fit_figures

            progress(0.95, "drawing")
            figures = fit_figures(model, phase_limits(project))
    files: list[Path] = []
    if out is not None:
        write_files(out, {**figures, RECORD: record_of(figures)})
        files = [out / name for name in sorted(figures)]
    written = [] if out is None else [out]
    if trust is None:
        return Found(
            f"Left out: {left_out_line(model.loo_rmse, project.display_units.torque)}",
            lambda: given_summary(project, model, files),
            lambda: FitRecord.of(project, model, None),
            written=written,
        )
    return Found(
        "\n".join(f"Left out: {line}" for line in left_out_lines(model, trust, project.display_units.torque)),
        lambda: fit_summary(project, model, trust, files),
        lambda: FitRecord.of(project, model, trust),
        written=written,
    )
