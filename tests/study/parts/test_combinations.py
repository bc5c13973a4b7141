"""Which parts go together, and the project of each combination: compression, drops, springs, bore, written projects."""

import itertools
import math
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import CARD, lobe_csv, project_of
from hillclimb import ROOT

from phaseopt.clearance.drop_sources import drop_laws
from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.engine.lobe_file import read_lobe
from phaseopt.output.parts_files import write_combination
from phaseopt.project import Project, Side
from phaseopt.project.load import load_project
from phaseopt.project.shelf import Shelf, load_shelf
from phaseopt.study.parts.combinations import (
    Combination,
    Fitted,
    allowed,
    count,
    fitted,
    fitting,
    is_allowed,
    left_out,
    present,
)
from phaseopt.study.parts.family import Grind, stretched_lobe
from phaseopt.values.errors import InputError

HILLCLIMB = ROOT / "examples" / "hillclimb"
LONG = '[[intake_cams]]\nname = "long grind"\nintake.lobe = "long.csv"\n'
SPRING: dict[str, Any] = {
    "seat_force": 260.0, "full_lift_force": 600.0, "fitted_height": 36.0, "solid_height": 24.0,
    "valve": 40.0, "retainer": 8.0, "keepers": 2.0, "follower": 40.0, "spring": 45.0,
}  # fmt: skip


def engine(folder: Path, **changes: Any) -> Project:
    return project_of(folder, {"long.csv": lobe_csv(11.0, 70.0), "huge.csv": lobe_csv(12.6, 74.0)}, **changes)


def shelf_of(project: Project, text: str) -> Shelf:
    file = project.folder / "shelf.toml"
    file.write_text(text, encoding="utf-8")
    return load_shelf(file, project)


def named(shelf: Shelf, *names: str) -> Combination:
    """The combination of these parts, with what is fitted now for the rest."""
    found = [each for each in allowed(shelf) if {name for _, name in each.changed} == set(names)]
    assert len(found) == 1
    return found[0]


def fit(project: Project, text: str, *names: str) -> Fitted:
    shelf = shelf_of(project, text)
    return fitted(shelf, project, named(shelf, *names))


def problems(error: InputError) -> str:
    return "; ".join(each.problem for each in error.mistakes)


def test_needs_excludes_and_budget_leave_what_a_brute_search_leaves(tmp_path: Path) -> None:
    text = """
currency = "EUR"
aim.budget = 1000
[[intake_cams]]
name = "long"
price = 400
needs = ["stiff"]
intake.centreline = 112
[[exhaust_cams]]
name = "late"
price = 300
excludes = ["stiff"]
exhaust.centreline = 112
[[exhaust_cams]]
name = "early"
price = 350
exhaust.centreline = 106
[[intake_springs]]
name = "stiff"
price = 300
intake.spring.forces = [{ height = 36, force = 300 }, { height = 25, force = 700 }]
"""
    project = engine(tmp_path, intake={"spring": SPRING})
    shelf = shelf_of(project, text)
    price = {"long": 400, "late": 300, "early": 350, "stiff": 300}
    expected = set()
    for cam, other, spring in itertools.product([None, "long"], [None, "late", "early"], [None, "stiff"]):
        names = {each for each in (cam, other, spring) if each}
        if ("long" in names and "stiff" not in names) or {"late", "stiff"} <= names:
            continue
        if sum(price[each] for each in names) <= 1000:
            expected.add(frozenset(names))
    found = allowed(shelf)
    assert {frozenset(name for _, name in each.changed) for each in found} == expected
    assert len(found) == len(expected) < count(shelf) == 12
    assert found[0] == present(shelf)
    assert found[0].words == "as it is now"
    assert all(is_allowed(shelf, each) for each in found)
    assert found == allowed(shelf_of(project, text))  # the same order each time
    assert len({each.key for each in found}) == len(found)


