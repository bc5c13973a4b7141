"""A CSV of records as named columns, each with its unit and meaning: one place that formats numbers and text."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

# What a spreadsheet may run where it begins a text: OWASP, "CSV Injection" (from memory), with the full-width signs.
_FORMULA = (*"=+-@\t\r\n", *"\uff1d\uff0b\uff0d\uff20")


@dataclass(frozen=True, eq=False)
class Column:
    """One column: `values` numbers (n,) in `unit`, written with at most `decimals`, or texts where `unit` is ""."""

    name: str
    meaning: str
    values: npt.NDArray[np.float64] | Sequence[str]
    unit: str = ""
    decimals: int = 6

    @property
    def is_text(self) -> bool:
        """Whether it holds text."""
        return self.unit == ""

    def texts(self) -> list[str]:
        """The cells as written; text that a spreadsheet would run as a formula gets a leading apostrophe.

        >>> Column("a", "", np.array([1.0, -0.25, np.nan]), "mm", 1).texts(), Column("b", "", ["=1+1"]).texts()
        (['1', '-0.2', ''], ["'=1+1"])
        """
        if self.is_text:
            return [f"'{text}" if str(text).startswith(_FORMULA) else str(text) for text in self.values]
        numbers = np.round(np.asarray(self.values, dtype=np.float64), self.decimals) + 0.0
        return ["" if np.isnan(x) else np.format_float_positional(x, trim="-") for x in numbers]


def csv_text(columns: Sequence[Column]) -> str:
    """Columns of one length as RFC 4180 CSV with a header row and CR LF line ends."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([column.name for column in columns])
    writer.writerows(zip(*(column.texts() for column in columns), strict=True))
    return text.getvalue()
