"""The drawing of the pipes: every part of the list is on it, with what was written of it."""

from pathlib import Path
from xml.dom import minidom

from cycle.sample import sample
from cycle.test_network import listed
from pipework import AIRBOX, EVERYTHING

from phaseopt.project.load import load_project
from phaseopt.report.figures.pipes import pipes_drawing

EXAMPLE = Path(__file__).parents[2] / "examples" / "hillclimb" / "project.toml"
ORDER = [1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9]


def test_each_part_is_drawn_with_its_measures(tmp_path: Path) -> None:
    """Names, lengths, diameters and litres of two banks with every kind of part; alike pipes once."""
    size = load_project(EXAMPLE).display_units.size
    drawn = pipes_drawing(listed(tmp_path, AIRBOX, EVERYTHING, ORDER), size).element()
    for part in [*AIRBOX, *EVERYTHING]:
        assert str(part["name"]) in drawn
    for words in ("12 × runner", "6 × left primary", "300 × ⌀100", "9 l", "500 × ⌀200", "inlet reaches in 100", "⌀120"):
        assert words in drawn
    assert drawn.count("cylinder ") == 12


def test_the_short_form_is_drawn_too() -> None:
    drawn = pipes_drawing(sample(), load_project(EXAMPLE).display_units.size).element()
    for words in ("4 × primary", "480 × ⌀40", "2 × secondary", "420 × ⌀46", "1900 × ⌀60", "plenum"):
        assert words in drawn


def test_a_name_is_drawn_as_it_is_written(tmp_path: Path) -> None:
    """A $ is no formula, and a character that XML 1.0 (section 2.2) has no way to write leaves the picture readable."""
    odd = {"airbox": r"$\\frac$ & <b>", "throttle": r"a\u001b[31m"}  # as TOML writes them
    parts = [
        {
            key: odd.get(value, value) if isinstance(value, str) and key != "part" else value
            for key, value in part.items()
        }
        for part in AIRBOX
    ]
    drawing = pipes_drawing(listed(tmp_path, parts), load_project(EXAMPLE).display_units.size)
    picture = drawing.files("$\\frac$ \x1b pipes")["pipes.svg"]
    words = [text.firstChild.data for text in minidom.parseString(picture).getElementsByTagName("text")]
    assert sum("$\\frac$" in each for each in words) == 2
    assert any("a\N{REPLACEMENT CHARACTER}[31m" in each for each in words)