def test_the_present_engine_is_the_project_itself(tmp_path: Path) -> None:
    project = engine(tmp_path)
    shelf = shelf_of(project, LONG)
    found = fitted(shelf, project, present(shelf))
    assert found.project is project
    assert (found.price, found.measure, found.changed, found.drop_known) == (0.0, (), frozenset(), True)


def test_a_cam_comes_without_what_was_read_on_the_old_one(tmp_path: Path) -> None:
    read = {"full_lift": 10.3}
    project = engine(tmp_path, intake={"degree_in": read}, exhaust={"degree_in": {"full_lift": 9.75}})
    found = fit(project, LONG, "long grind")
    assert found.project.intake.lobe == project.folder / "long.csv"
    assert found.project.intake.degree_in is None
    assert found.project.exhaust.degree_in == project.exhaust.degree_in
    assert found.project.drop == project.drop
    assert any("intake cam degreed in" in each for each in found.measure)
    assert found.drop_known


def chamber(project: Project, ratio: float) -> float:
    """Clearance volume, mm³: swept volume over (ratio less 1), the definition of the geometric compression ratio."""
    return math.pi / 4 * project.crank.bore**2 * project.crank.stroke / (ratio - 1)


def test_changes_of_the_chamber_add(tmp_path: Path) -> None:
    """A head, pistons and a gasket at once, against volumes by hand."""
    text = """
now.sizes.gasket = 1.2
[[heads]]
name = "skimmed head"
same_drop = true
compression = 11.6
[[pistons]]
name = "flat pistons"
same_drop = true
compression = 10.4
[[gaskets]]
name = "thin gasket"
drop.built_with.gasket = 0.7
"""
    project = engine(tmp_path)  # 11.0 : 1
    now = chamber(project, 11.0)
    thinner = -math.pi / 4 * 81.0**2 * 0.5
    head, piston = chamber(project, 11.6) - now, chamber(project, 10.4) - now
    for names, more in (
        (("skimmed head",), head),
        (("flat pistons",), piston),
        (("thin gasket",), thinner),
        (("skimmed head", "flat pistons", "thin gasket"), head + piston + thinner),
    ):
        ratio = fit(project, text, *names).project.crank.compression_ratio
        assert ratio is not None
        assert ratio == pytest.approx(1 + math.pi / 4 * 81.0**2 * 86.0 / (now + more), abs=6e-4)


def test_a_longer_stroke_counts_with_its_own_swept_volume(tmp_path: Path) -> None:
    """A crank of 90 mm that is at 11.4 with the present head and pistons, and that head's thicker gasket besides."""
    text = """
now.sizes = { gasket = 1.2, deck = 0.3 }
[[cranks]]
name = "stroker"
compression = 11.4
crank.stroke = 90.0
drop.built_with.deck = 0.3
[[gaskets]]
name = "thick gasket"
drop.built_with.gasket = 1.6
"""
    project = engine(tmp_path)
    found = fit(project, text, "stroker", "thick gasket").project
    swept = math.pi / 4 * 81.0**2 * 90.0
    wanted = 1 + swept / (swept / 10.4 + math.pi / 4 * 81.0**2 * 0.4)
    assert found.crank.compression_ratio == pytest.approx(wanted, abs=6e-4)
    assert found.crank.stroke == 90.0


def test_no_chamber_is_left_out_by_name(tmp_path: Path) -> None:
    text = """
[[heads]]
name = "small chambers"
same_drop = true
compression = 16
[[pistons]]
name = "domes"
same_drop = true
compression = 16
"""
    project = engine(tmp_path)
    shelf = shelf_of(project, text)
    assert fitted(shelf, project, named(shelf, "domes")).project.crank.compression_ratio == 16.0
    found = left_out(shelf, project)
    assert set(found) == {("small chambers", "domes")}
    assert "leaves no chamber" in found[("small chambers", "domes")]
    assert [each.words for each in fitting(shelf, project)] == ["as it is now", "domes", "small chambers"]
    with pytest.raises(InputError, match=r"small chambers, domes: .*leaves no chamber"):
        fitted(shelf, project, named(shelf, "small chambers", "domes"))


