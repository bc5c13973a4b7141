"""`phaseopt parts`: which parts on a shelf to bolt together."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, Storage, command, progress_line

PartsFile = Annotated[
    Path, typer.Option("--shelf", metavar="SHELF.toml", help="The parts that could be fitted.", show_default=False)
]
Trials = Annotated[
    int,
    typer.Option("--trials", metavar="N", min=1, max=100_000, help="Combinations tried at most; earlier ones count."),
]
Out = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Directory for a page and a table of all combinations.")
]
Write = Annotated[
    tuple[str, Path] | None,
    typer.Option(
        "--write",
        metavar="NAME DIR",
        help="Write one as a project of its own: its number in the list, or its parts.",
        show_default=False,
    ),
]
Cluster = Annotated[
    str | None, typer.Option("--cluster", metavar="tcp://HOST:PORT", help="Simulate on an existing Dask cluster.")
]


@command
def parts(
    project_file: ProjectFile,
    shelf: PartsFile,
    trials: Trials = 300,
    storage: Storage = None,
    out: Out = None,
    write: Write = None,
    cluster: Cluster = None,
) -> Answer:
    """Which parts on a shelf to bolt together, and how sure that is.

    Every combination gets its own limits and its best timing at full throttle; the best are compared with each other
    and with the engine as it is. Nothing is bought or turned by it: see what to measure first.
    """
    from phaseopt.output.directory import require_apart, require_replaceable, write_files
    from phaseopt.output.fresh import require_fresh
    from phaseopt.output.parts_files import named, parts_files, with_number, write_combination
    from phaseopt.output.records.parts import PartsRecord
    from phaseopt.project import SIDES
    from phaseopt.project.load import load_project
    from phaseopt.project.shelf import load_shelf
    from phaseopt.report.subjects.parts import parts_document
    from phaseopt.study.parts.study import study_parts

    project = load_project(project_file)
    found = load_shelf(shelf, project)
    if out is not None:
        require_replaceable(out)
    if write is not None:
        require_fresh(write[1])
        if out is not None:
            require_apart(write[1], "--write", out)
        wanted = named(found, write[0])
    with progress_line() as progress:
        study = study_parts(project, found, trials, storage, progress, cluster)
    if write is not None:
        combination = with_number(study, wanted) if isinstance(wanted, int) else wanted
    if out is not None:
        write_files(out, parts_files(study))
    if write is not None:
        tried_whole = combination.key in study.finalists
        offsets = dict(zip(SIDES, study.outcome(combination.key).offsets, strict=True)) if tried_whole else None
        write_combination(found, project, combination, write[1], study.grind_of(combination), offsets)
    return Answer(
        parts_document(study),
        lambda: PartsRecord.of(study),
        written=[*([] if out is None else [out]), *([] if write is None else [write[1]])],
        clear=bool(study.buildable),
    )
