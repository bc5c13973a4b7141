"""The page: whole, safe to open, readable, and true to the build."""

import base64
import hashlib
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from read_document import unexplained
from small_builds import HOSTILE

from phaseopt.job.build import Build
from phaseopt.project import SIDES
from phaseopt.report.facts import smoothness_costs
from phaseopt.report.gap_budget import gap_budget_table
from phaseopt.report.page import page as page_of
from phaseopt.report.phase_table import phase_table
from phaseopt.report.subjects.build import build_document
from phaseopt.tables import number_text

VOID = {"meta", "br", "hr", "img", "link", "input"}


class Reader(HTMLParser):
    """Keeps open elements, text, every attribute, and the cells of grids."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.grids: list[list[list[str]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.tags.append((tag, given))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table" and "phases" in given.get("class", "").split():
            self.grids.append([])
        if tag == "tr" and self.grids:
            self.grids[-1].append([])

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] not in (["script"], ["style"]):  # what a person reads
            self.text.append(data)
        if self.open[-1:] == ["td"] and self.grids:
            self.grids[-1][-1].append(data)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def page(both_files: dict[str, str]) -> str:
    return both_files["report.html"]


def test_every_element_is_closed_and_the_language_is_said(page: str) -> None:
    """HTML as the WHATWG standard asks (from memory)."""
    tags = read(page).tags
    assert page.startswith("<!DOCTYPE html>")
    assert ("html", {"lang": "en"}) in tags
    ids = [attrs["id"] for _, attrs in tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_page_needs_nothing_from_outside(page: str) -> None:
    for tag, attrs in read(page).tags:
        assert tag not in ("link", "iframe", "object", "img")
        assert tag != "script" or "src" not in attrs
        for name in ("src", "href", "xlink:href"):
            assert attrs.get(name, "#").startswith("#")
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)


def test_a_hostile_name_stays_text(page: str) -> None:
    assert page.count("<script") == 3  # the explorer's data, its program, the page's own; none that a name brought
    assert HOSTILE in "".join(read(page).text)


def test_same_build_gives_the_same_bytes(both: Build, page: str) -> None:
    assert page_of(build_document(both), "phaseopt build") == page


def test_grids_say_what_the_tables_hold(both: Build, page: str) -> None:
    grids = read(page).grids
    assert len(grids) == 2
    for side, grid in zip(SIDES, grids, strict=True):
        cells = [row for row in grid if row][: both.tables.rpm.size]
        shown = [[number_text(value) for value in row] for row in both.tables.of_side(side).to_numpy()]
        assert cells == shown


def test_states_cautions_answer_and_tables_stand_in_that_order(both: Build, page: str) -> None:
    """Three states that are never one, then cautions in a strip, then numbers, then both tables."""
    found = build_document(both)
    text = re.sub(r"\s+", " ", "".join(read(unexplained(page)).text))
    wanted = ("These tables", "If a phaser sticks", "Cam timing", "Before it turns", found.cautions[0])
    places = [text.index(words) for words in (*wanted, found.cautions[-1], found.not_covered[-1])]
    places += [text.index(words) for words in ("average gain", "clamps to enter", "° from rest")]
    assert places == sorted(places)


def test_three_states_are_what_was_computed(both: Build, page: str) -> None:
    badges = [attrs["class"].split()[1] for _, attrs in read(page).tags if "badge" in attrs.get("class", "").split()]
    travel = {both.verdict.full_travel.verdict, *(fault.verdict for fault in both.verdict.faults)}
    stuck = "HITS" if "hits" in travel else "CLEAR" if travel == {"clear"} else "TIGHT"
    assert badges == ["CLEAR" if both.verdict.clear else "TIGHT", stuck, "UNKNOWN"]  # no readings on this engine


def test_no_style_stands_in_an_attribute_and_every_script_is_known_by_hash(page: str) -> None:
    """W3C, Content Security Policy Level 3: hash sources (from memory); hashlib is the other side."""
    tags = read(page).tags
    assert not [tag for tag, attrs in tags if "style" in attrs]
    policy = next(attrs["content"] for _, attrs in tags if attrs.get("http-equiv") == "Content-Security-Policy")
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy
    bodies = re.findall(r"<(?:script|style)>(.*?)</(?:script|style)>", page, re.DOTALL)
    hashes = {base64.b64encode(hashlib.sha256(body.encode()).digest()).decode() for body in bodies}
    assert hashes == set(re.findall(r"'sha256-([^']+)'", policy))


def test_a_mark_stands_where_something_but_torque_decides(hillclimb: Build) -> None:
    """One mark a cell at most; smoothness only where it costs more than it may; rest has the ground's own shade."""
    for side in SIDES:
        table = phase_table(hillclimb, side)
        costs = smoothness_costs(hillclimb)
        for r, (_, cells) in enumerate(table.rows):
            for k, cell in enumerate(cells):
                names = hillclimb.best.search.limited_by[r][k]
                assert len(cell.mark) <= 1
                assert (cell.shade == f"{side[0]}0") == (cell.text == "0")
                if cell.mark == "~":
                    assert costs[r, k] > 0.5
                if cell.mark == "◥":
                    assert any(name.startswith(f"box {side}") for name in names)


def test_tables_have_captions_and_scopes(page: str) -> None:
    tags = read(page).tags
    assert [tag for tag, _ in tags].count("table") == [tag for tag, _ in tags].count("caption")
    assert all(attrs.get("scope") in ("col", "row", "colgroup") for tag, attrs in tags if tag == "th")


def test_a_person_can_add_up_the_clearances(both: Build) -> None:
    """By hand, less the steps, gives the static clearance; less the rest, the running one: plain addition.

    The root of the squares of the steps marked either way gives the other two.
    """
    left = whole = root = np.zeros(len(both.contact.contacts))
    checked, rows = [], gap_budget_table(both).rows
    for row in rows[1:]:
        if row.label.startswith("chance") or row.label.endswith("required"):
            continue
        numbers = np.array([float(text.replace("−", "-")) for text in row.cells])
        if "clearance" in row.label:
            rss = "root-sum-square" in row.label
            np.testing.assert_allclose(numbers, whole - np.sqrt(root) if rss else left, atol=0.005)
            checked.append(row.label)
        else:
            left = left + numbers
            root, whole = (root + numbers**2, whole) if row.label.endswith(", either way") else (root, whole + numbers)
    assert len(checked) == 4
    chances = [text for row in rows if row.label.startswith("chance") for text in row.cells]
    assert all("%" in text or "less than 1 in" in text for text in chances)


def test_one_phaser_for_both_cams_has_one_table(tied_files: dict[str, str]) -> None:
    reader = read(tied_files["report.html"])
    assert len(reader.grids) == 1
    assert "both cams" in "".join(reader.text)
    assert "no seats" in "".join(reader.text)


def test_a_fixed_cam_has_no_table(intake_only_files: dict[str, str]) -> None:
    reader = read(intake_only_files["report.html"])
    assert len(reader.grids) == 1
    assert "Exhaust phase, ° from rest" not in "".join(reader.text)
