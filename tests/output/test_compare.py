"""Two builds side by side: differences are plain subtractions of what both wrote, and nothing is hidden."""

import csv
import hashlib
import io
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import csvw
import numpy as np
import pytest
from engines import SEATS, write_project
from printed import printed, require_documented
from read_document import unexplained
from simulated_pulls import SMALL
from small_builds import small_build
from typer.testing import CliRunner

from phaseopt.cli import app
from phaseopt.job.build import Build, build
from phaseopt.output.compare import Comparison, compare
from phaseopt.output.compare_document import compare_document
from phaseopt.output.compare_files import compare_files
from phaseopt.output.directory import write_files
from phaseopt.output.files import build_files
from phaseopt.output.read_build import FinishedBuild, read_build
from phaseopt.output.records.compare import CompareRecord
from phaseopt.project.load import load_project
from phaseopt.report.terminal import terminal_text
from phaseopt.study.what_if import torque_between
from phaseopt.tables import read_table
from phaseopt.values.errors import InputError


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A small engine, and the same with its intake cam fitted four degrees later."""
    places = []
    for name, offset in (("one", -6.0), ("two", -10.0)):
        folder = tmp_path_factory.mktemp(name)
        changes = {"seats": SEATS, "gap": {"tables_only_guard": True}, "intake": {"offset": offset}}
        write_files(folder / "out", build_files(small_build(folder, **changes)))
        places.append(folder / "out")
    return places[0], places[1]


@pytest.fixture(scope="module")
def found(folders: tuple[Path, Path]) -> Comparison:
    return compare(read_build(folders[0]), read_build(folders[1]))


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Build]:
    """A small engine simulated alone, and the same with longer primaries; each written beside its project."""
    built = {}
    for name, length in (("short", 450), ("long", 600)):
        exhaust = {**SMALL["cycle"]["exhaust"], "primary": [{"length": length, "start": 40}]}
        folder = tmp_path_factory.mktemp(name)
        path = write_project(folder, **{**SMALL, "cycle": {**SMALL["cycle"], "exhaust": exhaust}})
        built[name] = build(load_project(path))
        write_files(folder / "out", build_files(built[name]))
    return built


def finished(built: Build) -> FinishedBuild:
    return read_build(built.project.folder / "out")


def test_what_both_builds_share_is_not_in_the_difference(simulated: dict[str, Build]) -> None:
    """Less than a fifth of the ± of both together, as most of what is unsure is the same engine; as in memory."""
    short, long = simulated["short"], simulated["long"]
    found = compare(finished(short), finished(long))
    assert found.torque is not None
    assert found.mean is not None
    assert (found.torque["deviation"] < 0.2 * found.torque["at_most"]).all()
    own = 0.004 * np.hypot(found.mean[0], found.mean[1])  # what either exhaust may do beyond all tolerances
    assert own < found.mean[3] < 0.2 * float(found.torque["mean_at_most"])
    between = torque_between(short, long)
    assert between is not None
    assert not between.at_most
    assert between.deviation == pytest.approx(found.mean[3], rel=1e-4)
    shown = " ".join(terminal_text(compare_document(found)).split())
    assert f"{found.mean[2]:+.1f} ± {2 * found.mean[3]:.1f} N·m on average at full throttle; most of what" in shown
    assert "at most" not in shown
    record = CompareRecord.of(found)
    assert not record.at_most
    require_documented("compare", record.model_dump(mode="json"))


def test_only_what_belongs_to_the_other_part_is_another_unknown(simulated: dict[str, Build]) -> None:
    one, other = (finished(each).record.unknowns for each in simulated.values())
    assert one is not None
    assert other is not None
    both = zip(one.variables, other.variables, strict=True)
    assert {a.name for a, b in both if a.part != b.part} == {
        "exhaust walls", "primary length", "secondary length", "tail length"
    }  # fmt: skip
    assert {kind for kind, part in one.parts.items() if part != other.parts[kind]} == {"exhausts"}


def test_a_build_beside_itself_differs_by_nothing(simulated: dict[str, Build]) -> None:
    found = compare(*[finished(simulated["long"])] * 2)
    assert found.mean is not None
    assert found.mean[2:] == (0.0, 0.0)


def test_a_build_of_an_earlier_version_still_says_at_most(simulated: dict[str, Build], tmp_path: Path) -> None:
    shutil.copytree(simulated["long"].project.folder / "out", tmp_path / "out")
    rewritten(tmp_path / "out", lambda record: record.pop("unknowns"))
    found = compare(finished(simulated["short"]), read_build(tmp_path / "out"))
    assert found.mean is not None
    assert found.torque is not None
    assert found.mean[3] == float(found.torque["mean_at_most"])
    assert CompareRecord.of(found).at_most
    assert "at most" in terminal_text(compare_document(found))


def test_unknowns_of_unlike_lengths_are_refused(simulated: dict[str, Build], tmp_path: Path) -> None:
    shutil.copytree(simulated["long"].project.folder / "out", tmp_path / "out")
    rewritten(tmp_path / "out", lambda record: record["unknowns"]["variables"].pop())
    with pytest.raises(InputError, match="unknowns is not what a build writes"):
        read_build(tmp_path / "out")


def cells(folder: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((folder / "cells.csv").read_text(encoding="utf-8"))))


def test_inputs_that_changed_are_named_by_key(found: Comparison) -> None:
    assert [(c.what, c.first, c.second) for c in found.keys] == [("intake.offset", -6.0, -10.0)]
    assert [c.what for c in found.files] == ["project.toml"]
    assert "rest of the intake cam is another" in " ".join(terminal_text(compare_document(found)).split())


def test_differences_are_those_of_what_both_wrote(found: Comparison, folders: tuple[Path, Path]) -> None:
    one, other = (cells(folder) for folder in folders)
    assert found.torque is not None
    full = [(float(a["torque"]), float(b["torque"])) for a, b in zip(one, other, strict=True) if a["load"] == "100"]
    assert found.torque["difference"].to_numpy() == pytest.approx([b - a for a, b in full])
    for side in ("intake", "exhaust"):
        tables = [read_table(folder / f"{side}_phase.csv").to_numpy() for folder in folders]
        assert np.array_equal(found.tables[side]["difference"].to_numpy(), tables[1] - tables[0])
    for (contact, rule), both in found.clearances.items():
        for rows, gap in zip((one, other), both, strict=True):
            assert gap.clearance == min(float(row[f"{contact}_{rule}"]) for row in rows)


def test_four_degrees_of_offset_are_four_degrees_of_clamp(found: Comparison) -> None:
    """Authority of a phaser from its offset (common practice, no source): fitted four degrees later, the cam may be
    advanced four degrees further from rest before it meets the piston."""
    (edge,) = (c for c in found.clamps if c.what == "intake_to")
    assert edge.second - edge.first == 4.0


def test_its_files_are_valid_and_its_page_says_what_the_terminal_says(found: Comparison, tmp_path: Path) -> None:
    files = compare_files(found)
    for name, text in files.items():
        (tmp_path / name).write_bytes(text.encode())
    assert csvw.CSVW(str(tmp_path / "full_load.csv"), validate=True).is_valid
    for words in ("intake.offset: -6 to -10", "adds the uncertainty of both builds", "ocal rules"):
        assert words in unexplained(files["compare.html"])
        assert words in " ".join(terminal_text(compare_document(found)).split())
    record = CompareRecord.of(found)
    assert [each.first.clearance for each in record.clearances] == [
        first.clearance for first, _ in found.clearances.values()
    ]
    require_documented("compare", record.model_dump(mode="json"))


def test_the_same_build_twice_differs_in_nothing(folders: tuple[Path, Path]) -> None:
    result = CliRunner().invoke(app, ["compare", str(folders[0]), str(folders[0])])
    assert result.exit_code == 0
    assert "Nothing differs" in result.output


def test_power_is_torque_times_speed(found: Comparison) -> None:
    """P = 2π n T (ISO 80000-4): kW from N·m and rpm; peak power is that of a speed that was measured."""
    assert found.torque is not None
    record = CompareRecord.of(found)
    assert record.peak_power.first is not None
    at = list(found.torque["rpm"].to_numpy()).index(record.peak_power.first.rpm)
    wanted = float(found.torque["first"][at]) * 2.0 * np.pi * record.peak_power.first.rpm / 60_000.0
    assert record.peak_power.first.power_kW == pytest.approx(wanted, abs=0.01)
    deviations = {}
    for row in csv.DictReader((found.builds[0].directory / "cells.csv").read_text(encoding="utf-8").splitlines()):
        deviations[float(row["rpm"])] = float(row["torque_sd"])  # the last row of a speed is full throttle
    wanted = deviations[record.peak_power.first.rpm] * 2.0 * np.pi * record.peak_power.first.rpm / 60_000.0
    assert record.peak_power.first.power_sd_kW == pytest.approx(wanted, abs=0.01)
    assert "eak power" in terminal_text(compare_document(found))


def test_pulls_that_state_no_offset_are_warned_of(found: Comparison, folders: tuple[Path, Path]) -> None:
    """The second engine has another offset, and the same pulls: they cannot have been made at both."""
    assert found.undated == ("intake",)
    assert "offsets = { intake = -6.0 }" in " ".join(terminal_text(compare_document(found)).split())
    assert compare(read_build(folders[0]), read_build(folders[0])).undated == ()


@pytest.mark.parametrize(
    ("change", "warned"),
    [
        (lambda project: None, False),
        (lambda project: project["crank"].update(stroke=88.0), True),
        (lambda project: project["crank"].update(compression_ratio=12.5), True),
        (lambda project: (project["crank"].update(stroke=88.0),
                          project["drop"].update(measured_with={"stroke": 86.0})), False),
        (lambda project: project["crank"].update(redline=7500), False),
    ],
)  # fmt: skip
def test_readings_of_another_bottom_end_are_warned_of(
    change: Callable[[dict[str, Any]], object], warned: bool, folders: tuple[Path, Path], tmp_path: Path
) -> None:
    shutil.copytree(folders[1], tmp_path / "out")
    rewritten(tmp_path / "out", lambda record: change(record["project_file"]))
    other = compare(read_build(folders[0]), read_build(tmp_path / "out"))
    assert bool(other.old_drops) is warned
    assert ("another engine" in " ".join(terminal_text(compare_document(other)).split())) is warned


def test_readings_carried_over_to_other_parts_are_shown(folders: tuple[Path, Path], tmp_path: Path) -> None:
    """A gasket 0.2 mm thinner: the piston so much nearer, and a chain that turns the cams by 2° a millimetre (common
    practice) unless they were degreed in again."""
    for again, turned in ((False, 0.4), (True, 0.0)):
        folder = tmp_path / str(again)
        folder.mkdir()
        parts = {"measured_with": {"gasket": 1.2}, "built_with": {"gasket": 1.0, "degreed_again": again}}
        changes = {"seats": SEATS, "gap": {"tables_only_guard": True}, "intake": {"offset": -6.0}}
        write_files(folder / "out", build_files(small_build(folder, drop=parts, **changes)))
        other = compare(read_build(folders[0]), read_build(folder / "out"))
        assert other.old_drops == ()
        record = CompareRecord.of(other).carried_drops
        assert record.first is None
        assert record.second is not None
        assert record.second.lower_mm == pytest.approx(-0.2)
        assert record.second.error_mm == pytest.approx(0.1)  # two standard deviations of the default
        assert record.second.turned == pytest.approx(turned)
        shown = " ".join(terminal_text(compare_document(other)).split())
        assert "gasket 1.2, now 1" in shown
        assert ("may have turned" in shown) is (turned > 0)
        least = other.clearances["intake_piston", "static"]
        assert least[1].clearance < least[0].clearance or other.clamps


def test_shares_are_each_change_alone_and_all_together(folders: tuple[Path, Path], tmp_path: Path) -> None:
    """The second project with another caution too: two changes, and together what the two builds differ by."""
    first = folders[0].parent / "project.toml"
    for path in folders[1].parent.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path)
    second = tmp_path / "project.toml"
    second.write_text(second.read_text(encoding="utf-8") + "[search]\ncaution = 0.2\n", encoding="utf-8")
    write_files(tmp_path / "out", build_files(build(load_project(second))))
    places = [str(folders[0]), str(tmp_path / "out")]
    found = printed("compare", *places, "--shares", first, second)
    assert [each["changes"] for each in found["alone"]] == [["intake.offset"], ["search.caution"]]
    gains = [each["torque"]["gain_Nm"] for each in (*found["alone"], found["together"])]
    assert gains[2] == pytest.approx(found["mean_full_load"]["difference_Nm"], abs=0.02)
    assert found["interplay_Nm"] == pytest.approx(gains[2] - gains[0] - gains[1], abs=0.001)
    swapped = CliRunner().invoke(app, ["compare", *places, "--shares", str(second), str(first)])
    assert swapped.exit_code == 2
    assert "--shares" in swapped.output


def test_what_only_one_has_is_shown(folders: tuple[Path, Path], tmp_path: Path) -> None:
    """The second build without an exhaust table, valve to valve, and on other axes."""
    shutil.copytree(folders[1], tmp_path / "out")
    out = tmp_path / "out"
    (out / "exhaust_phase.csv").unlink()
    rows = cells(out)
    text = io.StringIO(newline="")
    keep = [name for name in rows[0] if not name.startswith("valve_valve")]
    writer = csv.DictWriter(text, keep, extrasaction="ignore")
    writer.writeheader()
    writer.writerows([row for row in rows if float(row["rpm"]) >= 3000])
    (out / "cells.csv").write_bytes(text.getvalue().encode())
    rewritten(out, lambda record: record["outputs_sha256"].pop("exhaust_phase.csv"))
    found = compare(read_build(folders[0]), read_build(out))
    assert set(found.apart) == {
        "only one of the builds has a table of the exhaust cam", "valve to valve is covered by only one of the builds"
    }  # fmt: skip
    assert found.torque is not None
    assert float(found.torque["rpm"][0]) == 3000.0


def test_a_project_in_inches_is_compared_in_its_units(folders: tuple[Path, Path], tmp_path: Path) -> None:
    shutil.copytree(folders[1], tmp_path / "out")
    rewritten(tmp_path / "out", lambda run: run["project_file"].update(units="inch"))
    found = compare(*map(read_build, (folders[0], tmp_path / "out")))
    assert (found.display_units.gap.name, found.display_units.torque.name) == ("thou", "lb-ft")


def rewritten(out: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """The record with its hashes made anew, as if the build had written what is there."""
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    change(record)
    for name in record["outputs_sha256"]:
        record["outputs_sha256"][name] = hashlib.sha256((out / name).read_bytes()).hexdigest()
    (out / "run.json").write_text(json.dumps(record), encoding="utf-8")


def test_a_place_that_is_no_build_is_refused(folders: tuple[Path, Path], tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["compare", str(folders[0]), str(tmp_path)])
    assert result.exit_code == 2
    assert str(tmp_path) in " ".join(result.output.split())


@pytest.mark.parametrize(("old", "new"), [(b"rpm", b"rpm\xff"), (b"load", b"lod"), (b"torque,", b"tq,")])
def test_cells_that_no_build_writes_are_refused(
    folders: tuple[Path, Path], tmp_path: Path, old: bytes, new: bytes
) -> None:
    """Though their hash was made to fit."""
    shutil.copytree(folders[0], tmp_path / "odd")
    path = tmp_path / "odd" / "cells.csv"
    path.write_bytes(path.read_bytes().replace(old, new, 1))
    rewritten(tmp_path / "odd", lambda record: None)
    result = CliRunner().invoke(app, ["compare", str(folders[1]), str(tmp_path / "odd")])
    assert result.exit_code == 2
    assert "do not hold what a build writes" in " ".join(result.output.split())


@pytest.mark.parametrize("inside", ["", "page"])
def test_a_build_that_is_read_is_never_replaced(folders: tuple[Path, Path], inside: str) -> None:
    before = {path.name: path.read_bytes() for path in folders[0].iterdir()}
    result = CliRunner().invoke(app, ["compare", *map(str, folders), "--out", str(folders[0] / inside)])
    assert result.exit_code == 2
    assert "which is read" in " ".join(result.output.split())
    assert {path.name: path.read_bytes() for path in folders[0].iterdir()} == before
