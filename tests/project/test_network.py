"""A list of parts that is no network: each mistake with its key and a fix."""

from pathlib import Path
from typing import Any

import pytest
from cycle.test_from_project import FOUR
from engines import project_of
from pipework import AIRBOX, EVERYTHING, FOUR_TWO_ONE, PLENUM, pipe, sides

from phaseopt.values.errors import InputError, Mistake

CHAMBER = {"part": "chamber", "name": "box", "length": 400, "diameter": 150}
INTO_BOX = [pipe("primary", "each cylinder", "box", (600, 40)), pipe("tail", "box", "open air", (900, 50))]
THROTTLES, RUNNERS = {"part": "throttle", "name": "throttles", "from": "open air"}, ("each cylinder", (250, 44))


def mistakes(folder: Path, **lists: Any) -> tuple[Mistake, ...]:
    with pytest.raises(InputError) as caught:
        project_of(folder, firing_order=FOUR, cycle=sides(**lists))
    return caught.value.mistakes


def but(parts: list[dict[str, Any]], entry: int, **changes: Any) -> list[dict[str, Any]]:
    """A list with one entry changed, counted from 1; without a key where it is None."""
    changed = {k: v for k, v in {**parts[entry - 1], **changes}.items() if v is not None}
    return [*parts[: entry - 1], changed, *parts[entry:]]


@pytest.mark.parametrize(
    ("exhaust", "key", "problem"),
    [
        (but(FOUR_TWO_ONE, 1, to="front J"), "(entry 1).to", 'nothing is named "front J"'),
        (but(FOUR_TWO_ONE, 4, name="front Y"), "(entry 4).name", "names two parts"),
        (but(FOUR_TWO_ONE, 4, name="open air"), "(entry 4).name", "no name for a part"),
        (but(FOUR_TWO_ONE, 7, to="secondary"), "(entry 7).to", "pipes do not join pipes"),
        (but(FOUR_TWO_ONE, 1, **{"from": ["cylinder 1", "cylinder 5"]}), "(entry 1).from", "there is no cylinder 5"),
        (but(FOUR_TWO_ONE, 1, to="cylinder 2"), "(entry 1).to", "at the wrong end"),
        (but(FOUR_TWO_ONE, 5, to=["collector"] * 3), "(entry 5)", "from 2 to 3 parts"),
        (but(FOUR_TWO_ONE, 7, to=[]), "(entry 7).to", "has 0 entries"),
        (but(FOUR_TWO_ONE, 1, **{"from": "cylinder 1"}), "", "no pipe goes from cylinder 4"),
        (but(FOUR_TWO_ONE, 2, **{"from": ["cylinder 1", "cylinder 3"]}), "(entry 2).from", "both join the port"),
        ([*FOUR_TWO_ONE, {"part": "junction", "name": "spare"}], "(entry 8)", "a loose end"),
        (FOUR_TWO_ONE[:-1], "(entry 6)", "a loose end"),
        (but(FOUR_TWO_ONE, 7, to="back Y"), "(entry 4)", "a loop"),
        (but(FOUR_TWO_ONE, 7, pieces=None), "(entry 7)", "a pipe needs pieces"),
        (but(FOUR_TWO_ONE, 7, pieces=[]), "(entry 7).pieces", "has 0 entries"),
        (but(FOUR_TWO_ONE, 6, name="front Y, outlet"), "(entry 6).name", "begins with the name of another part"),
        (but(FOUR_TWO_ONE, 3, volume=1.0), "(entry 3)", "a junction has no volume"),
        (but(FOUR_TWO_ONE, 3, angle=120), "(entry 3).angle", "90"),
        ([{**CHAMBER, "length": 45}, *INTO_BOX], "(entry 1).length", "less than its pipe is wide"),
        ([{**CHAMBER, "diameter": 60}, *INTO_BOX], "(entry 1).diameter", "as wide as the chamber"),
        ([{**CHAMBER, "inlet_reach": 250, "outlet_reach": 160}, *INTO_BOX], "(entry 1)", "leave no chamber"),
        (but(EVERYTHING[-3:], 1, can=60), "(entry 1)", "no room around a pipe"),
    ],
)
def test_an_exhaust_that_is_no_network(tmp_path: Path, exhaust: Any, key: str, problem: str) -> None:
    found = [m for m in mistakes(tmp_path, exhaust=exhaust) if problem in m.problem]
    assert found
    assert found[0].where == f"cycle.exhaust.parts{' ' if key else ''}{key}"
    assert found[0].hint
    assert found[0].file == tmp_path / "project.toml"


