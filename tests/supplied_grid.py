"""An engine whose torque is a formula, and the grid that somebody made of it."""

from pathlib import Path
from typing import Any

import numpy as np
from engines import write_project

RPM = (1000, 2000, 3000, 4000, 5000, 6000, 7000, 8000)
LOAD = (40, 70, 100)
ICL = tuple(range(72, 122, 8))
ECL = tuple(range(76, 124, 8))
SECTION: dict[str, Any] = {"file": "torque-grid.csv", "columns": {"icl": "icl", "ecl": "ecl"}}
SMALL: dict[str, Any] = {
    "tables": {"rpm": [2000, 3500, 5000, 6500], "load": [70, 100]},
    "gap": {"tables_only_guard": True},
    "torque_grid": SECTION,
}


def torque_of(rpm: Any, load: Any, icl: Any, ecl: Any) -> Any:
    """Torque, N·m: best at centrelines that move with speed. Invented."""
    best_i, best_e = 90.0 + 18.0 * (rpm - 4000.0) / 4000.0, 104.0 - 8.0 * (rpm - 4000.0) / 4000.0
    bend = ((icl - best_i) / 30.0) ** 2 + ((ecl - best_e) / 40.0) ** 2
    return load / 100.0 * (190.0 - 25.0 * ((rpm - 5000.0) / 3500.0) ** 2 - 22.0 * bend) - 12.0


def grid_rows() -> list[tuple[float, ...]]:
    """Rows (rpm, load, icl, ecl, torque) of the whole grid."""
    places = np.stack(np.meshgrid(RPM, LOAD, ICL, ECL, indexing="ij"), axis=-1).reshape(-1, 4).astype(float)
    return [(*place, round(float(torque_of(*place)), 3)) for place in places]


def grid_csv(rows: list[tuple[float, ...]], header: str = "rpm,load,icl,ecl,torque") -> str:
    """A CSV of rows; nan is an empty cell."""
    return "\n".join([header, *(",".join("" if v != v else f"{v:g}" for v in row) for row in rows)]) + "\n"


def given_project(folder: Path, text: str | None = None, **changes: Any) -> Path:
    """A project on such a grid; `text` of the grid's file, that of the formula unless given."""
    text = grid_csv(grid_rows()) if text is None else text
    return write_project(folder, {"torque-grid.csv": text}, **{**SMALL, **changes})
