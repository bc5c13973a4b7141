"""The package keeps to its house; and the script that says so finds each fault in a small package that has it."""

from pathlib import Path

import house
import pytest

# Their owners are at work on them; each goes from here with the function.
KNOWN = {"schemas"}


def test_the_house_is_in_order() -> None:
    assert [each for each in house.faults() if each.split()[-1].removeprefix("phaseopt.") not in KNOWN] == []


def made(folder: Path, **files: str) -> Path:
    """A package of these files; two underscores stand for a slash."""
    package = folder / "phaseopt"
    for name, text in {"__init__": "", **files}.items():
        path = package / f"{name if name.startswith('__') else name.replace('__', '/')}.py"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return package


@pytest.mark.parametrize(
    ("files", "fault"),
    [
        ({"io__a": "import phaseopt.io.b", "io__b": "from . import a"}, "circle: phaseopt.io.a, phaseopt.io.b"),
        (
            {"values__a": "def f():\n    from phaseopt.cli.b import c", "cli__b": "c = 1"},
            "arrow back up: phaseopt.values.a line 2 imports phaseopt.cli.b",
        ),
        (
            {"values__a": "if TYPE_CHECKING:\n    import phaseopt.io.b", "io__b": ""},
            "arrow back up: phaseopt.values.a line 2 imports phaseopt.io.b",
        ),
        (
            {"values__a": "importlib.import_module('phaseopt.io.b')", "io__b": ""},
            "arrow back up: phaseopt.values.a line 1 imports phaseopt.io.b",
        ),
        ({"attic__a": ""}, "no place in the order of rooms: attic"),
        (
            {"values__a": "class Box: ...", "io__b": "Box = tuple[int, int]"},
            "defined twice: Box: phaseopt.io.b, phaseopt.values.a",
        ),
        ({"io__a": "def f(a, b, c, d, e, f, g, h, *, i): ..."}, "9 parameters, at most 8: phaseopt.io.a.f"),
    ],
)
def test_each_fault_is_found(tmp_path: Path, files: dict[str, str], fault: str) -> None:
    assert house.faults(made(tmp_path, **files)) == [fault]


def test_what_is_allowed_is_no_fault(tmp_path: Path) -> None:
    """An arrow down, a method of eight parameters beside `self`, and a command of many options."""
    many = "a, b, c, d, e, f, g, h"
    files = {
        "values__a": f"class A:\n    def f(self, {many}): ...",
        "cli__b": f"from phaseopt.values.a import A\n@command\ndef b({many}, i): ...",
    }
    assert house.faults(made(tmp_path, **files)) == []


def test_many_loose_modules_are_a_fault(tmp_path: Path) -> None:
    found = house.faults(made(tmp_path, **{f"m{i}": "" for i in range(9)}))
    assert "more than 8 loose modules: m0, m1, m2, m3, m4, m5, m6, m7, m8" in found


def test_the_picture_shows_every_room_and_an_arrow_back_up_in_red(tmp_path: Path) -> None:
    package = made(tmp_path, values__a="import phaseopt.io.b", io__b="", cli__c="import phaseopt.io.b")
    picture = house.drawing(house.imports(house.parsed(package)))
    for text in (">values</text>", ">io</text>", ">cli</text>", "cli imports io: 1"):
        assert text in picture
    assert picture.count('stroke="#c0241c"') == 1
