"""The figures: text stays text, axes say what they show and in which unit, and the same build gives the same bytes."""

import re
from collections.abc import Callable
from xml.etree import ElementTree

import numpy as np
import pytest

from phaseopt.job.build import Build
from phaseopt.report.facts import tightest
from phaseopt.report.figures import build as figures
from phaseopt.report.figures.budget_bars import budget_bars
from phaseopt.report.figures.crank_angle import curves, gap_over_angle
from phaseopt.report.figures.drawing import Drawing

DRAWN: list[tuple[Callable[[Build], Drawing], list[str]]] = [
    (figures.full_load_torque, ["engine speed, rpm", "torque, N·m", "gain, N·m", "±"]),
    (
        lambda b: figures.gap_map(b, "exhaust_piston"),
        ["engine speed, rpm", "load, kPa", "static clearance, mm", "running clearance, mm"],
    ),
    (
        lambda b: gap_over_angle(b, "intake_piston"),
        [
            "crank degrees: before TDC, after TDC",
            "TDC",
            "piston",
            "intake valve",
            "you should measure",
            "required 2.00",
        ],
    ),
    (lambda b: gap_over_angle(b, "valve_valve"), ["intake valve", "exhaust valve", "both open", "required 1.50"]),
    (lambda b: budget_bars(b, "exhaust_piston"), ["you should measure", "static, worst case", "(required 2.50)"]),
    (
        figures.safe_set,
        [
            "intake phase, crank degrees, + = advanced",
            "clamps to enter, safe in any combination",
            "full throttle, by speed",
            "rest",
        ],
    ),
]


def words_of(drawn: str | Drawing) -> str:
    return "\n".join(ElementTree.fromstring(drawn if isinstance(drawn, str) else drawn.element()).itertext())


@pytest.mark.parametrize(("draw", "words"), DRAWN)
def test_figure_says_what_it_shows(both: Build, draw: Callable[[Build], Drawing], words: list[str]) -> None:
    svg = draw(both).element()
    shown = words_of(svg)
    for word in words:
        assert word in shown
    root = ElementTree.fromstring(svg)
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-label"]
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", svg)
    assert draw(both).element() == svg


def test_gap_map_writes_each_gap_and_the_verdict(both: Build) -> None:
    shown = words_of(figures.gap_map(both, "intake_piston"))
    gaps = both.verdict.cells["static"].sel(contact="intake_piston").to_numpy()
    for gap in gaps.ravel():
        assert f"{np.floor(gap * 100) / 100:.2f}" in shown
    assert f"static: CLEAR, least {np.floor(gaps.min() * 100) / 100:.2f} mm (required 2.00)" in shown


def test_the_tightest_cell_has_the_least_margin(both: Build) -> None:
    for contact in both.contact.contacts:
        cells = both.verdict.cells.sel(contact=contact)
        least = min(float(cells["static_margin"].min()), float(cells["running_margin"].min()))
        near = tightest(both, contact)
        assert near.margin == least
        assert float(cells["static"].sel(rpm=near.rpm, load=near.load)) == near.static


def test_drawn_gaps_reach_the_gaps_of_the_verdict(both: Build) -> None:
    """The least of a drawn curve is the bound of the verdict, within the 0.001 mm of bounds and the grid drawn on."""
    theta = np.linspace(-50.0, 50.0, 4001)
    for contact in both.contact.contacts:
        near = tightest(both, contact)
        drawn = curves(both, near, theta)
        assert drawn.by_hand.min() == pytest.approx(near.by_hand, abs=0.003)
        assert drawn.static.min() == pytest.approx(near.static, abs=0.003)


def test_bars_add_up_from_what_is_measured_to_what_each_rule_leaves(both: Build) -> None:
    """By the numbers printed: each is rounded to 0.01 mm, so a sum of n of them is within n halves of that."""
    for contact in both.contact.contacts:
        shown = [text for text in words_of(budget_bars(both, contact)).split("\n") if text.strip()]
        numbers = [float(text.replace("\N{MINUS SIGN}", "-")) for text in shown if re.fullmatch(r"\W?\d+\.\d+", text)]
        left, since = numbers[0], 0
        results = 0
        for number in numbers[1:]:
            since += 1
            if number < 0:
                left += number
                continue
            assert left == pytest.approx(number, abs=0.005 * (since + 2))
            results += 1
        assert results == 2


@pytest.mark.parametrize("name", ["tied", "intake_only"])
def test_one_phaser_is_drawn_along_a_line(name: str, request: pytest.FixtureRequest) -> None:
    shown = words_of(figures.safe_set(request.getfixturevalue(name)))
    assert "clearance above required, mm" in shown
    assert ("phase of both cams" if name == "tied" else "intake phase") in shown
