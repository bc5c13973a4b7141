"""Times of day in the time column of a log."""

from pathlib import Path

import numpy as np
import pytest

from phaseopt.project import Dialect
from phaseopt.torque.channels import read_channels
from phaseopt.values.errors import InputError

from .dyno import dyno_project

COLUMNS = {"rpm": "rpm", "torque": "tq", "time": "t"}


def times(folder: Path, *cells: str) -> list[float]:
    """Seconds of a log whose rows have these times."""
    rows = "".join(f"{cell},{2000 + k},150\n" for k, cell in enumerate(cells))
    torque = dyno_project(folder, {"b.csv": "t,rpm,tq,map,icam\n1,2000,150,98,0\n"}).torque
    assert torque is not None
    (folder / "a.csv").write_text(f"t,rpm,tq\n{rows}")
    found = read_channels(folder / "a.csv", torque, Dialect(), COLUMNS).channels["rpm"].time
    assert found is not None
    return found.tolist()


def test_a_clock_passes_midnight(tmp_path: Path) -> None:
    """A quarter of a second a row, as ISO 8601 writes times of day."""
    found = times(tmp_path, "23:59:59.5", "23:59:59.75", "00:00:00.0", "00:00:00.25")
    assert np.diff(found).tolist() == [0.25] * 3


def test_a_date_before_the_time_counts(tmp_path: Path) -> None:
    """ISO 8601: a day later is 86,400 s later."""
    assert np.diff(times(tmp_path, "2024-02-29 12:00:00", "2024-03-01T12:00:00.5")).tolist() == [86400.5]


@pytest.mark.parametrize("cells", [("80000.0", "1.0"), ("2024-03-02 23:00:00", "2024-03-01 01:00:00")])
def test_only_a_clock_without_a_date_passes_midnight(tmp_path: Path, cells: tuple[str, ...]) -> None:
    with pytest.raises(InputError, match=r"line 3: .* runs backwards"):
        times(tmp_path, *cells)


def test_what_is_no_time_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="line 3: t 'noon' is not a finite number"):
        times(tmp_path, "12:00:00", "noon", "12:00:01")
