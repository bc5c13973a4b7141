"""Files of a build with simulation: the air to start a fuel map from, and what every file says."""

import csv
import io
import json
from pathlib import Path

import csvw
import pytest
from read_document import unexplained
from simulated import alone, with_prior

from phaseopt.cycle.grid import KNOCK
from phaseopt.cycle.version import code_version
from phaseopt.job.build import Build
from phaseopt.output.files import build_files

ALONE = "NO TORQUE WAS MEASURED: it is from simulation alone"


@pytest.fixture(scope="module", params=[alone, with_prior], ids=["alone", "with_prior"])
def made(request: pytest.FixtureRequest, hillclimb: Build) -> tuple[bool, dict[str, str]]:
    """Whether the simulation is alone, and the files of the build."""
    return request.param is alone, build_files(request.param(hillclimb))


def test_every_file_that_can_bear_words_says_what_torque_is(made: tuple[bool, dict[str, str]], tmp_path: Path) -> None:
    """A phase table's own format has no room for words; its metadata, which a reader finds by its name, says it."""
    simulated_alone, files = made
    assert {"airflow.csv", "airflow.csv-metadata.json"} <= set(files)
    for name, text in files.items():
        if name.endswith(".csv"):
            assert f"{name}-metadata.json" in files
            continue
        shown = json.loads(text)["dc:description"] if name.endswith("-metadata.json") else unexplained(text)
        assert KNOCK in shown, name
        assert (ALONE in shown) == simulated_alone, name
    for name, text in files.items():
        (tmp_path / name).write_bytes(text.encode())
    for name in files:
        if name.endswith(".csv"):
            assert csvw.CSVW(str(tmp_path / name), validate=True).is_valid, name


def test_without_a_simulation_there_is_no_airflow(hillclimb_files: dict[str, str]) -> None:
    assert "airflow.csv" not in hillclimb_files
    assert json.loads(hillclimb_files["run.json"])["simulation"] is None


def test_airflow_agrees_with_a_sum_by_hand(made: tuple[bool, dict[str, str]], hillclimb: Build) -> None:
    """Ideal gas: 100 kPa and 300 K with R = 287.05 J/(kg K) is 1.16125 kg/m³, so half a litre holds 580.62 mg.

    Nine tenths of it are 522.56 mg; a cell filled to the full has 1 / 0.9 = 1.1111 times as much.
    """
    rows = list(csv.DictReader(io.StringIO(made[1]["airflow.csv"])))
    loads = hillclimb.tables.load.size
    assert len(rows) == hillclimb.tables.intake.size
    first_full = rows[loads - 1]
    assert float(first_full["rpm"]) == hillclimb.tables.rpm[0]
    assert float(first_full["load"]) == hillclimb.tables.load[-1]
    assert float(first_full["air"]) == pytest.approx(580.62, abs=0.06)
    assert float(first_full["air_before"]) == pytest.approx(522.56, abs=0.06)
    assert float(first_full["ratio"]) == pytest.approx(1.1111, abs=6e-5)
    assert rows[loads]["air"] == rows[loads]["ratio"] == ""
    assert float(rows[loads]["air_before"]) == pytest.approx(522.56, abs=0.06)


def test_record_has_grid_axes_factors_and_version(made: tuple[bool, dict[str, str]], hillclimb: Build) -> None:
    simulated_alone, files = made
    record = json.loads(files["run.json"])
    found = record["simulation"]
    assert found["fingerprint"] == "ab" * 16
    assert found["version"] == code_version()
    assert found["axes"]["rpm"] == list(hillclimb.project.tables.rpm)
    assert found["points"] == 16 * 8 * 3 * 4
    if simulated_alone:
        assert found["not_settled"] == 2
        assert found["uncertainty"] == 0.08
        assert found["calibration"] is None
        assert record["torque"]["points"] == 0
        assert record["torque"]["leave_one_out_error_Nm"] is None
    else:
        assert found["calibration"]["factors"] == {"flow": 1.052, "burn duration": 0.93}
        assert found["calibration"]["error_before_Nm"] == 9.75
        assert found["uncertainty"] is None
