"""The measuring sheet: its sums add up as printed, and it says what a builder must know."""

import re
from collections.abc import Sequence
from pathlib import Path

import pytest
from clearance import bodies
from engines import SEATS, project_of
from small_builds import HOSTILE

from phaseopt.clearance.check import check_tables
from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.report.cautions import cautions
from phaseopt.report.document import Blanks, Document, Lines, Row, Section, Table
from phaseopt.report.page import page
from phaseopt.report.subjects.sheet import blank_sheet, check_sheet, limits_sheet, sheet_page
from phaseopt.tables import PhaseTables
from phaseopt.values.display_units import Units

NEVER = "DO NOT TURN"


def words(section: Section) -> str:
    """All sentences of a section, a line each."""
    return "\n".join(line for block in section.blocks if isinstance(block, Lines) for line in block.items)


def tables(section: Section) -> list[Table]:
    return [block for block in section.blocks if isinstance(block, Table)]


def titled(sheet: Document, start: str) -> list[Section]:
    return [section for section in sheet.sections if section.title.startswith(start)]


def degrees(place: str) -> int:
    """A row's angle as printed, after TDC."""
    if place == "TDC":
        return 0
    number, side = place.split("° ")
    return int(number) * (1 if side == "ATDC" else -1)


def least_by_pencil(rows: Sequence[Row], sides: int = 2) -> list[tuple[float, int]]:
    """Add up a printed sum: in every row drop less lift is the printed gap. Least gap of each side, and its angle."""
    leasts = []
    for side in range(sides):
        found = []
        for row in rows:
            assert len(row.cells) == 4 * sides
            drop, lift, gap = (float(cell) for cell in row.cells[4 * side : 4 * side + 3])
            assert round(100 * drop) - round(100 * lift) == round(100 * gap)
            assert row.cells[4 * side + 3] == ""  # room for the builder's own
            found.append((gap, degrees(row.label)))
            if 4 * side + 2 in row.framed:
                framed = found[-1]
        leasts.append(min(found))
        assert framed == leasts[-1]
    return leasts


def engine(folder: Path, **changes: object) -> ContactModel:
    return contact_model(project_of(folder, **changes))


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    return engine(tmp_path_factory.mktemp("sheet"), seats=SEATS, name=HOSTILE.replace('"', '\\"'))


@pytest.fixture(scope="module")
def sheet(model: ContactModel) -> Document:
    return limits_sheet(phase_limits(model))


def test_the_sum_of_limits_adds_up_on_paper_to_what_the_program_finds(model: ContactModel, sheet: Document) -> None:
    """The hand sum, recomputed from the printed cells alone (gap = drop less lift at an angle: common practice)."""
    (part,) = titled(sheet, "The sum for one timing")
    (table,) = tables(part)
    leasts = least_by_pencil(table.rows)
    assert leasts[0][1] >= 0 >= leasts[1][1]  # intake after TDC, exhaust before it
    for side, (gap, angle) in zip(("Intake", "Exhaust"), leasts, strict=True):
        found = re.search(rf"{side}: least in this sum (\S+) mm .*?. The program finds (\S+) mm", words(part))
        assert found is not None
        assert float(found[1]) == gap
        assert float(found[2]) == pytest.approx(gap, abs=0.025)
        assert f"{abs(angle)}°" in found[0] or "at TDC" in found[0]
    box = max(phase_limits(model).boxes, key=lambda box: box.size)
    assert f"intake {box.intake_to:+g}°, exhaust {box.exhaust_from:+g}°" in table.caption


def test_the_sum_between_the_valves_adds_up_on_paper_to_a_distance_of_meshes(
    model: ContactModel, sheet: Document
) -> None:
    """Recomputed from the printed cells alone; each row's gap against the bodies in space by `python-fcl`."""
    (part,) = titled(sheet, "The sum between the valves")
    (table,) = tables(part)
    gaps = []
    for row in table.rows:
        shut, intake, by_intake, exhaust, by_exhaust, gap = map(float, row.cells[:6])
        assert shut - intake * by_intake - exhaust * by_exhaust == pytest.approx(gap, abs=0.0051)
        assert row.cells[6] == ""  # room for the builder's own
        assert gap == pytest.approx(bodies.nearest(model.project, intake, exhaust), abs=0.02)
        gaps.append(gap)
    found = re.search(r"least in this sum (\S+) mm .*?. The program finds (\S+) mm", words(part))
    assert found is not None
    assert float(found[1]) == min(gaps)
    assert float(found[2]) == pytest.approx(min(gaps), abs=0.025)


def test_without_seats_there_is_no_sum_between_the_valves(tmp_path: Path) -> None:
    sheet = limits_sheet(phase_limits(engine(tmp_path)))
    assert not titled(sheet, "The sum between the valves")
    assert any("valve to valve" in each for each in sheet.not_covered)


def test_the_invented_sum_of_a_new_project_adds_up_and_is_called_invented() -> None:
    (part,) = titled(blank_sheet(), "The sum")
    (table,) = tables(part)
    assert least_by_pencil(table.rows, sides=1) == [(2.64, 10)]
    assert "invented" in part.title
    assert "Invented" in table.caption


def test_blanks_for_every_valve_of_every_cylinder_every_five_degrees(tmp_path: Path) -> None:
    model = engine(tmp_path, cylinders=6, intake={"valves": 3, "head_diameter": 26.0}, exhaust={"valves": 1})
    (part,) = titled(limits_sheet(phase_limits(model)), "Readings: valve drop")
    columns: dict[str, list[str]] = {"v1": [], "v3": [], "least": []}
    for table in tables(part):
        assert [degrees(row.label) for row in table.rows] == list(range(-15, 16, 5))
        assert all(cell == "" for row in table.rows for cell in row.cells)
        assert all(len(row.cells) == len(table.head) - 1 <= 12 for row in table.rows)
        assert sum(count for _, count in table.groups) == len(table.head) - 1
        assert table.by_hand
        for name in columns:
            columns[name] += [cell for cell in table.head if cell == name]
    assert {name: len(found) for name, found in columns.items()} == {"v1": 12, "v3": 6, "least": 6}