def at_tdc(project: Project, side: Side) -> float:
    return float(drop_laws(project)[side].at_tdc.min())


def test_a_thinner_gasket_takes_its_own_thickness_off_the_drop(tmp_path: Path) -> None:
    """Both drops fall by 0.5 mm times the cosine of the valve's tilt, near enough to 1 here, and no less."""
    project = engine(tmp_path)
    text = '[now.sizes]\ngasket = 1.2\n[[gaskets]]\nname = "thin"\ndrop.built_with.gasket = 0.7\n'
    found = fit(project, text, "thin")
    assert found.drop_known
    for side in ("intake", "exhaust"):
        less = at_tdc(project, side) - at_tdc(found.project, side)
        assert 0.5 * math.cos(math.radians(14)) < less < 0.5 / math.cos(math.radians(14))
    assert found.project.intake.degree_in is None


@pytest.mark.parametrize(
    ("kind", "keys", "known"),
    [
        ("heads", "compression = 11.2", False),
        ("heads", "same_drop = true", True),
        ("heads", "drop.built_with.skimmed = 0.3\ndrop.measured_with.skimmed = 0", False),
        ("heads", "same_drop = true\ndrop.built_with.skimmed = 0.3\ndrop.measured_with.skimmed = 0", True),
        ("heads", "drop.intake.at_tdc = 6\ndrop.exhaust.at_tdc = 6.2", True),
        ("pistons", "compression = 11.2", False),
        ("pistons", "drop = { measured_with.compression_height = 30, built_with.compression_height = 30.4 }", False),
        (
            "pistons",
            "drop = { measured_with = { compression_height = 30, pocket_depth = 2 }, "
            "built_with = { compression_height = 30.4, pocket_depth = 2.5 } }",
            True,
        ),
        (
            "pistons",  # 3.5 mm higher: too far to carry
            "drop = { measured_with = { compression_height = 30, pocket_depth = 2 }, "
            "built_with = { compression_height = 33.5, pocket_depth = 2 } }",
            False,
        ),
        ("cranks", "crank.stroke = 88", False),
        ("cranks", "crank.stroke = 88\ndrop = { measured_with.deck = 0.2, built_with.deck = 0.4 }", True),
        ("cranks", "crank.redline = 7800", True),
        ("pockets", "drop = { measured_with.pocket_depth = 2, built_with.pocket_depth = 3 }", True),
    ],
)
def test_a_drop_is_known_only_where_something_shows_it(tmp_path: Path, kind: str, keys: str, known: bool) -> None:
    project = engine(tmp_path)
    found = fit(project, f'[[{kind}]]\nname = "new one"\n{keys}\n', "new one")
    assert found.drop_known is known
    assert found.measure[0].startswith("valve drop, both sides, with the new one")
    if not known:
        assert any("not known: contact is not judged" in note for note in found.notes)


@pytest.mark.parametrize("deck", ["", "deck = 0.2, "])
def test_a_crown_that_stands_higher_takes_as_much_off_the_drop(tmp_path: Path, deck: str) -> None:
    """0.2 mm from a pin height, 1 mm from half of 2 mm more stroke, less a rod 0.5 mm shorter: 0.7 mm by geometry,
    whether or not the deck is given too, which then follows."""
    text = f"""
now.sizes = {{ {deck}compression_height = 30.0, pocket_depth = 2.0 }}
[[pistons]]
name = "tall pistons"
drop.built_with = {{ compression_height = 30.2, pocket_depth = 2.0 }}
[[cranks]]
name = "stroker"
crank.stroke = 88.0
crank.rod = 136.5
"""
    project = engine(tmp_path)
    found = fit(project, text, "tall pistons", "stroker")
    assert found.drop_known
    for side in ("intake", "exhaust"):
        less = at_tdc(project, side) - at_tdc(found.project, side)
        assert 0.7 * math.cos(math.radians(14)) < less < 0.7 / math.cos(math.radians(14))


