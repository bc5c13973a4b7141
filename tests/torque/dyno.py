"""Invented dyno logs for tests: text of a CSV, and a project that reads it."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import project_of
from scipy.signal import lfilter

from phaseopt.project import Project
from phaseopt.values.errors import InputError, Mistake

COLUMNS = {
    "rpm": "rpm",
    "torque": "tq",
    "load": "map",
    "throttle": "tps",
    "intake_phase": "icam",
    "exhaust_phase": "ecam",
}
CHANNELS = {
    "intake": {"sign": 1, "zero": 0.0, "in": "crank deg"},
    "exhaust": {"sign": 1, "zero": 0.0, "in": "crank deg"},
}
PULL = {"kind": "sweep", "files": ["a.csv"]}
AIR = {"pressure": 99.0, "temperature": 25.0, "humidity": 0.0}


def curve(rpm: np.ndarray) -> np.ndarray:
    """The invented engine's torque at full throttle, N m, with a dip."""
    return 160.0 + 25.0 * np.sin(rpm / 1500.0) - 8.0 * np.exp(-(((rpm - 4200.0) / 350.0) ** 2))


def filtered_noise(rng: np.random.Generator, n: int, deviation: float, correlation: float) -> np.ndarray:
    """First-order filtered noise with a given deviation and correlation from row to row."""
    steps = rng.normal(0.0, deviation * np.sqrt(1 - correlation**2), n)
    steps[0] /= np.sqrt(1 - correlation**2)
    return np.asarray(lfilter([1.0], [1.0, -correlation], steps))


def sweep(start: float = 1500.0, stop: float = 6500.0, rows: int = 500, **channels: Any) -> dict[str, np.ndarray]:
    """Columns of a full-throttle sweep at intake 20, exhaust -10 degrees of phase; `channels` replace columns."""
    rpm = np.linspace(start, stop, rows)
    log = {"rpm": rpm, "tq": curve(rpm), "map": np.full(rows, 98.0), "tps": np.full(rows, 100.0)}
    log |= {"icam": np.full(rows, 20.0), "ecam": np.full(rows, -10.0)}
    return log | {name: np.broadcast_to(np.asarray(values, dtype=float), rows) for name, values in channels.items()}


def csv_text(log: dict[str, np.ndarray]) -> str:
    """A log as a CSV file with every digit."""
    rows = zip(*(values.tolist() for values in log.values()), strict=True)
    return ",".join(log) + "\n" + "".join(",".join(map(repr, row)) + "\n" for row in rows)


def dyno_project(
    folder: Path, files: dict[str, str], pulls: list[dict[str, Any]] | None = None, **torque: Any
) -> Project:
    """A project with these logs; `torque` replaces keys of its torque section, other sections by `sections`."""
    sections = torque.pop("sections", {})
    files = {name: f"{text}{chr(10) * number}" for number, (name, text) in enumerate(files.items())}  # none a copy
    section: dict[str, Any] = {
        "correction": "none",
        "columns": COLUMNS,
        "phases": CHANNELS,
        "full_throttle": {"throttle_above": 95},
        "pulls": [PULL] if pulls is None else pulls,
    }
    return project_of(folder, files, torque=section | torque, **sections)


def mistakes_of(action: Callable[..., Any], *arguments: Any, **named: Any) -> tuple[Mistake, ...]:
    """The mistakes for which something is refused; each has a fix."""
    with pytest.raises(InputError) as caught:
        action(*arguments, **named)
    assert all(mistake.hint for mistake in caught.value.mistakes)
    return caught.value.mistakes


def mistake_of(action: Callable[..., Any], *arguments: Any, **named: Any) -> Mistake:
    """The one mistake for which something is refused."""
    (mistake,) = mistakes_of(action, *arguments, **named)
    return mistake


def with_facts(texts: Iterable[str], *facts: object) -> list[str]:
    """The texts that have all of these facts in them: names, keys and figures, in any sentence."""
    return [text for text in texts if all(str(fact) in text for fact in facts)]
