"""`phaseopt compare`: two finished builds side by side."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, command

First = Annotated[Path, typer.Argument(metavar="OUT1", help="The directory of a finished build.", show_default=False)]
Second = Annotated[Path, typer.Argument(metavar="OUT2", help="That of another.", show_default=False)]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for a page and a CSV.")]


@command
def compare(first: First, second: Second, out: Out = None) -> Answer:
    """Two builds side by side: inputs, tables, gaps, torque.

    For the next build before parts are bought: copy the project file, change it, build, and compare.
    """
    from phaseopt.output.compare import compare as compared
    from phaseopt.output.compare_document import compare_document
    from phaseopt.output.compare_files import compare_files
    from phaseopt.output.directory import require_outside, require_replaceable, write_files
    from phaseopt.output.read_build import read_build
    from phaseopt.output.records.compare import CompareRecord

    if out is not None:
        require_outside(out, first, second)
        require_replaceable(out)
    found = compared(read_build(first), read_build(second))
    if out is not None:
        write_files(out, compare_files(found))
    return Answer(
        compare_document(found),
        lambda: CompareRecord.of(found),
        written=[] if out is None else [out],
    )