def test_a_stroke_is_carried_where_the_pin_height_stays(tmp_path: Path) -> None:
    """1 mm more of throw brings the crown 1 mm nearer; without the pin height nothing shows where it stands."""
    text = '[[cranks]]\nname = "stroker"\ncrank.stroke = 88.0\n'
    project = engine(tmp_path)
    found = fit(project, "now.sizes.compression_height = 30.0\n" + text, "stroker")
    assert found.drop_known
    assert at_tdc(project, "intake") - at_tdc(found.project, "intake") == pytest.approx(1.0, abs=0.03)
    assert not fit(project, text, "stroker").drop_known


def test_a_cam_or_a_manifold_leaves_the_drop_as_it_was(tmp_path: Path) -> None:
    assert fit(engine(tmp_path), LONG, "long grind").measure[0].startswith("intake cam")


DROPS = """
now.sizes.gasket = 1.2
[[heads]]
name = "ported head"
[[pistons]]
name = "domed pistons"
[[gaskets]]
name = "thin gasket"
drop.built_with.gasket = 1.0
[[drops]]
with = ["ported head", "domed pistons"]
drop = { intake.at_tdc = 4.9, exhaust.at_tdc = 5.3 }
"""


def test_readings_with_the_parts_count_for_those_parts(tmp_path: Path) -> None:
    project = engine(tmp_path)
    text = DROPS.replace('name = "ported head"', 'name = "ported head"\ncompression = 11.1').replace(
        'name = "domed pistons"', 'name = "domed pistons"\ncompression = 12'
    )
    text = text.replace(
        "[[drops]]", '[[drops]]\nwith = ["ported head"]\ndrop = { intake.at_tdc = 6, exhaust.at_tdc = 6 }\n[[drops]]'
    )
    both = fit(project, text, "ported head", "domed pistons")
    assert both.drop_known
    assert both.project.drop.intake.at_tdc == (4.9,)
    one = fit(project, text, "ported head")
    assert one.drop_known
    assert one.project.drop.intake.at_tdc == (6.0,)
    other = fit(project, text, "domed pistons")
    assert not other.drop_known
    assert "with the domed pistons" in other.measure[0]
    thin = fit(project, text, "ported head", "domed pistons", "thin gasket")
    assert thin.drop_known
    assert at_tdc(both.project, "intake") - at_tdc(thin.project, "intake") == pytest.approx(0.2, abs=0.02)


def test_two_sheets_that_nothing_decides_between_are_refused(tmp_path: Path) -> None:
    text = """
[[heads]]
name = "head"
drop = { intake.at_tdc = 6, exhaust.at_tdc = 6.2 }
[[pistons]]
name = "pistons"
drop = { intake.at_tdc = 5, exhaust.at_tdc = 5.2 }
"""
    project = engine(tmp_path)
    shelf = shelf_of(project, text)
    with pytest.raises(InputError, match=r"read with \(head\) and \(pistons\), and nothing decides between them"):
        fitted(shelf, project, named(shelf, "head", "pistons"))


def test_lift_beyond_coil_bind_is_left_out_with_the_figures(tmp_path: Path) -> None:
    """36 mm fitted and 24 mm solid leave 12 mm; the huge lobe lifts 12.6 less 0.2 mm of lash."""
    project = engine(tmp_path, intake={"spring": SPRING})
    shelf = shelf_of(project, LONG.replace("long", "huge"))
    assert left_out(shelf, project) == {
        (
            "huge grind",
        ): "the coils touch 0.40 mm before full lift of 12.40 mm (fitted 36 mm, solid 24 mm); no force is "
        "given within 2.1 mm of a height that the spring works at"
    }


