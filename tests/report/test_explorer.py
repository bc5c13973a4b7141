"""The explorer's data: what the contact model and `cells.csv` say, at every phase that a slider can stand at."""

import base64
import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from small_builds import small_build

from phaseopt.clearance.rules import running_gaps
from phaseopt.job.build import Build
from phaseopt.report.explorer import MICRON, explorer_data


def unpacked(text: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), "<i2").astype(float)


def test_least_gaps_are_those_of_the_bounds_and_never_more(both: Build) -> None:
    """Asked anew of the contact model at every pair of phases: within a micron of rounding, and never above."""
    data, model = explorer_data(both), both.contact
    pairs = np.stack(np.meshgrid(*data["phases"].values(), indexing="ij"), axis=-1).reshape(-1, 2)
    gaps = model.gaps(np.repeat(pairs, 2, axis=1))
    top = running_gaps(model, gaps, model.top_speed)
    by_hand = model.by_hand(pairs)
    for k, contact in enumerate(data["contacts"]):
        near = by_hand[:, k] < 30.0
        assert (unpacked(contact["by_hand"]) * MICRON <= by_hand[:, k] + 1e-9)[near].all()
        for shown, asked in (
            (unpacked(contact["static"]) * MICRON, gaps.static[:, k]),
            (unpacked(contact["swept"]) * MICRON - contact["taken"][-1], top[:, k]),
        ):
            near = asked < 30.0
            # Both are lower bounds at most 0.001 mm below the truth: they may differ by that, and by rounding down.
            assert (shown[near] <= asked[near] + 0.001 + 1e-9).all()
            assert (shown[near] >= asked[near] - 0.004).all()


def test_torque_at_a_cell_is_the_tables_own(both: Build) -> None:
    data = explorer_data(both)["torque"]
    mean = unpacked(data["mean"]).reshape(both.tables.intake.size, len(data["intake"]), len(data["exhaust"]))
    uncertainty = unpacked(data["uncertainty"]).reshape(mean.shape)
    r, k = 3, -1
    n = r * both.tables.load.size + both.tables.load.size - 1
    i, e = (np.searchsorted(getattr(both.limits, f"phases_{s}"), data[s]) for s in ("intake", "exhaust"))
    labels = both.best.labels
    assert np.allclose(mean[n] * data["unit"], labels.torque[r, k][np.ix_(i, e)], atol=data["unit"])
    known = np.where(uncertainty[n] < 0, -1 - uncertainty[n], uncertainty[n]) * data["unit"]
    assert np.allclose(known, labels.deviation[r, k][np.ix_(i, e)], atol=data["unit"])
    assert ((uncertainty[n] >= 0) == labels.in_reach[r, k][np.ix_(i, e)]).all()


def test_cells_say_what_cells_csv_says(both: Build, both_files: dict[str, str]) -> None:
    rows = list(csv.DictReader(io.StringIO(both_files["cells.csv"])))
    data = explorer_data(both)
    for row, cell in zip(rows, data["cells"], strict=True):
        assert [float(row["intake_phase"]), float(row["exhaust_phase"])] == cell["phases"]
        for name in ("torque", "torque_sd", "gain", "gain_sd"):
            assert float(row[name]) == cell[name]
        for contact, gaps in zip(both.contact.contacts, cell["gaps"], strict=True):
            shown = [float(row[f"{contact}_{name}"]) for name in ("by_hand", "static", "running")]
            assert shown == pytest.approx(gaps, abs=1e-9)


def test_a_fine_map_stays_small(both: Build) -> None:
    """Gaps at every label and torque at no more than some 25 phases of each cam, at any resolution."""
    data = explorer_data(both)
    assert len(data["torque"]["intake"]) <= 27
    assert len(json.dumps(data)) < 1_500_000


def test_the_top_speed_has_no_rest_of_binary(tmp_path: Path) -> None:
    """1.1 times 6800 rpm is 7480.000000000001 in binary floating point (IEEE 754)."""
    cells = {"rpm": [2000, 6000], "load": [60, 100]}
    build = small_build(
        tmp_path, crank={"redline": 6800, "overspeed": 1.1 * 6800}, tables=cells, gap={"tables_only_guard": True}
    )
    assert build.contact.top_speed != 7480
    assert explorer_data(build)["top"] == 7480
