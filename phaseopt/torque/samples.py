"""What one file holds of a recording: channels of numbers, each with its own times and lines."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Samples:
    """One channel.

    Parameters
    ----------
    values, time
        (n,) in the program's units, NaN where blank; times in s, or None where nothing tells them.
    column
        The name in the file.
    lines
        The file's line (or the number of the sample) of each value.
    source
        "measured" or "commanded" for a phase, else "".
    """

    values: FloatArray
    time: FloatArray | None
    column: str
    lines: Sequence[int]
    source: str = ""


@dataclass(frozen=True, eq=False)
class Part:
    """One file: its channels by quantity, every column name it has, how it was read."""

    file: Path
    channels: dict[str, Samples]
    names: tuple[str, ...]
    told: tuple[str, ...]