def test_a_spring_keeps_its_force_at_the_height_where_it_was_read(tmp_path: Path) -> None:
    """Two forces, seat and full lift of the present cam: with 0.5 mm more lift the same rate goes on."""
    project = engine(tmp_path, intake={"spring": SPRING})
    spring = fit(project, LONG, "long grind").project.intake.spring
    assert spring is not None
    assert [(row.height, row.force) for row in spring.forces] == [(36.0, 260.0), (pytest.approx(25.7), 600.0)]
    assert spring.full_lift_force is None


def test_nothing_fits_is_refused_with_the_reasons(tmp_path: Path) -> None:
    project = engine(tmp_path, intake={"spring": SPRING})
    text = '[now]\nintake_cam = { name = "worn grind", stays = false }\n' + LONG.replace("long", "huge")
    shelf = shelf_of(project, text)
    with pytest.raises(InputError, match="nothing fits: huge grind: the coils touch"):
        fitting(shelf, project)
    text = '[now]\nintake_cam = { name = "worn grind", stays = false }\n' + LONG + 'needs = ["worn pistons"]\n'
    text += '[[pistons]]\nname = "worn pistons"\nsame_drop = true\nexcludes = ["long grind"]\n'
    shelf = shelf_of(project, text)
    with pytest.raises(InputError, match="nothing fits: long grind: no combination has what it needs"):
        fitting(shelf, project)


@pytest.mark.parametrize(("size", "fits"), [(33.0, True), (38.0, True), (39.0, False)])
def test_valves_must_find_room_in_the_bore(tmp_path: Path, size: float, fits: bool) -> None:
    """Four circles, two and two, in a circle: the bound is what a search over places finds, on a coarse grid."""
    project = engine(tmp_path, intake={"tilt": 0.0}, exhaust={"tilt": 0.0})
    text = f'[[heads]]\nname = "big valves"\nintake.head_diameter = {size}\n'
    radius, a, b = 81.0 / 2, size / 2, 27.0 / 2
    along = [np.arange(each, radius, 0.05) for each in (a, b)]  # half the distance between two of a kind
    reach = [np.sqrt(np.maximum((radius - each) ** 2 - y**2, 0.0)) for each, y in zip((a, b), along, strict=True)]
    room = (reach[0][:, None] + reach[1][None, :]) ** 2 + (along[0][:, None] - along[1][None, :]) ** 2
    possible = (room >= (a + b) ** 2) & (along[0][:, None] + a <= radius) & (along[1][None, :] + b <= radius)
    assert possible.any() == fits
    if fits:
        assert fit(project, text, "big valves").project.intake.head_diameter == size
    else:
        assert "the valves do not fit the bore" in left_out(shelf_of(project, text), project)[("big valves",)]


def test_another_head_does_not_keep_the_seats_of_this_one(tmp_path: Path) -> None:
    seats = {
        "intake": {"across": 17.5, "along": 17.0, "margin": 1.2},
        "exhaust": {"across": -17.5, "along": 17.0, "margin": 1.2},
    }
    project = engine(tmp_path, seats=seats)
    text = '[[heads]]\nname = "other"\ncompression = 11\n[[heads]]\nname = "ported"\nsame_drop = true\n'
    assert fit(project, text, "other").project.seats is None
    assert fit(project, text, "ported").project.seats == project.seats


def test_two_parts_that_set_one_key_differently_are_refused(tmp_path: Path) -> None:
    text = """
now.sizes = { compression_height = 30, pocket_depth = 2 }
[[pistons]]
name = "forged"
drop.built_with = { compression_height = 30, pocket_depth = 3 }
[[pockets]]
name = "deeper"
drop.built_with.pocket_depth = 2.5
"""
    project = engine(tmp_path)
    found = left_out(shelf_of(project, text), project)
    assert found == {("forged", "deeper"): "forged and deeper both set drop.built_with.pocket_depth"}


