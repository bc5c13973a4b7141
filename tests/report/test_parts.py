"""What a parts study says, of a study with invented numbers: the answer first, and nothing that it does not show."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from fake_parts import ALONE, TOGETHER, parts_study
from prose import prose_of, sentences_of

from phaseopt.cycle.config import KnockLaw
from phaseopt.report.document import Depth
from phaseopt.report.page import page
from phaseopt.report.parts_facts import cheaper, deciding, part_facts, to_build
from phaseopt.report.subjects.parts import grind_words, next_best_lines, parts_document
from phaseopt.report.terminal import terminal_text
from phaseopt.study.parts.family import Grind
from phaseopt.study.parts.grind import GrindFound
from phaseopt.study.parts.study import PartsStudy
from phaseopt.study.parts.trial import WHOLE
from report.test_units import METRIC_WORDS

EVEN = {"short grind": 0.4, "long grind": 0.5, "ported head": 0.3, "long primaries": 0.2}
MOST_LINES = 45


def text_of(study: PartsStudy, depth: Depth = Depth.ANSWER) -> str:
    return " ".join(terminal_text(parts_document(study), depth).split())


def test_the_first_line_is_what_to_build_and_what_it_gains(tmp_path: Path) -> None:
    """The invented numbers add up to the gain."""
    study = parts_study(tmp_path)
    gain = ALONE["long grind"] + ALONE["ported head"] + ALONE["long primaries"]
    gain += TOGETHER["ported head", "long primaries"]
    unsure = 2.0 * study.gain(study.first)[1]
    assert parts_document(study).verdict == (
        f"Build: long grind, ported head, long primaries. +{gain:.1f} ± {unsure:.1f} N·m on average over 3000 to "
        "8000 rpm at full throttle."
    )


def test_where_nothing_is_surely_better_the_engine_stays(tmp_path: Path) -> None:
    """As in the shelf the least gain is 0.8 N·m; left out it is 0.5 % of 150 N·m."""
    words = parts_document(parts_study(tmp_path, alone=EVEN)).verdict
    assert words.startswith("Keep what you have: nothing on the shelf is surely 0.8 N·m better. The best of it is")
    assert "long grind, ported head, long primaries. No clear difference (+" in words
    usual = parts_document(parts_study(tmp_path, alone=EVEN, aim="rpm = [3000, 8000]\nworth = 0.75")).verdict
    assert parts_document(parts_study(tmp_path, alone=EVEN, aim="rpm = [3000, 8000]")).verdict == usual
    less = parts_study(tmp_path, alone=dict.fromkeys(EVEN, -2.0))
    assert less.finalists[0] == "now"
    assert parts_document(less).verdict == ("Keep what you have: nothing on the shelf is surely 0.8 N·m better.")


def test_where_what_is_fitted_may_not_stay_something_is_built(tmp_path: Path) -> None:
    worn = 'intake_cam = { name = "road grind", stays = false }'
    study = parts_study(tmp_path, alone=EVEN, now=worn)
    assert to_build(study) == study.buildable[0] != "now"
    assert parts_document(study).verdict.startswith("Build: ")


@pytest.mark.parametrize("alone", [ALONE, EVEN])
def test_it_is_one_screen_of_short_sentences(alone: dict[str, float], tmp_path: Path) -> None:
    document = parts_document(parts_study(tmp_path, alone=alone))
    assert len(terminal_text(document).splitlines()) <= MOST_LINES
    assert [each for each in sentences_of(prose_of(document)) if len(each) > 20] == []


def test_the_list_has_every_finalist_and_the_engine_as_it_is(tmp_path: Path) -> None:
    study = parts_study(tmp_path)
    (table,) = [each for each in parts_document(study).sections[0].blocks if hasattr(each, "rows")]
    names = [row.cells[0] for row in table.rows]  # type: ignore[union-attr]
    assert sorted(names) == sorted(study.combinations[key].words for key in study.finalists)
    assert [row.label for row in table.rows] == ["1", "2", "3", "4", "5", "6", "now"]  # type: ignore[union-attr]
    best = sum(float(study.paired.best[i]) for i in range(len(study.finalists)))
    assert best == pytest.approx(1.0)


def test_what_would_decide_is_what_a_builder_can_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first two differ by the primaries alone, whose length is unknown by 1.1 N·m, and nothing else by as much."""
    monkeypatch.setattr("phaseopt.torque_model.shared_unknowns.ALIKE", 0.5)
    study = parts_study(tmp_path, alone=ALONE | {"long primaries": -0.6}, own=0.002)
    one, other = study.finalists[:2]
    found = deciding(study, one, other)
    assert found is not None
    assert found.measure == "the primary length of the long primaries, measured"
    assert found.left < study.gain(one, other)[1]
    assert "To decide between the two: the primary length of the long primaries, measured." in text_of(study)
    assert "No measurement is needed" in text_of(parts_study(tmp_path))


def test_a_cheaper_one_that_is_no_clear_loss_is_named(tmp_path: Path) -> None:
    """Without the primaries it is EUR 900 less, and 0.5 N·m less is not to be seen."""
    study = parts_study(tmp_path, alone=ALONE | {"long primaries": -0.6})
    best = to_build(study)
    assert best is not None
    less = cheaper(study, best)
    assert less == "intake_cams = long grind; heads = ported head"
    assert "for EUR 900 less" in text_of(study)
    assert "Long primaries (EUR 900): no clear difference without it." in text_of(study)


