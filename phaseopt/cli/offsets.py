"""`phaseopt offsets`: at which installed offsets the cams would be best."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, Storage, command, progress_line
from phaseopt.values.errors import InputError

if TYPE_CHECKING:
    from phaseopt.project import Side

Trials = Annotated[
    int,
    typer.Option("--trials", metavar="N", min=1, max=100_000, help="Pairs of offsets tried in all, earlier ones too."),
]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for the trials and a page.")]

Try = Annotated[
    list[str] | None,
    typer.Option(
        "--try",
        metavar="PAIR",
        help="Compare these offsets with those as fitted, as intake=-10,exhaust=10; may be given again.",
        show_default=False,
    ),
]


@command
def offsets(
    project_file: ProjectFile, trials: Trials = 60, storage: Storage = None, out: Out = None, pairs: Try = None
) -> Answer:
    """Where the cams would best be fitted.

    Torque against the clearance left by a phaser fault, at many pairs of installed offsets; with --try at yours alone.
    """
    if pairs:
        return _tried(project_file, pairs, storage, out)
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


def _tried(project_file: Path, pairs: list[str], storage: str | None, out: Path | None) -> Answer:
    """Given pairs beside the offsets as fitted; nothing is written."""
    from phaseopt.output.records.offsets import OffsetTryRecord
    from phaseopt.project.load import load_project
    from phaseopt.report.subjects.offset_try import offset_try_document
    from phaseopt.study.offset_try import try_offsets

    if storage is not None or out is not None:
        option = "--out" if storage is None else "--storage"
        raise InputError.one(f"{option} does not go with --try", hint=f"leave {option} out", where=option)
    asked = [_pair(text) for text in pairs]
    project = load_project(project_file)
    with progress_line() as progress:
        found = try_offsets(project, asked, progress)
    return Answer(offset_try_document(found), lambda: OffsetTryRecord.of(found), clear=not found.refused)


def _pair(text: str) -> "dict[Side, float]":
    """The offsets of "intake=-10,exhaust=10"."""
    found: dict[Side, float] = {}
    for each in text.split(","):
        name, equals, value = (part.strip() for part in each.partition("="))
        side: Side | None = "intake" if name == "intake" else "exhaust" if name == "exhaust" else None
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if side is None or not equals or side in found or not math.isfinite(number):
            hint = "give crank degrees, + = advanced, as intake=-10,exhaust=10"
            raise InputError.one(f"{text!r} is not a pair of offsets", hint=hint, where="--try")
        found[side] = number
    return found
