"""A shelf of parts: what is read, and what a person gets to read of mistakes in it."""

from pathlib import Path

import pytest
from engines import lobe_csv, project_of
from hillclimb import ROOT

from phaseopt.project import Project
from phaseopt.project.load import load_project
from phaseopt.project.shelf import KINDS, SETS, Shelf, changed_table, inside, kind_text, load_shelf, shelf_table
from phaseopt.values.errors import InputError

LIST = ROOT / "examples" / "SHELF.md"
LONG = '[[intake_cams]]\nname = "long grind"\nintake.lobe = "long.csv"\n'


@pytest.fixture
def project(tmp_path: Path) -> Project:
    return project_of(tmp_path, {"long.csv": lobe_csv(11.0, 70.0)})


def shelf_of(project: Project, text: str) -> Shelf:
    file = project.folder / "shelf.toml"
    file.write_text(text, encoding="utf-8")
    return load_shelf(file, project)


def refused(project: Project, text: str) -> list[str]:
    with pytest.raises(InputError) as error:
        shelf_of(project, text)
    return [str(each).removeprefix(f"{project.folder}/shelf.toml: ") for each in error.value.mistakes]


def test_a_shelf_is_read_as_it_is_written(project: Project) -> None:
    text = """
currency = "EUR"
[aim]
rpm = [3000, 7000]
worth = "3 lbf ft"
budget = 500
[now]
intake_cam = "road grind"
pistons = { name = "cracked pistons", stays = false }
intake_offset = [-20, 0]
[[intake_cams]]
name = "long grind"
price = 320
hours = 3.5
needs = ["forged pistons"]
intake.lobe = "long.csv"
intake.centreline = 112
[[pistons]]
name = "forged pistons"
price = 90
same_drop = true
gap.running.rod.reciprocating_mass = "1 lb"
"""
    shelf = shelf_of(project, text)
    assert [(kind, [part.name for part in parts]) for kind, parts in shelf.parts.items()] == [
        ("intake_cams", ["road grind", "long grind"]),
        ("pistons", ["forged pistons"]),  # the present ones may not stay
    ]
    long = shelf.part("intake_cams", "long grind")
    assert (long.own.price, long.own.hours, long.own.needs) == (320.0, 3.5, ("forged pistons",))
    assert long.changes == {"intake": {"lobe": "long.csv", "centreline": 112}}
    assert shelf.present["sprockets"].offsets == {"intake": (-20.0, 0.0)}
    assert shelf.aim.least_gain == pytest.approx(3 * 1.3558179483)  # N·m in a lbf ft (NIST SP 811, appendix B)
    assert shelf.aim.rpm == (3000.0, 7000.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", 'has no part on it. Fix: add one, as [[intake_cams]] with name = "long grind".'),
        (f'{LONG}{LONG}', 'name: "long grind" names 2 parts. Fix: give each part a name of its own.'),
        (
            LONG + "prise = 3\n",
            'intake_cams "long grind": prise: unknown key. Fix: did you mean price?',
        ),
        (f'collar = "x"\n{LONG}', "collar: unknown key"),
        (
            LONG + "exhaust.lobe = 'long.csv'\n",
            'intake_cams "long grind": exhaust.lobe: is not set by this kind of part. Fix: that belongs to a part '
            "under [[exhaust_cams]].",
        ),
        (LONG + "intake.offset = 3\n", "intake.offset: is not set by this kind of part"),
        (LONG + "gap.running.reserve = 0.1\n", "gap.running.reserve: is not set by this kind of part"),
        (LONG + "intake.centerline = 3\n", "intake.centerline: unknown key. Fix: did you mean intake.centreline?"),
        (LONG + "intake.lash = -1\n", 'intake_cams "long grind": intake.lash: must be 0 or more'),
        (LONG.replace("long.csv", "none.csv"), 'intake_cams "long grind": intake.lobe: there is no file none.csv'),
        (
            LONG + 'needs = ["stif springs"]\n[[intake_springs]]\nname = "stiff springs"\n',
            'intake_cams "long grind": needs: there is no part "stif springs". Fix: did you mean "stiff springs"?',
        ),
        (LONG + 'excludes = ["lead"]\n', 'there is no part "lead". Fix: add that part, or take its name out.'),
        (LONG + 'needs = ["long grind"]\n', "is of the same kind, and one of a kind is fitted"),
        (LONG + "price = 3\n", 'price: no currency is given. Fix: write currency = "EUR" at the top.'),
        (
            f'currency = "EUR"\naim.budget = 100\n{LONG}',
            'intake_cams "long grind": price: a budget needs the price of every part',
        ),
        (LONG + "price = -3\n", 'intake_cams "long grind": price: must be 0 or more (it is -3)'),
        (LONG + "compression = 12\n", "compression: means nothing for this kind of part"),
        (
            '[[pistons]]\nname = "tall"\ncrank.compression_ratio = 13\n',
            "crank.compression_ratio: is not set by this kind of part. Fix: give compression",
        ),
        ('[[pistons]]\nname = "tall"\n', 'pistons "tall": changes nothing'),
        (
            '[[heads]]\nname = "other"\ndrop.intake.at_tdc = 5\n',
            'heads "other": drop.exhaust: drop.intake is given alone',
        ),
        (
            '[[gaskets]]\nname = "thin"\ndrop.built_with.gasket = 0.8\n',
            "drop.built_with.gasket: gasket as it is now is not known. Fix: give it under [now.sizes]: gasket = ...",
        ),
        (
            '[[gaskets]]\nname = "thin"\ndrop.built_with.gasket = 80\n',
            'gaskets "thin": drop.built_with.gasket: must be below 10',
        ),
        (
            '[[manifolds]]\nname = "short"\ncycle.intake.wall = 40\n',
            'manifolds "short": the project has no simulation that this would change',
        ),
        (
            '[[sprockets]]\nname = "vernier"\nintake_offset = [4, -4]\n',
            'sprockets "vernier": intake_offset: [4, -4] runs backwards',
        ),
        (
            '[[intake_cams]]\nname = "x"\nfamily = { of = "long.csv", lift = [1.0, 2.0] }\n',
            'intake_cams "x": family.lift (entry 2): must be 1.25 or less (it is 2.0)',
        ),
        (LONG + 'family = { of = "long.csv" }\n', "family: a family and a lobe. Fix: give one of them."),
        (f'{LONG}[[drops]]\nwith = ["long grind"]\ndrop.intake.at_tdc = 5\n', "drop.exhaust: drop.exhaust is missing"),
        ('[[intake_springs]]\nname = "s"\nintake.spring.full_lift_force = 900\n', "full lift is another with each cam"),
        ('[now]\nintake_cam = "long grind"\n' + LONG, '"long grind" names 2 parts'),
        ('[[heads]]\nname = "h"\nsame_drop = true\nintake.head_diameter = 33\n', "head_diameter: a larger valve"),
        ('[[heads]]\nname = "h"\nsame_drop = true\nexhaust.tilt = 16\n', 'heads "h": exhaust.tilt: a larger valve, or'),
        (f"[now]\nintake_offset = [-4, 4]\n{LONG}", "now.intake_offset: [-4, 4] does not hold the offset"),
        ('[[pistons]]\nname = "p"\ndrop = 5\n', 'pistons "p": drop: is not set by this kind of part'),
        ('[[gaskets]]\nname = "p"\ndrop.built_with = 5\n', 'gaskets "p": drop.built_with'),
        (f"intake_cams = 5\n{LONG.replace('intake', 'exhaust')}", "intake_cams: must be a list in [ ]"),
        (
            f'{LONG}[[drops]]\nwith = ["long grind"]\ndrop = {{ intake.at_tdc = 5, exhaust.at_tdc = 5, '
            "measured_with.stroke = 80 }\n",
            "drops (entry 1).drop.measured_with.stroke: unknown key",
        ),
        ("[[intake_cams]\n", "line 1"),
    ],
)  # fmt: skip
def test_a_mistake_is_reported_with_part_key_and_fix(project: Project, text: str, message: str) -> None:
    assert any(message in each for each in refused(project, text)), refused(project, text)


