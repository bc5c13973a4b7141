"""The bench: what is entered is held against the rest, and the limits on the page are those of the file."""

import math
import os
from pathlib import Path

import numpy as np
import pytest

from phaseopt.job.stages import check_tables, phase_limits
from phaseopt.live.bench import Bench
from phaseopt.live.edits import KeyChange, change
from phaseopt.live.readings import add_row, row_in, take_lobe
from phaseopt.live.studies import stored_studies, study_page, study_pages
from phaseopt.project.load import load_project
from phaseopt.tables import PhaseTables
from phaseopt.values.errors import InputError

from .looks import Looks, bench_of, looked

STROKE, ROD, TILT = 81.0, 138.0, 20.0  # of the small project


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return bench_of(tmp_path)


@pytest.fixture(autouse=True)
def _no_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _handle: None)


def fall(theta: float) -> float:
    """How far the piston is below its highest place, mm: slider-crank, Heywood, Internal Combustion Engine
    Fundamentals (1988), equation 2.5."""
    crank, angle = STROKE / 2, math.radians(theta)
    return ROD + crank - (crank * math.cos(angle) + math.sqrt(ROD**2 - (crank * math.sin(angle)) ** 2))


def sitting(slip: float = 0.0) -> list[list[float]]:
    """Readings of a drop of 6.2 mm at TDC over a floor parallel to the head, one of them misread by `slip` mm."""
    k = math.cos(math.radians(TILT))
    read = [[float(angle), round(6.2 + k * fall(angle), 2)] for angle in range(-15, 16, 5)]
    read[5][1] = round(read[5][1] + slip, 2)
    return read


def with_readings(bench: Bench, read: list[list[float]]) -> None:
    change(bench.file, [KeyChange("drop.intake.around_tdc", read), KeyChange("drop.intake.readings", None)])


def boxes_of(file: Path) -> list[dict[str, float]]:
    return [vars(box) for box in phase_limits(load_project(file)).boxes]


def test_the_safe_box_is_that_of_the_file_and_shows_what_was_before(bench: Bench) -> None:
    first = looked(bench).facts["box"]
    assert first["boxes"] == boxes_of(bench.file)
    assert first["before"] == []
    change(bench.file, [KeyChange("gap.static.intake", 4.0)])
    then = looked(bench).facts["box"]
    assert then["boxes"] == boxes_of(bench.file)
    assert then["before"] == first["boxes"]
    assert then["boxes"][0]["intake_to"] < first["boxes"][0]["intake_to"]
    assert then["closest"]["static"] >= 4.0 or then["closest"]["contact"] != "intake_piston"


