"""The measuring sheet, read back from the printed page: its sums add up, and it says what a builder must be told."""

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import pytest
from clearance import bodies
from engines import SEATS, project_of

from phaseopt.clearance.check import check_tables
from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.report.cautions import cautions
from phaseopt.report.sheet import blank_sheet, check_sheet, limits_sheet
from phaseopt.tables import PhaseTables
from report.conftest import HOSTILE


@dataclass
class Part:
    """A section of the page: its text and its tables, by class, as rows of cells."""

    text: str = ""
    tables: list[tuple[str, list[list[str]]]] = field(default_factory=list)

    def of(self, kind: str) -> list[list[list[str]]]:
        return [rows for name, rows in self.tables if name == kind]


class Page(HTMLParser):
    """The page as parts, one a section; cells in the order they are printed."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.parts, self.tags, self.in_cell = [Part()], [], False
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append((tag, given))
        if tag == "section":
            self.parts.append(Part())
        if tag == "table":
            self.parts[-1].tables.append((given.get("class") or "plain", []))
        if tag == "tr":
            self.parts[-1].tables[-1][1].append([])
        if tag in ("td", "th"):
            self.parts[-1].tables[-1][1][-1].append("")
            self.in_cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self.in_cell = False

    def handle_data(self, data: str) -> None:
        if self.in_cell:
            self.parts[-1].tables[-1][1][-1][-1] += data
        self.parts[-1].text += data


def degrees(place: str) -> int:
    """A row's angle as printed, after TDC."""
    if place == "TDC":
        return 0
    number, side = place.split("° ")
    return int(number) * (1 if side == "ATDC" else -1)


def least_by_pencil(rows: list[list[str]], sides: int = 2) -> list[tuple[float, int]]:
    """Add up a printed sum: in every row drop less lift is the printed gap. Least gap of each side, and its angle."""
    leasts = []
    for side in range(sides):
        found = []
        for row in rows:
            assert len(row) == 1 + 4 * sides
            drop, lift, gap = (float(cell) for cell in row[1 + 4 * side : 4 + 4 * side])
            assert round(100 * drop) - round(100 * lift) == round(100 * gap)
            assert row[4 + 4 * side] == ""  # room for the builder's own
            found.append((gap, degrees(row[0])))
        leasts.append(min(found))
    return leasts


def engine(folder: Path, **changes: object) -> ContactModel:
    return contact_model(project_of(folder, **changes))


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    return engine(tmp_path_factory.mktemp("sheet"), seats=SEATS, name=HOSTILE.replace('"', '\\"'))


def test_the_sum_of_limits_adds_up_on_paper_to_what_the_program_finds(model: ContactModel) -> None:
    """The hand sum, recomputed from the printed page alone (gap = drop less lift at an angle: common practice)."""
    limits = phase_limits(model)
    page = limits_sheet(limits)
    part, _ = (part for part in Page(page).parts if part.of("sums"))
    (table,) = part.of("sums")
    leasts = least_by_pencil(table[2:])
    assert leasts[0][1] >= 0 >= leasts[1][1]  # intake after TDC, exhaust before it
    for side, (gap, angle) in zip(("intake", "exhaust"), leasts, strict=True):
        told = re.search(rf"{side}: least in this sum (\S+) mm .*?; the program finds (\S+) mm", part.text)
        assert told is not None
        assert float(told[1]) == gap
        assert float(told[2]) == pytest.approx(gap, abs=0.025)
        assert f"{abs(angle)}°" in told[0] or "at TDC" in told[0]
    box = max(limits.boxes, key=lambda box: box.size)
    assert f"intake phase {box.intake_to:g}°, exhaust phase {box.exhaust_from:g}°" in part.text


def test_the_sum_between_the_valves_adds_up_on_paper_to_a_distance_of_meshes(model: ContactModel) -> None:
    """Recomputed from the printed page alone; each row's gap against the bodies in space by `python-fcl`."""
    page = Page(limits_sheet(phase_limits(model)))
    _, part = (part for part in page.parts if part.of("sums"))
    (table,) = part.of("sums")
    found = []
    for row in table[1:]:
        shut, intake, by_intake, exhaust, by_exhaust, gap = map(float, row[1:7])
        assert shut - intake * by_intake - exhaust * by_exhaust == pytest.approx(gap, abs=0.0051)
        assert row[7] == ""  # room for the builder's own
        assert gap == pytest.approx(bodies.nearest(model.project, intake, exhaust), abs=0.02)
        found.append(gap)
    told = re.search(r"valve to valve: least in this sum (\S+) mm .*?; the program finds (\S+) mm", part.text)
    assert told is not None
    assert float(told[1]) == min(found)
    assert float(told[2]) == pytest.approx(min(found), abs=0.025)


def test_without_seats_there_is_no_sum_between_the_valves(tmp_path: Path) -> None:
    model = engine(tmp_path)
    assert "between the valves" not in limits_sheet(phase_limits(model))


