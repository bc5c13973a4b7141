"""`phaseopt tradeoff`: what smoother tables, slew in hand and caution cost in torque."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, Storage, command, progress_line

Trials = Annotated[
    int, typer.Option("--trials", metavar="N", min=8, max=5000, help="Trials in all, those of earlier runs included.")
]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for the curve, trials and knee.")]


@command
def tradeoff(project_file: ProjectFile, trials: Trials = 60, storage: Storage = None, out: Out = None) -> Answer:
    """What smoother tables, spare phaser speed and caution cost.

    Many searches on one torque model: the curve, and a knee to take or leave.
    """
    from phaseopt.output.directory import require_replaceable, write_files
    from phaseopt.output.records.tradeoff import TradeoffRecord
    from phaseopt.output.tradeoff_files import tradeoff_files
    from phaseopt.project.load import load_project
    from phaseopt.report.subjects.tradeoff import tradeoff_document
    from phaseopt.study.tradeoff import study_tradeoff

    project = load_project(project_file)
    if out is not None:
        require_replaceable(out)
    with progress_line() as progress:
        found = study_tradeoff(project, trials, storage, progress)
    if out is not None:
        write_files(out, tradeoff_files(found))
    return Answer(
        tradeoff_document(found),
        lambda: TradeoffRecord.of(found),
        written=[] if out is None else [out],
        clear=found.verdict.accepted,
    )
