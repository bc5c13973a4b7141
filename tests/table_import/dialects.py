"""Tables written the way the world writes them, with the `csv` module or by hand."""

import csv
import io
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phaseopt.project import Channel

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Dialect:
    """How a file is written."""

    delimiter: str = ","
    decimal: str = "."
    rpm: str = "down"
    rpm_descends: bool = False
    load_descends: bool = False
    corner: str = ""
    title: tuple[str, ...] = ()
    units: bool = False
    mark: bool = False
    quoting: int = csv.QUOTE_MINIMAL
    line_end: str = "\r\n"
    trailing: bool = False


def written(rpm: FloatArray, load: FloatArray, phases: FloatArray, dialect: Dialect, counts: Channel) -> bytes:
    """A table of phases (R, L) as a file in a dialect, by the `csv` module."""
    numbers = counts.sign * phases / (2.0 if counts.unit == "cam deg" else 1.0) + counts.zero
    speeds, loads = rpm[:: -1 if dialect.rpm_descends else 1], load[:: -1 if dialect.load_descends else 1]
    numbers = numbers[:: -1 if dialect.rpm_descends else 1, :: -1 if dialect.load_descends else 1]
    down, across, cells = (speeds, loads, numbers) if dialect.rpm == "down" else (loads, speeds, numbers.T)

    def text(value: float) -> str:
        return repr(float(value)).removesuffix(".0").replace(".", dialect.decimal)

    out = io.StringIO(newline="")
    writer = csv.writer(
        out,
        delimiter=dialect.delimiter,
        quoting=dialect.quoting,
        lineterminator=dialect.line_end,  # type: ignore[arg-type]
    )
    blank = [""] if dialect.trailing else []
    for line in dialect.title:
        writer.writerow([line])
    writer.writerow([dialect.corner, *map(text, across), *blank])
    if dialect.units:
        writer.writerow(["unit", *["deg"] * len(across), *blank])
    for value, row in zip(down, cells, strict=True):
        writer.writerow([text(value), *map(text, row), *blank])
    return out.getvalue().encode("utf-8-sig" if dialect.mark else "utf-8")