def test_sprockets_say_which_offsets_can_be_dialled_in(tmp_path: Path) -> None:
    text = '[[sprockets]]\nname = "vernier"\nintake_offset = [-20, -8]\nexhaust_offset = [0, 16]\n' + LONG
    project = engine(tmp_path)  # intake fitted at -6
    found = fit(project, text, "vernier")
    assert found.offset_range == {"intake": (-20.0, -8.0), "exhaust": (0.0, 16.0)}
    assert found.project.intake.offset == -8.0
    assert any("intake offset -6° is not within" in note for note in found.notes)
    assert fit(project, text, "long grind").offset_range is None


def test_readings_go_where_another_sprocket_or_limiter_is_fitted(tmp_path: Path) -> None:
    read = {"full_lift": 10.3, "turned": 40.0}
    project = engine(tmp_path, intake={"degree_in": read})
    text = '[[sprockets]]\nname = "vernier"\nintake_offset = [-20, 8]\n'
    text += '[[limiters]]\nname = "stop"\nintake.phaser.travel = [0, 25]\n'
    assert fit(project, text, "vernier").project.intake.degree_in is None
    left = fit(project, text, "stop").project.intake
    assert left.degree_in is not None
    assert (left.degree_in.turned, left.degree_in.full_lift) == (None, 10.3)
    assert left.phaser is not None
    assert left.phaser.travel == (0.0, 25.0)


def test_knock_that_was_heard_on_the_present_engine_scales_no_other() -> None:
    project = load_project(
        HILLCLIMB / "project.toml",
        changes=['cycle.knock={ octane = "98 RON", heard = [{ rpm = 4000, spark = 25 }] }'],
    )
    shelf = load_shelf(HILLCLIMB / "shelf.toml", project)
    found = fitted(shelf, project, named(shelf, "domed pistons"))
    assert found.project.cycle is not None
    assert found.project.cycle.knock is not None
    assert found.project.cycle.knock.heard == ()
    assert any("knock was heard" in note for note in found.notes)


def test_pipes_and_fuel_take_the_place_of_those_that_are_fitted(tmp_path: Path) -> None:
    """Throttle bodies in place of a plenum, plain pipes in place of a list of parts, another fuel and mixture."""
    project = load_project(HILLCLIMB / "project.toml")
    text = """
[[manifolds]]
name = "throttle bodies"
cycle.throttles = "per cylinder"
cycle.intake.runner = [{ length = 260, start = 45, end = 41 }]
[[exhausts]]
name = "four into one"
cycle.exhaust.primary = [{ length = 760, start = 42 }]
cycle.exhaust.tail = [{ length = 1500, start = 63 }]
[[fuels]]
name = "ethanol"
cycle.fuel = "ethanol"
cycle.air_fuel_ratio = 7.4
"""
    file = tmp_path / "shelf.toml"
    file.write_text(text, encoding="utf-8")
    shelf = load_shelf(file, project)
    found = fitted(shelf, project, named(shelf, "throttle bodies", "four into one", "ethanol"))
    cycle, before = found.project.cycle, project.cycle
    assert cycle is not None
    assert before is not None
    assert (cycle.throttles, cycle.plenum_volume) == ("per cylinder", None)
    assert (cycle.exhaust.parts, cycle.exhaust.primary is not None) == ((), True)
    assert (cycle.fuel, cycle.excess_air, cycle.air_fuel_ratio) == ("ethanol", None, 7.4)
    assert (cycle.intake.bench, cycle.exhaust.port) == (before.intake.bench, before.exhaust.port)
    assert found.project.drop == project.drop
    assert found.project.intake.degree_in == project.intake.degree_in
    assert found.factors_lost == ("burn duration",)  # another fuel


