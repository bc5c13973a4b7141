"""The README and the page for developers: short, easy to read, and true of the program beside them."""

import re
from pathlib import Path

import typer.main
from prose import prose_of_page, require_easy, words_of

from phaseopt.cli import app

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_it_is_short_and_easy_to_read() -> None:
    assert len(README.splitlines()) <= 150
    assert len(words_of(README)) <= 2000
    require_easy(prose_of_page(README))


def test_the_page_for_developers_is_read_in_five_minutes() -> None:
    """At 250 words a minute (common practice, no source)."""
    assert len(words_of((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))) <= 1250


def test_it_names_every_command_and_no_other() -> None:
    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    table = README[README.index("| command |") :]
    named = {name for row in re.findall(r"^\| (`.*?`) \|", table, re.MULTILINE) for name in re.findall(r"`(\w+)`", row)}
    assert named == set(commands)
    used = set(re.findall(r"phaseopt (\w+) ", README)) - {"makes", "takes"}
    assert used <= set(commands)


def test_what_it_points_to_is_there() -> None:
    """Links, and files named in text, of README and of the pages behind it."""
    for page in (ROOT / "README.md", *sorted((ROOT / "examples").glob("*.md"))):
        text = page.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (page.parent / target).exists(), f"{page.name}: {target}"
        for target in re.findall(r"`((?:examples|tests|maps)/[\w./-]+)`", text):
            assert (ROOT / target).exists(), f"{page.name}: {target}"
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").replace("NAME.py", "__init__.py")
    for target in re.findall(r"`([a-z_]+/(?:[\w./-]+)?)`", text):
        assert any((place / target).exists() for place in (ROOT, ROOT / "phaseopt")), f"DEVELOPERS.md: {target}"


def test_the_cautions_are_all_there() -> None:
    """Common practice, no source: what must be done before an engine turns, and what the program leaves open."""
    text = " ".join(README.split())
    for words in (
        "on every cylinder", "dial gauge or clay", "without oil pressure", "degree in again", "Prove the zero",
        "Ten crank degrees", "Map mixture and ignition", "Listen for knock", "guards on", "Local rules", "No warranty",
        "does not model knock", "valve pocket", "valve to bore", "piston to head", "retainer to seal",
        "does not replace a hand on the engine",
    ):  # fmt: skip
        assert words in text, words
