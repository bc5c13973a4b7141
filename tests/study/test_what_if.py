"""Changes tried beside a project are what a build of the changed file finds; the file stays as it is."""

from pathlib import Path

import pytest
from engines import SEATS, write_project
from small_builds import small_project

from phaseopt.engine.camshaft import engine_of
from phaseopt.job.build import build
from phaseopt.output.records.what_if import WhatIfRecord
from phaseopt.project.degree_in import DegreeIn, EqualLift
from phaseopt.project.load import load_project
from phaseopt.report.subjects.what_if import what_if_document
from phaseopt.study.offset_range import refitted
from phaseopt.study.what_if import WhatIf, compare_variants, try_changes
from phaseopt.values.progress import silent

CHANGES = ("intake.offset=-8", "gap.running.reserve=0.9")


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_project(tmp_path_factory.mktemp("what-if"), gap={"tables_only_guard": True})


@pytest.fixture(scope="module")
def found(project: Path) -> WhatIf:
    before = project.read_bytes()
    result = try_changes(project, CHANGES)
    assert project.read_bytes() == before
    return result


def test_each_alone_and_all_together_are_beside_the_project_as_it_is(found: WhatIf, project: Path) -> None:
    assert [each.changes for each in found.variants] == [CHANGES[:1], CHANGES[1:], CHANGES]
    assert found.base.project == load_project(project)
    gains = [each.difference.mean for each in found.variants if each.difference is not None]
    assert found.interplay == pytest.approx(gains[2] - gains[0] - gains[1])


def test_a_change_is_what_a_build_of_the_changed_file_finds(found: WhatIf, project: Path) -> None:
    """The file is edited as a builder would: the offset, and the offset of the day in every pull."""
    text = project.read_text(encoding="utf-8")
    assert "offset = -6.0" in text
    edited = text.replace("offset = -6.0", "offset = -8.0").replace(
        'kind = "sweep"', 'kind = "sweep"\noffsets = { intake = -6.0, exhaust = 6.0 }'
    )
    by_file = project.with_name("edited.toml")
    by_file.write_text(edited, encoding="utf-8")
    wanted, variant = build(load_project(by_file), explained=False), found.alone[0].build
    assert variant is not None
    assert (variant.tables.intake == wanted.tables.intake).all()
    assert variant.torque["torque"].to_numpy() == pytest.approx(wanted.torque["torque"].to_numpy())
    assert variant.verdict.worst == wanted.verdict.worst


def test_builds_on_one_torque_model_share_its_uncertainty(found: WhatIf) -> None:
    """The same tables by the same model differ by nothing, and surely so: all of the uncertainty is shared."""
    variant = found.alone[1]
    assert variant.build is not None
    assert variant.difference is not None
    assert (variant.build.tables.intake == found.base.tables.intake).all()
    assert not variant.difference.at_most
    assert float(found.base.torque["torque_sd"].isel(load=-1).mean()) > 0.1  # N·m, of either alone
    assert variant.difference.mean == pytest.approx(0.0, abs=1e-3)
    assert variant.difference.deviation == pytest.approx(0.0, abs=1e-3)


def test_a_variant_that_cannot_be_built_says_why(project: Path) -> None:
    """Full travel of this engine is not clear, so without tables as the accepted guard there is no build."""
    result = try_changes(project, ["gap.tables_only_guard=false"])
    assert result.base.limits.full_travel.verdict != "clear"
    assert result.together.build is None
    assert result.together.difference is None
    assert "full travel" in result.together.refused


def test_what_a_change_leaves_uncovered_is_said(tmp_path: Path) -> None:
    """Where the project as it is has seats and the changed one has none, valve to valve is not covered."""
    base = load_project(small_project(tmp_path, gap={"tables_only_guard": True}, seats=SEATS))
    found = compare_variants(base, [(("seats",), base.model_copy(update={"seats": None}))], silent)
    assert found.together.build is not None
    without = set(found.together.build.verdict.not_covered) - set(found.base.verdict.not_covered)
    assert without
    assert without <= set(what_if_document(found).not_covered)
    assert without <= set(WhatIfRecord.of(found).not_covered)


def test_readings_given_with_an_offset_were_made_at_it(tmp_path: Path) -> None:
    """Exact readings of the cam at the changed offset: they are not carried there once more."""
    base = load_project(write_project(tmp_path))
    fitted = base.intake.model_copy(update={"offset": base.intake.offset - 2.0})
    cam = engine_of(base.model_copy(update={"intake": fitted})).intake
    centre = float(cam.centre(0.0))
    lifts = []
    for lift in (2.0, 6.0):
        before, after = cam.lobe.span(lift + cam.lash)
        lifts.append(EqualLift(lift=lift, opening=centre + before, closing=centre + after))
    changed = base.model_copy(update={"intake": fitted.model_copy(update={"degree_in": DegreeIn(lifts=tuple(lifts))})})
    read = engine_of(refitted(base, changed)).intake.read
    assert read is not None
    assert read.off == pytest.approx(0.0, abs=0.1)