def test_parts_of_a_project_in_inches(tmp_path: Path) -> None:
    """The same engine in either units: the same carried drop."""
    text = '[now.sizes]\ngasket = "1.2 mm"\n[[gaskets]]\nname = "thin"\ndrop.built_with.gasket = "0.7 mm"\n'
    (tmp_path / "mm").mkdir()
    (tmp_path / "in").mkdir()
    metric = engine(tmp_path / "mm")
    path = engine(tmp_path / "in").file
    given = path.read_text(encoding="utf-8")
    for key in ("bore", "stroke", "rod", "head_diameter", "lobe_error", "lash", "rate"):
        given = re.sub(rf"(?<![a-z_]){key} = ([0-9.]+)", rf'{key} = "\1 mm"', given)
    given = given.replace("section = 165.0", 'section = "165 mm^2"')
    path.write_text('units = "inch"\n' + given, encoding="utf-8")
    inch = load_project(path)
    one, other = fit(metric, text, "thin"), fit(inch, text, "thin")
    assert at_tdc(one.project, "exhaust") == pytest.approx(at_tdc(other.project, "exhaust"), abs=1e-6)
    assert one.project.crank.compression_ratio == other.project.crank.compression_ratio


def test_a_price_that_is_not_given_is_not_counted_as_nothing(tmp_path: Path) -> None:
    text = (
        f'currency = "GBP"\n{LONG}price = 250\nhours = 2\n[[pistons]]\nname = "old ones"\nsame_drop = true\nhours = 9\n'
    )
    project = engine(tmp_path)
    both = fit(project, text, "long grind", "old ones")
    assert (both.price, both.hours) == (None, 11.0)
    assert fit(project, text, "long grind").price == 250.0


def durations(cam_deg: np.ndarray, lift: np.ndarray, at: float) -> tuple[float, float]:
    """Crank degrees from the lobe's centre to a lift on either flank, by NumPy's own interpolation."""
    middle = int(np.argmax(lift))
    opening = -np.interp(at, lift[: middle + 1], cam_deg[: middle + 1])
    closing = np.interp(-at, -lift[middle:], cam_deg[middle:])
    return 2 * float(opening), 2 * float(closing)


@pytest.mark.parametrize("grind", [Grind(10.0, 14.0, 1.06), Grind(0.0, 12.0, 1.0), Grind(-6.0, -4.0, 0.95), Grind()])
def test_a_lobe_of_a_family_is_as_much_longer_on_each_flank(tmp_path: Path, grind: Grind) -> None:
    """Durations at 1 mm by NumPy, and by the program's own reader; no step of slope or bend at the nose."""
    file = HILLCLIMB / "lobes" / "intake.csv"
    base = np.loadtxt(file, delimiter=",", skiprows=1)
    rows = stretched_lobe(file, grind, 1.0)
    before, after = durations(*base.T, 1.0), durations(*rows.T, 1.0)
    assert np.subtract(after, before) == pytest.approx([grind.opening, grind.closing], abs=0.02)
    assert rows[:, 1].max() == pytest.approx(base[:, 1].max() * grind.lift)
    written = tmp_path / "lobe.csv"
    written.write_text("cam_deg,lift_mm\n" + "".join(f"{a:.4f},{b:.4f}\n" for a, b in rows), encoding="utf-8")
    low, high = read_lobe(written, 1.0).span(1.0)
    first, last = read_lobe(file, 1.0).span(1.0)
    assert (first - low, high - last) == (
        pytest.approx(grind.opening, abs=0.05),
        pytest.approx(grind.closing, abs=0.05),
    )
    # second differences on either side of the nose: alike as those of the lobe it is made of
    bend = np.gradient(np.gradient(rows[:, 1], rows[:, 0]), rows[:, 0])
    nose = int(np.argmax(rows[:, 1]))
    assert bend[nose - 3] == pytest.approx(bend[nose + 3], rel=0.08)


def test_a_family_without_change_is_the_lobe_it_is_made_of() -> None:
    file = HILLCLIMB / "lobes" / "intake.csv"
    assert np.abs(stretched_lobe(file, Grind()) - np.loadtxt(file, delimiter=",", skiprows=1)).max() < 1e-9


