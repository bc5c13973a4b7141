"""When a log began, by each thing that shows it; MDF headers as package asammdf writes them."""

import os
from datetime import datetime, time, timedelta, timezone
from pathlib import Path

import asammdf
import numpy as np
import pytest

from phaseopt.io.start_time import start_time
from phaseopt.project import Dialect

ROWS = "time,rpm\n0.0,3000\n0.1,3010\n"


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("a.csv", "time,rpm\n14:05:33.2,3000\n14:05:33.3,3010\n", time(14, 5, 33)),
        ("a.csv", "time,rpm\n2026-05-03T14:05:33,3000\n", time(14, 5, 33)),
        ("a.csv", "time;rpm\n2:05:33,4 PM;3000\n", time(14, 5, 33)),
        ("a.csv", "Date: 3.5.2026\nTime: 14:05\n" + ROWS, time(14, 5)),
        ("a.csv", "Exported 18:20\nStart time,9:07 am\nEnd time,9:12\n" + ROWS, time(9, 7)),
        ("a.csv", "Uhrzeit: 08:59:01\n" + ROWS, time(8, 59, 1)),
        ("pull 2026-05-03_1405.csv", ROWS, time(14, 5)),
        ("20260503-140533.csv", ROWS, time(14, 5, 33)),
        ("2026-05-03 14.05.33.csv", ROWS, time(14, 5, 33)),
        # what shows no time of day
        ("a.csv", ROWS, None),
        ("a.csv", "time,rpm\n00:00:00.0,3000\n00:00:00.1,3010\n", None),
        ("a.csv", "time,rpm\n00:12:30.0,3000\n", None),
        ("a.csv", "Duration: 14:05\n" + ROWS, None),
        ("a.csv", "Time: 9:00\nDate and time: 14:05\n" + ROWS, None),
        ("2026-05-03_0012.csv", ROWS, None),
        ("03-05-26.csv", ROWS, None),
        ("a.csv", "", None),
    ],
)
def test_what_a_log_shows_of_its_start(tmp_path: Path, name: str, text: str, expected: time | None) -> None:
    file = tmp_path / name
    file.write_text(text, encoding="utf-8")
    os.utime(file, (0, 0))  # when it was written last shows nothing
    assert start_time(file, "time", Dialect()) == expected


@pytest.mark.parametrize(
    ("version", "zone", "expected"),
    [
        ("4.10", None, time(14, 5, 33)),
        ("4.10", timezone(timedelta(hours=2)), time(14, 5, 33)),
        ("3.30", None, time(14, 5, 33)),
    ],
)
def test_an_mdf_header_shows_local_time(tmp_path: Path, version: str, zone: timezone | None, expected: time) -> None:
    """Source: package asammdf, which writes the header by ASAM MDF."""
    made = asammdf.MDF(version=version)
    made.header.start_time = datetime(2026, 5, 3, 14, 5, 33, tzinfo=zone)
    made.append([asammdf.Signal(np.arange(5.0), np.arange(5.0), name="rpm")])
    file = Path(made.save(tmp_path / "a.mf4", overwrite=True))
    made.close()
    assert start_time(file, None, Dialect()) == expected