def test_poor_value_is_what_brings_nothing_that_shows_or_less_for_more(tmp_path: Path) -> None:
    study = parts_study(tmp_path)
    facts = {fact.part[1]: fact for fact in part_facts(study)}
    assert next(iter(facts)) == "long grind"
    assert facts["short grind"].little == "brings less than its ±"
    assert not facts["long grind"].little
    assert "Poor value" in text_of(study)
    none = {fact.part[1]: fact.little for fact in part_facts(parts_study(tmp_path, alone=ALONE | {"short grind": -3}))}
    assert none["short grind"] == "brings no torque"


def test_the_pair_that_needs_each_other_is_named_and_one_that_was_never_apart_is_not(tmp_path: Path) -> None:
    text = text_of(parts_study(tmp_path))
    assert re.search(r"Long primaries and ported head help each other: 1\.\d N·m more than their sum", text)
    assert "Long grind and ported head" not in text
    assert "Ported head and long grind" not in text


def test_what_was_left_out_and_what_to_measure_are_named_with_their_parts(tmp_path: Path) -> None:
    text = text_of(parts_study(tmp_path))
    assert "8 combinations with domed pistons must wait for: valve drop, both sides, with the domed pistons." in text
    assert "2 combinations with long grind, ported head, domed pistons. No timing is clear" in text
    assert "10 of 20 combinations tried coarsely" in text
    assert "Knock is not modelled" in text
    assert "piston to head" in text
    assert "by hand" in text


def test_other_units_are_everywhere(tmp_path: Path) -> None:
    document = parts_document(parts_study(tmp_path, units="inch"))
    for text in (terminal_text(document, Depth.DETAIL), page(document, "phaseopt parts")):
        assert not METRIC_WORDS.search(re.sub(r"<(style|script)>.*?</\1>", "", text, flags=re.DOTALL))


def test_what_to_ask_the_grinder_for(tmp_path: Path) -> None:
    """A lobe that makes 1.5 N·m more than the best with the long grind and the same parts otherwise."""
    study = parts_study(tmp_path)
    best = study.combinations[study.first]
    family = best.__class__(
        tuple((kind, "any grind" if kind == "intake_cams" else name) for kind, name in best.parts), best.changed
    )
    outcome = study.outcome(study.first)
    plain = outcome.as_plain() | {"torque": outcome.torque + 1.5, "level": WHOLE}
    found = GrindFound(
        family, "intake", Grind(6.0, -2.0, 1.03), study.fits[study.first], outcome.of_plain(plain),
        {"opening": (4.2, 9.1), "lift": (1.01, 1.04)}, 0.3, 12, 0, "", best, outcome,
    )  # fmt: skip
    words = grind_words(study, found)
    assert words.startswith(
        "Ask the grinder for the any grind: opening flank 6° longer, closing flank 2° shorter, lift 3 % more. +1.5 ± "
    )
    assert f"over the {best.kinds_of['intake_cams']}, other parts alike." in words
    assert words.endswith("Within 0.3 N·m of it: opening flank 4 to 9° longer, lift 1 to 4 % more.")


def test_a_lobe_that_gains_nothing_clear_is_not_asked_for(tmp_path: Path) -> None:
    study = parts_study(tmp_path)
    best, outcome = study.combinations[study.first], study.outcome(study.first)
    found = GrindFound(
        best, "intake", Grind(6.0, 0.0, 1.0), study.fits[study.first], outcome, {}, 0.3, 12, 0, "", best, outcome
    )
    words = grind_words(study, found)
    assert words.startswith("The long grind is not worth having ground. At its best (opening flank 6° longer): ")
    assert "no clear difference" in words


def test_the_most_torque_is_not_advised_while_it_is_unsure_and_less_is_sure(tmp_path: Path) -> None:
    """Number 1 by torque is unsure by much; the long grind alone with the head is sure."""
    study = parts_study(tmp_path)
    wide = {key: dict(levels) for key, levels in study.results.items()}
    first = wide[study.first][WHOLE]
    assert first is not None
    wide[study.first][WHOLE] = replace(first, effects=first.effects | {"primary length|long primaries": 9.0})
    unsure = replace(study, results=wide)
    assert to_build(unsure) == study.second
    lines = next_best_lines(unsure)
    assert lines[0].startswith("Number 1: no clear difference (+2.7 ± ")
    assert lines[0].endswith("for EUR 900 more.")


def test_knock_that_was_heard_is_said_of_the_combination(tmp_path: Path) -> None:
    study = parts_study(tmp_path)
    heard = {
        key: {at: replace(o, late=6.0) if o else o for at, o in levels.items()} for key, levels in study.results.items()
    }
    known = replace(study, results=heard, base=replace(study.base, knock=KnockLaw(95.0)))
    text = text_of(known)
    assert "Knock makes it burn up to 6° later than best, 6° as it is now." in text
    assert "Knock is not modelled" not in text


def test_a_speed_where_nothing_settled_has_no_number(tmp_path: Path) -> None:
    """A speed at which nothing settled has no number, and the page is drawn all the same."""
    study = parts_study(tmp_path)
    found = study.outcome(study.first)
    curve = found.curve.copy()
    curve[-1] = float("nan")
    results = {key: dict(levels) for key, levels in study.results.items()}
    results[study.first][WHOLE] = replace(found, curve=curve)
    text = page(parts_document(replace(study, results=results)), "phaseopt parts")
    assert "nan" not in re.sub(r"<(style|script)>.*?</\1>", "", text, flags=re.DOTALL)