def test_a_grind_outside_its_family_is_refused(tmp_path: Path) -> None:
    project = engine(tmp_path)
    shelf = shelf_of(project, '[[intake_cams]]\nname = "x"\nfamily = { of = "long.csv", opening = [0, 8] }\n')
    found = fitted(shelf, project, named(shelf, "x"), {"intake": Grind(opening=8.0)})
    assert found.project.intake.lobe is not None
    with pytest.raises(InputError, match="opening 9 is not within 0 to 8"):
        fitted(shelf, project, named(shelf, "x"), {"intake": Grind(opening=9.0)})


def test_a_cam_by_its_card_can_give_way_to_a_lobe_file(tmp_path: Path) -> None:
    project = engine(tmp_path, intake={"lobe": None, "lobe_error": None, "card": CARD})
    found = fit(project, LONG, "long grind").project.intake
    assert found.card is None
    assert found.lobe == project.folder / "long.csv"


def test_a_written_combination_has_the_limits_of_the_combination(tmp_path: Path) -> None:
    """The written project, read by the ordinary reader, judges contact as the combination's own project does."""
    (tmp_path / "now").mkdir()
    project = engine(tmp_path / "now")
    text = 'now.sizes.gasket = 1.2\n[[gaskets]]\nname = "thin"\ndrop.built_with.gasket = 0.9\n' + LONG
    text += '[[exhaust_cams]]\nname = "made to order"\nfamily = { of = "exhaust.csv", opening = [0, 8] }\n'
    shelf = shelf_of(project, text)
    chosen, grind = named(shelf, "thin", "long grind", "made to order"), {"exhaust": Grind(opening=6.0)}
    write_combination(shelf, project, chosen, tmp_path / "new", grind, {"intake": -10.0})  # type: ignore[arg-type]
    read = load_project(tmp_path / "new" / "project.toml")
    assert read.intake.offset == -10.0
    assert read.torque is None
    own = fitted(shelf, project, chosen, grind).project  # type: ignore[arg-type]
    moved = own.intake.model_copy(update={"offset": -10.0})
    own = own.model_copy(update={"intake": moved})
    one, other = (phase_limits(contact_model(each)) for each in (read, own))
    assert one.boxes == other.boxes
    assert one.safe.equals(other.safe)
    present_limits = phase_limits(contact_model(project))
    assert one.boxes != present_limits.boxes
    measure = (tmp_path / "new" / "MEASURE.md").read_text(encoding="utf-8")
    assert "- [ ] valve drop, both sides, with the thin" in measure
    assert "- [ ] intake cam degreed in" in measure
    with pytest.raises(InputError, match="nothing is overwritten"):
        write_combination(shelf, project, chosen, tmp_path / "new")


def test_a_written_combination_with_an_unknown_drop_has_to_be_filled_in(tmp_path: Path) -> None:
    (tmp_path / "now").mkdir()
    project = engine(tmp_path / "now")
    shelf = shelf_of(project, '[[pistons]]\nname = "forged"\ncompression = 12\n')
    write_combination(shelf, project, named(shelf, "forged"), tmp_path / "new")
    path = tmp_path / "new" / "project.toml"
    with pytest.raises(InputError) as error:
        load_project(path)
    assert [each.where for each in error.value.mistakes] == ["drop.intake.at_tdc", "drop.exhaust.at_tdc"]
    assert tomllib.loads(path.read_text(encoding="utf-8"))["crank"]["compression_ratio"] == 12.0


@pytest.mark.parametrize("number", range(0, 42, 5))
def test_combinations_of_the_example_can_be_fitted(number: int, tmp_path: Path) -> None:
    project = load_project(HILLCLIMB / "project.toml")
    shelf = load_shelf(HILLCLIMB / "shelf.toml", project)
    assert (count(shelf), len(allowed(shelf))) == (48, 42)
    combination = allowed(shelf)[number]
    found = fitted(shelf, project, combination)
    assert found.drop_known
    assert found.price is not None
    write_combination(shelf, project, combination, tmp_path / "new")
    assert load_project(tmp_path / "new" / "project.toml").crank == found.project.crank
