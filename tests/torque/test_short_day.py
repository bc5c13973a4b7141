"""The hill-climb example's pulls as a folder of logs: under half of the values typed, the same points.

Each log gets the line that many loggers write above the names, when it began (common practice, no source).
"""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from hillclimb import HILLCLIMB, pulls_alone_file

from phaseopt.project.load import load_project
from phaseopt.torque import reduce_logs

SHORT = """logs = "logs/"
weather = { at = ["9:00", "11:20", "13:40"], pressure = [98.7, 98.6, 98.4], temperature = [18.0, 21.0, 23.0], humidity = [0.55, 0.50, 0.47] }
"""  # noqa: E501
EXCEPTIONS = """
[[torque.pulls]]
files = ["spring.csv"]
weather = { pressure = 99.6, temperature = 14.0, humidity = 0.62 }
offsets = { intake = -8.0, exhaust = 6.0 }

[[torque.pulls]]
kind = "steady"
files = ["steady-*.csv"]
weather = { at = ["9:00", "10:00"], pressure = [99.1, 99.0], temperature = [17.0, 20.5], humidity = [0.58, 0.53] }
"""


BEGAN = {
    "spring.csv": "10:30",
    **{f"sweep-{n:02}.csv": f"{9 + (n - 1) * 25 // 60}:{(n - 1) * 25 % 60:02}" for n in range(1, 13)},
    **{f"steady-{at}.csv": f"9:{n * 14:02}" for n, at in enumerate(("35", "50", "65", "80", "low"))},
}


def values(entry: Any) -> int:
    """How many values were typed."""
    if isinstance(entry, dict | list):
        return sum(map(values, entry.values() if isinstance(entry, dict) else entry))
    return 1


def test_under_half_is_typed_for_the_same_points(tmp_path: Path) -> None:
    whole = pulls_alone_file(tmp_path)
    text = whole.read_text(encoding="utf-8")
    head, _, listed = text.partition("[[torque.pulls]]")
    (tmp_path / "logs").mkdir()
    for name, began in BEGAN.items():
        log = (HILLCLIMB.parent / "dyno" / name).read_text(encoding="utf-8")
        (tmp_path / "logs" / name).write_text(f"Start time,{began}\n{log}", encoding="utf-8")
    short = tmp_path / "short.toml"
    short.write_text(head.replace("[torque]\n", f"[torque]\n{SHORT}") + EXCEPTIONS, encoding="utf-8")

    typed = [values(tomllib.loads(part)) for part in (f"[[torque.pulls]]{listed}", f"{SHORT}{EXCEPTIONS}")]
    assert typed[1] < typed[0] / 2

    long, brief = (_by_name(file) for file in (whole, short))
    assert (brief["pull_name"] == long["pull_name"]).all()
    np.testing.assert_allclose(brief["torque"], long["torque"], rtol=1e-3)


def _by_name(file: Path) -> pd.DataFrame:
    """The points of a project, in the order of their pulls' names."""
    points = reduce_logs(load_project(file)).points
    table = points.drop_vars("pull_name").to_dataframe()
    table["pull_name"] = points["pull_name"].to_numpy()[table["pull"].to_numpy()]
    return table.sort_values(["pull_name", "rpm", "load", "icl", "ecl"], ignore_index=True)