def test_a_look_that_failed_leaves_no_limits_of_other_files(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    looked(bench)
    change(bench.file, [KeyChange("gap.static.intake", 4.0)])
    with monkeypatch.context() as broken:
        broken.setattr("phaseopt.live.bench_fields.fits_of", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            looked(bench)
    assert looked(bench).facts["box"]["boxes"] == boxes_of(bench.file)


def test_the_closest_clearance_is_the_least_of_the_whole_box(bench: Bench) -> None:
    near = looked(bench).facts["closest"]
    (box,) = phase_limits(project := load_project(bench.file)).boxes
    phases = np.linspace(box.intake_from, box.intake_to, 9)
    rpm, load = project.tables.rpm[:9], project.tables.load[:1]
    tables = PhaseTables.of(rpm, load, phases[: len(rpm), None], np.zeros((len(rpm), 1)))
    cells = check_tables(project, tables).cells
    assert near["static"] <= float(cells["static"].sel(contact=near["contact"]).min()) + 1e-9
    assert near["running"] <= float(cells["running"].sel(contact=near["contact"]).min()) + 1e-9


def test_full_travel_that_hits_stands_beside_the_safe_box(bench: Bench) -> None:
    found = looked(bench)
    assert any("HITS" in line for line in found.wait("travel", "lead")) == (
        phase_limits(load_project(bench.file)).full_travel.verdict == "hits"
    )


def test_what_the_next_reading_would_earn_follows(bench: Bench) -> None:
    parts = looked(bench)
    assert parts.wait("bench", "verdict").startswith("CLEAR")
    assert isinstance(parts.wait("measure", "measures"), list)


@pytest.mark.parametrize("slip", [0.0, 0.12])
def test_a_misread_drop_shows_beside_its_field(bench: Bench, slip: float) -> None:
    with_readings(bench, sitting(slip))
    fits = looked(bench).facts["fields"]["fits"]
    off = [float(fits[f"drop.intake.around_tdc.{n}"].split(" mm")[0].replace("−", "-")) for n in range(1, 8)]
    assert max(range(7), key=lambda n: abs(off[n])) == 5 if slip else max(map(abs, off)) <= 0.02
    if slip:
        assert 0.5 * slip < off[5] <= slip


def test_a_value_is_tried_as_it_is_typed_and_nothing_is_written(bench: Bench) -> None:
    with_readings(bench, sitting())
    before = bench.file.read_bytes()
    good = bench.tried({"key": "drop.intake.around_tdc.6.2", "value": f"{sitting()[5][1]:.2f}".replace(".", ",")})
    assert good["state"] == "UNKNOWN"
    assert any("read as" in each for each in good["remarks"])
    assert len(good["fits"]) == 1
    wrong = bench.tried({"key": "drop.intake.around_tdc.6.2", "value": "9.99"})
    assert "entry 6" in " ".join(wrong["remarks"])
    slipped = bench.tried({"key": "intake.degree_in.lifts.1.opening", "value": "23.8", "way": "after TDC"})
    assert any("Fix" in each for each in slipped["remarks"])
    assert bench.file.read_bytes() == before


@pytest.mark.parametrize(
    ("key", "value", "wanted"),
    [
        ("intake.lash", "9", "lash"),
        ("crank.bore", "abc", "bore"),
        ("intake.tilt", "-3", "tilt"),
        ("intake.x", "1", "key"),
    ],
)
def test_a_value_that_no_engine_has_is_refused_before_it_is_written(
    bench: Bench, key: str, value: str, wanted: str
) -> None:
    with pytest.raises(InputError, match=wanted):
        bench.may({"key": key, "value": value})


def test_a_project_with_a_mistake_can_be_fixed_by_its_field(bench: Bench) -> None:
    text = bench.file.read_bytes()
    bench.file.write_bytes(text.replace(b"bore = 79.0 ", b"bore = -79.0"))
    parts = looked(bench)
    assert "crank.bore" in parts.facts["mistakes"]["messages"][0]
    assert {name: parts.facts[name]["state"] for name in ("box", "bench", "measure")} == dict.fromkeys(
        ("box", "bench", "measure"), "UNKNOWN"
    )
    assert 'data-key="intake.lash"' in parts.html["fields"]
    with pytest.raises(InputError):
        bench.may({"key": "crank.bore", "value": "-80"})
    bench.may({"key": "crank.bore", "value": "79.0"})
    bench.file.write_bytes(b"bore = = 1\n")
    assert looked(bench).facts["mistakes"]["messages"]


def test_text_of_the_project_is_escaped(bench: Bench) -> None:
    change(bench.file, [KeyChange("name", "<script>alert(1)</script>"), KeyChange("intake.lobe", '"><script>x')])
    parts = looked(bench)
    assert not any("<script" in html for html in parts.html.values())


def test_readings_are_added_in_their_order_by_one_page_at_a_time(bench: Bench) -> None:
    with_readings(bench, sitting()[:3])
    row = {"key": "drop.intake.around_tdc.4", "cells": [{"value": "0", "way": "after TDC"}, {"value": "6,2"}]}
    bench.may_row(row)
    add_row(bench.file, row)
    assert load_project(bench.file).drop.intake.around_tdc[-1] == (0.0, 6.2)
    with pytest.raises(InputError, match="meanwhile"):
        add_row(bench.file, row)
    lift = {
        "key": "exhaust.degree_in.lifts.3",
        "cells": [{"name": "lift", "value": "3"}, {"name": "opening", "value": "195", "way": "before TDC"},
                  {"name": "closing", "value": ""}],
    }  # fmt: skip
    add_row(bench.file, lift)
    read = load_project(bench.file).exhaust.degree_in
    assert read is not None
    assert (read.lifts[-1].lift, read.lifts[-1].opening, read.lifts[-1].closing) == (3.0, -195.0, None)
    first = {"key": "drop.exhaust.around_tdc.1", "cells": [{"value": "5", "way": "before TDC"}, {"value": "6"}]}
    add_row(bench.file, first)
    assert load_project(bench.file).drop.exhaust.around_tdc == ((-5.0, 6.0),)
    with pytest.raises(InputError, match="blank"):
        row_in({"key": "drop.intake.around_tdc.5", "cells": [{"value": "5"}, {"value": ""}]})


def test_a_lobe_file_goes_into_its_folder_under_a_name_of_its_own(bench: Bench) -> None:
    content = (bench.file.parent / "lobes" / "intake.csv").read_bytes()
    take_lobe(bench.file, {"side": "intake", "name": "../../Wild cam #3.CSV", "content": content})
    assert load_project(bench.file).intake.lobe == bench.file.parent / "lobes" / "Wild-cam-3.csv"
    take_lobe(bench.file, {"side": "intake", "name": "intake.csv", "content": content + b"\n"})
    assert load_project(bench.file).intake.lobe == bench.file.parent / "lobes" / "intake-2.csv"
    assert (bench.file.parent / "lobes" / "intake.csv").read_bytes() == content
    for name, data in (("cam.exe", content), ("cam.csv", b"x" * 6_000_000), ("cam.csv", b""), ("cam.toml", content)):
        with pytest.raises(InputError):
            take_lobe(bench.file, {"side": "intake", "name": name, "content": data})
    with pytest.raises(InputError):
        take_lobe(bench.file, {"side": "gap", "name": "cam.csv", "content": content})


def test_a_folder_of_lobes_that_leads_elsewhere_is_refused(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    outside = tmp_path / "elsewhere"
    (bench.file.parent / "lobes").rename(outside)
    (bench.file.parent / "lobes").symlink_to(outside)
    with pytest.raises(InputError, match="leads out"):
        take_lobe(bench.file, {"side": "intake", "name": "a.csv", "content": b"cam_deg,lift_mm\n"})
    assert not (outside / "a.csv").exists()


def test_the_sheet_is_a_whole_page_with_or_without_limits(bench: Bench) -> None:
    assert bench.sheet({})["html"].startswith("<!DOCTYPE html>")
    looked(bench)
    assert "Wren" in bench.sheet({})["html"]


def test_pages_of_studies_are_listed_and_no_other_file_is_shown(bench: Bench, tmp_path: Path) -> None:
    ours = '<!DOCTYPE html><meta name="generator" content="phaseopt offsets"><p>found</p>'
    folder = bench.file.parent
    for place in ("offsets", ".hidden", "deep/er"):
        (folder / place).mkdir(parents=True)
        (folder / place / "offsets.html").write_text(ours, encoding="utf-8")
    (folder / "parts.html").write_text("<p>somebody's own</p>", encoding="utf-8")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "report.html").write_text(ours, encoding="utf-8")
    (folder / "link").symlink_to(tmp_path / "out")
    (folder / "report.html").symlink_to(tmp_path / "out" / "report.html")
    assert sorted(page.path for page in study_pages(bench.file)) == ["deep/er/offsets.html", "offsets/offsets.html"]
    assert "found" in study_page(bench.file, "offsets/offsets.html")
    for name in ("../out/report.html", "/etc/passwd", "report.html", "link/report.html", "project.toml", "parts.html"):
        with pytest.raises(InputError, match="not listed"):
            study_page(bench.file, name)
    (folder / ".phaseopt").mkdir(exist_ok=True)
    (folder / ".phaseopt" / "parts.sqlite").touch()
    assert stored_studies(bench.file) == ["parts"]
    parts = Looks()
    bench.look(parts.put)
    assert [page["path"] for page in parts.facts["studies"]["pages"]] == [p.path for p in study_pages(bench.file)]