def test_the_invented_sum_of_a_new_project_adds_up_and_is_called_invented() -> None:
    (part,) = (part for part in Page(blank_sheet()).parts if part.of("sums"))
    (table,) = part.of("sums")
    assert least_by_pencil(table[2:], sides=1) == [(2.64, 10)]
    assert "invented" in part.text


def test_blanks_for_every_valve_of_every_cylinder_every_five_degrees(tmp_path: Path) -> None:
    model = engine(tmp_path, cylinders=6, intake={"valves": 3, "head_diameter": 26.0}, exhaust={"valves": 1})
    (part,) = (part for part in Page(limits_sheet(phase_limits(model))).parts if part.of("blank"))
    columns: dict[str, list[str]] = {"v1": [], "v3": [], "least": []}
    for table in part.of("blank"):
        assert [degrees(row[0]) for row in table[2:]] == list(range(-15, 16, 5))
        assert all(cell == "" for row in table[2:] for cell in row[1:])
        assert all(len(row) - 1 == len(table[1]) <= 12 for row in table[2:])
        for name in columns:
            columns[name] += [cell for cell in table[1] if cell == name]
    assert {name: len(found) for name, found in columns.items()} == {"v1": 12, "v3": 6, "least": 6}


@pytest.mark.parametrize(
    "word", ["checking springs", "positive stop", "degree wheel", "running direction", "Never force"]
)
def test_how_to_do_it_safely_is_on_every_sheet(model: ContactModel, word: str) -> None:
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 10.0, -10.0))
    for page in (blank_sheet(), limits_sheet(phase_limits(model)), check_sheet(verdict)):
        assert word in Page(page).parts[0].text + "".join(part.text for part in Page(page).parts)


def test_the_check_of_tables_tells_how_to_set_what_to_expect_and_what_is_guaranteed(model: ContactModel) -> None:
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 20.0, -25.0))
    page = Page(check_sheet(verdict, ("a note of the build",)))
    text = "".join(part.text for part in page.parts)
    assert "a note of the build" in text
    assert all(caution in text for caution in cautions())
    assert "stays at rest" in text
    timings = [part for part in page.parts if part.text.strip().startswith("Timing")]
    assert len(timings) == 4
    (part,) = (part for part in timings if "advance 20°" in part.text and "retard 25°" in part.text)
    settings, expected = part.of("plain")
    assert settings[1][:4] == ["intake cam", "advance 20°", "advance 10°", "96.0° ATDC"]
    assert settings[2][:4] == ["exhaust cam", "retard 25°", "retard 12.5°", "91.0° BTDC"]
    assert [row[0] for row in expected[1:]] == ["intake to piston", "exhaust to piston", "valve to valve"]
    (sums,) = part.of("sums")
    at_tdc = next(row for row in sums if row[0] == "TDC")
    for setting, lift, (gap, _), row in zip(
        settings[1:], at_tdc[2::4], least_by_pencil(sums[2:]), expected[1:], strict=False
    ):
        assert setting[4].startswith(f"{lift} mm (")
        by_hand, tolerance = (float(x) for x in re.findall(r"(\d+\.\d+)(?: mm|$)", row[1]))
        assert by_hand == pytest.approx(gap, abs=0.025)
        assert float(row[3].split()[0]) < by_hand - tolerance / 2
        assert setting[5] == row[2] == ""  # room for what is found


def test_a_timing_short_of_the_rules_has_the_sum_and_nothing_to_turn_through(model: ContactModel) -> None:
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 40.0, -35.0))
    timings = [part for part in Page(check_sheet(verdict)).parts if part.text.strip().startswith("Timing")]
    short = [part for part in timings if "DO NOT TURN" in part.text]
    assert 0 < len(short) < len(timings)
    for part in timings:
        least_by_pencil(part.of("sums")[0][2:])
        assert bool(part.of("plain")) == (part not in short)
        assert ("may be turned through" in part.text) == (part not in short)
    assert all("expect by hand" not in part.text and "re-dial from" not in part.text for part in short)


def test_without_seats_every_timing_to_turn_through_says_that_valves_are_not_covered(tmp_path: Path) -> None:
    model = engine(tmp_path)
    verdict = check_tables(model, PhaseTables.of([1000, 8000], [40, 100], 10.0, -10.0))
    timings = [part for part in Page(check_sheet(verdict)).parts if part.text.strip().startswith("Timing")]
    assert all("Valve to valve is not covered" in part.text for part in timings)


def test_the_page_stands_alone_fits_both_papers_and_escapes_names(model: ContactModel) -> None:
    page = limits_sheet(phase_limits(model))
    assert page == limits_sheet(phase_limits(model))
    read = Page(page)
    assert HOSTILE in read.parts[0].text
    assert not any(tag in ("script", "link", "img", "iframe") for tag, _ in read.tags)
    assert not any("src" in given or "href" in given for _, given in read.tags)
    assert "@page { margin: 14mm; }" in page
    assert "size:" not in re.sub(r"font-size:", "", page)  # no paper is prescribed