@pytest.mark.parametrize(
    ("intake", "key", "problem"),
    [
        (but(PLENUM, 1, to="airbox"), "(entry 1).to", 'nothing is named "airbox"'),
        (PLENUM[1:], "(entry 1)", 'nothing leads to "plenum"'),
        ([pipe("runner", "open air", *RUNNERS)], "(entry 1)", "no throttle is between"),
        (
            [THROTTLES, pipe("stub", "throttles", "Y", (60, 50)), {"part": "junction", "name": "Y"},
             pipe("runner", "Y", *RUNNERS)],
            "(entry 2).to", "has a throttle of its own",
        ),
        ([*AIRBOX, pipe("second runner", "throttle", *RUNNERS)], "(entry 5).to", "both join the port of cylinder 1"),
        ([*PLENUM, {"part": "throttle", "name": "other", "from": "open air", "to": "plenum"}], "(entry 4).to", "two"),
        (but(AIRBOX, 3, **{"from": "snorkel"}), "(entry 3).from", "is a pipe"),
        (but(AIRBOX, 3, to="airbox"), "(entry 3).to", "must fill a plenum"),
        (but(PLENUM, 1, volume=0.2), "(entry 1).volume", "fills a plenum"),
        (but(AIRBOX, 1, pieces=[]), "(entry 1).pieces", "has 0 entries"),
        (
            [*AIRBOX, {"part": "throttle", "name": "more", "from": "airbox", "to": "box"},
             {"part": "plenum", "name": "box", "volume": 3}],
            "(entry 3)", "another throttle fills a volume",
        ),
        (but(AIRBOX, 2, name="throttle, runner 1"), "(entry 2).name", "begins with the name of another part"),
    ],
)  # fmt: skip
def test_an_intake_that_is_no_network(tmp_path: Path, intake: Any, key: str, problem: str) -> None:
    found = [m for m in mistakes(tmp_path, intake=intake) if problem in m.problem]
    assert found
    assert found[0].where == f"cycle.intake.parts {key}"
    assert found[0].hint


def test_a_name_with_a_slip_is_guessed(tmp_path: Path) -> None:
    (found,) = mistakes(tmp_path, exhaust=but(FOUR_TWO_ONE, 7, **{"from": "colector"}))
    assert found.hint == 'did you mean "collector"?'


def test_short_and_long_form_do_not_mix(tmp_path: Path) -> None:
    cycle = sides(exhaust=FOUR_TWO_ONE)
    cycle["exhaust"]["tail"] = [{"length": 1500, "start": 60}]
    with pytest.raises(InputError, match=r"cycle.exhaust.tail: exhaust.parts describes this too"):
        project_of(tmp_path, firing_order=FOUR, cycle=cycle)
    with pytest.raises(InputError, match=r"plenum_volume and intake.parts both"):
        project_of(tmp_path, firing_order=FOUR, cycle={**sides(intake=PLENUM), "plenum_volume": 4.0})
    del cycle["exhaust"]["parts"]
    with pytest.raises(InputError, match=r"cycle.exhaust.primary: must be given"):
        project_of(tmp_path, firing_order=FOUR, cycle=cycle)


def test_a_snorkel_that_takes_more_than_full_throttle_does(tmp_path: Path) -> None:
    """Bernoulli by hand: 1.77 litres at 8000 rpm through 35 mm are 123 m/s, 9 kPa, and a tenth more by friction."""
    narrow = but(but(AIRBOX, 1, pieces=[{"length": 100, "start": 35}]), 3, volume=0.1)
    (found,) = mistakes(tmp_path, intake=narrow)
    assert found.where == "cycle.full_throttle_depression"
    assert float(found.problem.split("about ")[1].split()[0]) == pytest.approx(0.5e-3 * 1.17 * 123.0**2, rel=0.2)