def test_a_range_of_offset_needs_a_phaser_of_that_cam(tmp_path: Path) -> None:
    fixed = load_project(Path(__file__).parents[2] / "examples" / "intake_only" / "project.toml")
    assert fixed.exhaust.phaser is None
    path = tmp_path / "shelf.toml"
    path.write_text('[now]\nexhaust_offset = [0, 8]\n[[exhaust_cams]]\nname = "late"\nexhaust.centreline = 112\n')
    with pytest.raises(InputError) as error:
        load_shelf(path, fixed)
    assert "now.exhaust_offset: the exhaust cam has no phaser of its own, so no range is tried" in str(error.value)


def test_every_mistake_is_reported_at_once(project: Project) -> None:
    text = LONG + "prise = 3\nhours = 'three'\n[[pistons]]\nname = 'a'\nneeds = ['b']\ncolour = 'red'\n"
    found = refused(project, text)
    assert [each.partition(". Fix")[0] for each in found] == [
        "intake_cams \"long grind\": hours: must be a number (it is 'three')",
        'pistons "a": colour: unknown key',
    ]
    found = refused(project, text.replace("hours = 'three'\n", ""))
    assert [each.partition(". Fix")[0] for each in found] == [
        'intake_cams "long grind": prise: unknown key',
        'pistons "a": colour: unknown key',
        'pistons "a": needs: there is no part "b"',
    ]


