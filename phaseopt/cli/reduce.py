"""`phaseopt reduce`: dyno logs to torque points."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Found, ProjectFile, command

Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for points, pictures and the rest.")]


@command
def reduce(project_file: ProjectFile, out: Out = None) -> Found:
    """What the dyno logs say, and which are odd.

    Logs to torque points: what was left out, what repeats show, how the phasers do.
    """
    from phaseopt.output.directory import require_replaceable, write_files
    from phaseopt.output.records.reduce import ReduceRecord
    from phaseopt.project.load import load_project
    from phaseopt.report.reduction_text import reduction_summary
    from phaseopt.report.reduction_words import look_first
    from phaseopt.torque_model.day import read_day

    project = load_project(project_file)
    if out is not None:
        require_replaceable(out)
    day = read_day(project)
    written: list[Path] = []
    if out is not None:
        from phaseopt.output.reduction_files import reduction_files

        files = reduction_files(day)
        write_files(out, files)
        written = [out / name for name in sorted(files)]
    odd = look_first(day)
    return Found(
        "\n".join(f"Look first: {line}" for line in odd) or "Nothing stands out in the logs.",
        lambda: reduction_summary(day, written),
        lambda: ReduceRecord.of(day),
        written=[] if out is None else [out],
        clear=not odd,
    )