@pytest.mark.parametrize(
    "word", ["checking springs", "positive stop", "degree wheel", "running direction", "Never force"]
)
def test_how_to_do_it_safely_is_on_every_sheet(model: ContactModel, sheet: Document, word: str) -> None:
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 10.0, -10.0))
    for each in (blank_sheet(), sheet, check_sheet(verdict)):
        (how,) = titled(each, "How to")
        assert word in words(how)
        assert each.cautions
        assert list(each.blocks(Blanks))


def test_the_check_of_tables_says_how_to_set_what_to_expect_and_the_worst_case(model: ContactModel) -> None:
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 20.0, -25.0))
    sheet = check_sheet(verdict, ("a note of the build",))
    assert "a note of the build" in sheet.notes
    assert set(cautions()) <= set(sheet.cautions)
    assert "stays at rest" in words(titled(sheet, "How to check")[0])
    timings = [tables(part) for part in titled(sheet, "Timing")]
    assert 2 <= len(timings) <= 3
    wanted = (("advance 20°", "advance 10°", "96.0° ATDC"), ("retard 25°", "retard 12.5°", "91.0° BTDC"))
    (found,) = (each for each in timings if tuple(row.cells[:3] for row in each[0].rows) == wanted)
    settings, expected, sums = found
    assert [row.label for row in settings.rows] == ["intake cam", "exhaust cam"]
    assert [row.label for row in expected.rows] == ["intake to piston", "exhaust to piston", "valve to valve"]
    at_tdc = next(row for row in sums.rows if row.label == "TDC")
    for setting, lift, (gap, _), row in zip(
        settings.rows, at_tdc.cells[1::4], least_by_pencil(sums.rows), expected.rows, strict=False
    ):
        assert setting.cells[3].startswith(f"{lift} mm (")
        by_hand, tolerance = (float(x) for x in re.findall(r"(\d+\.\d+)(?: mm|$)", row.cells[0]))
        assert by_hand == pytest.approx(gap, abs=0.025)
        assert float(row.cells[2].split()[0]) < by_hand - tolerance / 2
        assert setting.cells[4] == row.cells[1] == ""  # room for what is found


def test_a_timing_that_is_not_clear_has_the_sum_and_nothing_to_turn_through(model: ContactModel) -> None:
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 40.0, -35.0))
    timings = titled(check_sheet(verdict), "Timing")
    warned = [part for part in timings if any(isinstance(b, Lines) and b.style == "warning" for b in part.blocks)]
    assert 0 < len(warned) < len(timings)
    for part in timings:
        least_by_pencil(tables(part)[-1].rows)
        assert (NEVER in words(part)) == (part in warned)
        assert len(tables(part)) == (1 if part in warned else 3)
        assert ("you may turn the engine through" in words(part)) == (part not in warned)
        assert part.new_sheet


def test_without_seats_every_timing_to_turn_through_says_that_valves_are_not_covered(tmp_path: Path) -> None:
    verdict = check_tables(engine(tmp_path), PhaseTables.of([1000, 8000], [40, 100], 10.0, -10.0))
    assert all("Valve to valve is not covered" in words(part) for part in titled(check_sheet(verdict), "Timing"))


def test_a_page_has_room_to_write_frames_what_counts_and_warns(model: ContactModel) -> None:
    """Every empty cell stands in a table whose rows have the height to write in; framed cells are those of the sum."""
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 40.0, -35.0))
    sheet = check_sheet(verdict)
    text = sheet_page(sheet)
    assert text == sheet_page(sheet)
    for found in re.findall(r"<table.*?</table>", text, re.DOTALL):
        empty = re.search(r'<td( data-h="[^"]*")?></td>', found.split("<tbody>")[1])
        assert (empty is not None) == ('<table class="hand' in found)
    framed = [row for table in sheet.blocks(Table) for row in table.rows for _ in row.framed]
    assert text.count('<td class="framed"') == len(framed)
    assert text.count('<p class="warning">DO NOT TURN') == text.count(NEVER) > 0
    assert text.count('class="sheet"') == len(titled(sheet, "Timing"))


def test_the_page_fits_both_papers_and_escapes_names(sheet: Document) -> None:
    text = page(sheet, "a test")
    assert HOSTILE in sheet.title
    assert HOSTILE not in text
    assert "@page { margin: 14mm; }" in text
    assert "size:" not in re.sub(r"font-size:", "", text)  # no paper is prescribed


@pytest.mark.parametrize(("units", "force"), [("metric", "N"), ("inch", "lbf")])
def test_spring_readings_are_in_the_units_of_bare_numbers(tmp_path: Path, units: Units, force: str) -> None:
    """260 read in N and entered bare in a project in inches would be a spring of four times the force."""
    stated = {"report": {"units": "metric"}, "gap": {"running": {"reserve": "0.5 mm"}}}
    own = phase_limits(contact_model(project_of(tmp_path, **stated).model_copy(update={"units": units})))
    for sheet in (blank_sheet(units), limits_sheet(own)):
        (section,) = titled(sheet, "Readings: valve springs")
        (found,) = tables(section)
        forces = [name for name in found.columns if name.startswith("force")]
        assert forces
        assert all(name.endswith(f", {force}") for name in forces)
        assert found.columns[1].endswith(", in") == (units == "inch")