def test_a_file_that_is_not_there_is_refused(project: Project) -> None:
    with pytest.raises(InputError, match="there is no such file"):
        load_shelf(project.folder / "none.toml", project)


def test_every_kind_of_part_sets_keys_that_a_project_has() -> None:
    """Each key of `SETS` is one of `KEYS.md`, or a section of some."""
    keys = (ROOT / "examples" / "KEYS.md").read_text(encoding="utf-8").replace("[]", "")
    for kind, may in SETS.items():
        assert [key for key in may if f"| `{key}" not in keys] == [], kind
        assert not any(inside(key, ("gap.running.reserve", "gap.static", "torque")) for key in may)
    assert len({kind_text(kind) for kind in KINDS}) == len(KINDS)


def test_what_a_key_stands_in_place_of_goes() -> None:
    table = {
        "intake": {"lobe": "a.csv", "lobe_error": 0.1, "lash": 0.2},
        "cycle": {"intake": {"parts": [1], "wall": 9}},
    }
    card = {"lift": 10.0}
    found = changed_table(table, {"intake": {"card": card}, "cycle": {"intake": {"runner": [2]}}})
    assert found == {"intake": {"lash": 0.2, "card": card}, "cycle": {"intake": {"wall": 9, "runner": [2]}}}


def test_a_card_is_replaced_as_a_whole() -> None:
    table = {"intake": {"card": {"lift": 10.0, "lift_at_tdc": {"lift": 2.0}}}}
    assert changed_table(table, {"intake": {"card": {"lift": 11.0}}}) == {"intake": {"card": {"lift": 11.0}}}
    seats = {"seats": {"intake": {"across": 17.0, "tilt": 12.0}, "contact_lifts": [[3, 3]], "error": 0.2}}
    found = changed_table(seats, {"seats": {"intake": {"across": 16.0}}})
    assert found == {"seats": {"intake": {"across": 16.0}, "error": 0.2}}


def test_the_list_beside_the_examples_is_up_to_date() -> None:
    """Made by: python -c "from phaseopt.project.shelf import shelf_table; print(shelf_table(), end='')"."""
    assert LIST.read_text(encoding="utf-8").endswith(shelf_table())


def test_the_example_is_read() -> None:
    project = load_project(ROOT / "examples" / "hillclimb" / "project.toml")
    shelf = load_shelf(ROOT / "examples" / "hillclimb" / "shelf.toml", project)
    assert {kind: len(parts) for kind, parts in shelf.parts.items()} == {
        "intake_cams": 4, "exhaust_cams": 3, "heads": 2, "pistons": 2,
    }  # fmt: skip
