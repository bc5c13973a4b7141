"""What limits say of valve springs: facts that a builder acts on, the same in words, record and picture."""

from pathlib import Path

import pytest
from clearance.test_separation import STRONG
from engines import project_of
from read_document import lines_of, table_of

from phaseopt.clearance import Limits, contact_model, phase_limits
from phaseopt.output.records.limits import LimitsRecord
from phaseopt.report.document import Lines
from phaseopt.report.figures.springs import spring_margins
from phaseopt.report.springs import spring_sections
from phaseopt.report.subjects.limits import limits_document


@pytest.fixture(scope="module")
def sprung(tmp_path_factory: pytest.TempPathFactory) -> Limits:
    folder = tmp_path_factory.mktemp("sprung")
    spring = {**STRONG, "seat_force": 480.0, "full_lift_force": 1150.0, "solid_height": 22.0}
    return phase_limits(contact_model(project_of(folder, intake={"spring": spring}, exhaust={"spring": spring})))


def test_words_and_record_have_the_same_facts(sprung: Limits) -> None:
    record = LimitsRecord.of(sprung).springs.intake
    assert record is not None
    control = sprung.contact.engine.intake.control
    assert control is not None
    assert record.held_rpm < record.valve_control_rpm - record.error_rpm / 2  # type: ignore[operator]
    said = lines_of(limits_document(sprung), "Valve springs in detail")
    assert f"{round(control.speed.rpm / 50) * 50} ± " in said[0]
    assert f"{100 * record.in_hand:.0f} %" in said[0]  # type: ignore[operator]
    assert any(f"{record.coil_bind:.2f}" in line for line in said)


def test_too_little_in_hand_asks_for_a_shim_that_leaves_what_the_record_says(sprung: Limits) -> None:
    """Closed form: the shim brings force at every lift to 1.2 times inertia, and comes off what coil bind leaves."""
    weaker = {**STRONG, "seat_force": 440.0, "full_lift_force": 1080.0, "solid_height": 22.0}
    cam = sprung.project.intake.model_copy(update={"spring": sprung.project.intake.spring.model_copy(update=weaker)})  # type: ignore[union-attr]
    found = phase_limits(contact_model(sprung.project.model_copy(update={"intake": cam})))
    record = LimitsRecord.of(found).springs.intake
    assert record is not None
    assert record.in_hand < 0.2  # type: ignore[operator]
    (asked, *_) = lines_of(limits_document(found), "Springs")
    assert f"{record.seat_force_needed:.0f} N" in asked
    assert "coil bind" in asked
    assert "retainer to seal" in asked


def test_margins_are_drawn_and_tabled_for_both_sides_of_the_nose(sprung: Limits) -> None:
    drawn = spring_margins(sprung.contact)
    assert drawn is not None
    assert [axes.get_title().split()[0] for axes in drawn.figure.axes] == ["intake", "exhaust"]
    lines = [line.get_label() for line in drawn.figure.axes[0].lines]
    assert {"opening side", "closing side", "overspeed"} <= set(lines)
    table = table_of(limits_document(sprung), "Spring force")
    assert table.rows[-1].label == "8400"
    control = sprung.contact.engine.intake.control
    assert control is not None
    assert float(table.rows[-1].cells[0]) == pytest.approx(100 * float(control.margins(8400.0)[0]), abs=0.51)


def test_without_springs_there_is_no_such_section(tmp_path: Path) -> None:
    found = limits_document(phase_limits(contact_model(project_of(tmp_path))))
    assert "Springs" not in [section.title for section in found.sections]
    assert "valve springs (not given)" in found.not_covered


def test_one_line_speaks_only_of_the_valves_whose_springs_are_given(sprung: Limits) -> None:
    """Source: the exhaust springs are not in the project, so nothing is known of their valves."""
    alone = sprung.project.model_copy(update={"exhaust": sprung.project.exhaust.model_copy(update={"spring": None})})
    (short,) = lines_of(limits_document(phase_limits(contact_model(alone))), "Springs")
    assert short.startswith("Intake valves")
    (both,) = lines_of(limits_document(sprung), "Springs")
    assert not both.startswith("Intake")


def test_what_is_held_by_the_likely_figures_alone_is_not_called_held(sprung: Limits) -> None:
    """Source: with a force known to a tenth, 20 % in hand may be none."""
    spring = sprung.project.intake.spring
    assert spring is not None
    unsure = spring.model_copy(update={"force_error": 0.12, "mass_error": 0.12})
    cam = sprung.project.intake.model_copy(update={"spring": unsure})
    model = contact_model(sprung.project.model_copy(update={"intake": cam}))
    control = model.engine.intake.control
    assert control is not None
    assert not control.holds(model.top_speed)
    (section, *_) = spring_sections(model)
    (block,) = section.blocks
    assert isinstance(block, Lines)
    assert not any("held to their lobes" in line for line in block.items)
