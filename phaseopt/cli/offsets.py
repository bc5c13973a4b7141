"""`phaseopt offsets`: at which installed offsets the cams would be best."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, Storage, command, progress_line

Trials = Annotated[
    int,
    typer.Option("--trials", metavar="N", min=1, max=100_000, help="Pairs of offsets tried in all, earlier ones too."),
]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for the trials and a page.")]


@command
def offsets(project_file: ProjectFile, trials: Trials = 60, storage: Storage = None, out: Out = None) -> Answer:
    """Where the cams would best be fitted.

    Torque against the clearance left by a phaser fault, at many pairs of installed offsets.
    """
    from phaseopt.output.directory import require_replaceable, write_files
    from phaseopt.output.offsets_files import offsets_files
    from phaseopt.output.records.offsets import OffsetsRecord
    from phaseopt.project.load import load_project
    from phaseopt.report.subjects.offsets import offsets_document
    from phaseopt.study.offsets import study_offsets

    project = load_project(project_file)
    if out is not None:
        require_replaceable(out)
    with progress_line() as progress:
        study = study_offsets(project, trials, storage, progress)
    if out is not None:
        write_files(out, offsets_files(study))
    return Answer(
        offsets_document(study),
        lambda: OffsetsRecord.of(study),
        written=[] if out is None else [out],
        clear=study.recommended is not None,
    )
