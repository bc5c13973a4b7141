"""`phaseopt reduce`: dyno logs to torque points."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, command, project_without

Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for points, pictures and the rest.")]


@command
def reduce(project_file: ProjectFile, out: Out = None) -> Answer:
    """What the dyno logs say, and which to look at first.

    Logs to torque points: what was left out, what repeats show, how the phasers do.
    """
    from phaseopt.output.directory import require_replaceable, write_files
    from phaseopt.output.records.reduce import ReduceRecord
    from phaseopt.project.load import REDUCE_DOES_WITHOUT
    from phaseopt.report.subjects.reduce import look_first, reduction_document
    from phaseopt.torque_model import read_logged_day

    project = project_without(project_file, REDUCE_DOES_WITHOUT)
    if out is not None:
        require_replaceable(out)
    day = read_logged_day(project)
    if out is not None:
        from phaseopt.output.reduction_files import reduction_files

        write_files(out, reduction_files(day))
    return Answer(
        reduction_document(day),
        lambda: ReduceRecord.of(day),
        written=[] if out is None else [out],
        clear=not look_first(day),
    )
