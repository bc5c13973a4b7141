"""Words of dips and of what limits cost, and that every output of a build carries them."""

import csv
import io
import json
from html import unescape

import numpy as np
import pytest
from parts import changed
from read_document import lines_of

from phaseopt.job.build import Build
from phaseopt.job.dips import CHANGES, CONTACT, LOGS, OWN, RULE, THIN, TRAVEL, Dip
from phaseopt.job.limit_costs import LimitCost, LimitCosts, deeper_pocket, gap_step
from phaseopt.job.mixture_and_spark import UnlikeAir
from phaseopt.report.dips import cause_words, dip_words
from phaseopt.report.document import Depth
from phaseopt.report.limit_costs import cost_lines
from phaseopt.report.subjects.build import build_document
from phaseopt.values.display_units import INCH, METRIC

AT = (100.0, 3000.0, 4000.0, 3500.0, 8.0, 1.0)
LEAN = UnlikeAir("mixture", 0.962, 0.881, np.array([True]))


@pytest.mark.parametrize(
    ("dip", "words"),
    [
        (
            Dip(*AT, CONTACT, ("box intake advance",), (("intake advance", 6.0),), 3.0, 0.5),
            "contact limit (intake advance). It would take 6° more of intake advance. Removed: +3.0 ± 1.0 N·m there",
        ),
        (Dip(*AT, TRAVEL, ("travel intake retard",), (), 3.0, 0.5), "limited by end of travel (intake retard)"),
        (Dip(*AT, CHANGES, ("slew", "roughness"), (), 3.0, 0.5), "phaser speed, smoothness towards neighbouring cells"),
        (Dip(*AT, RULE, ("pinned cell",), (), 3.0, 0.5), "limited by a rule of the project, pinned cell"),
        (Dip(*AT, LOGS, air=LEAN), "mixture differed there in the logs: 0.96 lambda against 0.88 elsewhere"),
        (Dip(*AT, THIN), "the data are too thin to say"),
        (Dip(*AT, OWN), "safe timing recovers less than a quarter of it"),
    ],
)
def test_each_cause_is_shown(dip: Dip, words: str) -> None:
    assert words in cause_words(dip, METRIC.torque)
    assert dip_words(dip, METRIC.torque).startswith(
        "100 kPa, 3000 to 4000 rpm: 8.0 ± 2.0 N·m below a smooth curve at 3500 rpm. "
    )


def test_the_three_costliest_limits_are_named(hillclimb: Build) -> None:
    cells = np.array([[0.0, 2.5]])
    names = ("gap intake_piston", "box intake advance", "travel intake retard", "overlap cap", "slew intake")
    five = [
        LimitCost(name, "0.25 mm" if k == 0 else "degree", 1.0 / (1 + k), 1.0, cells) for k, name in enumerate(names)
    ]
    said = cost_lines(changed(hillclimb, explanations={"limit_costs": LimitCosts(tuple(five), 0.25)}))
    assert said[0].startswith("A degree more would gain, in N·m a cell: contact limit (intake advance) 0.50 (2.50 at")
    assert "Overlap cap 0.25" in said[0]
    assert "between speeds" not in said[0]
    assert said[1] == "0.25 mm less would gain, in N·m a cell: required clearance, intake to piston 1.00."
    assert said[2] == "Pockets 0.5 mm deeper would gain 0.25 N·m a cell."
    nothing = cost_lines(changed(hillclimb, explanations={"limit_costs": LimitCosts((), None)}))
    assert nothing == ["No limit costs torque that the search can find."]


def test_every_output_of_a_build_carries_them(hillclimb: Build, hillclimb_files: dict[str, str]) -> None:
    files, record = hillclimb_files, json.loads(hillclimb_files["run.json"])
    page = unescape(files["report.html"])
    printed = build_document(hillclimb, depth=Depth.DETAIL)
    assert hillclimb.explanations.dips
    assert len(record["dips"]) == len(hillclimb.explanations.dips)
    assert len(record["limit_costs"]["limits"]) == len(hillclimb.explanations.limit_costs.limits) >= 3
    for title, words in (("Dips", f"{dip_words(hillclimb.explanations.dips[0], METRIC.torque)}."),
                         ("Limits cost", cost_lines(hillclimb)[0])):  # fmt: skip
        assert words in lines_of(printed, title)
        assert words in page
    rows = list(csv.DictReader(io.StringIO(files["cells.csv"])))
    for price in hillclimb.explanations.limit_costs.limits:
        column = np.array([float(row[f"cost_{price.limit.replace(' ', '_')}"]) for row in rows])
        assert column == pytest.approx(price.cells.ravel(), abs=6e-4)
        weights = np.array([float(row["weight"]) for row in rows])
        assert float(weights @ column) == pytest.approx(price.weighted, abs=0.1)


@pytest.mark.parametrize("name", ["tied", "intake_only", "both"])
def test_other_arrangements_have_them_too(name: str, request: pytest.FixtureRequest) -> None:
    found: Build = request.getfixturevalue(name)
    for price in found.explanations.limit_costs.limits:
        assert np.isfinite(price.cells).all()
        assert not (name != "both" and "exhaust" in price.limit and "gap" not in price.limit)


def test_a_step_is_round_in_the_units_of_whoever_reads_it() -> None:
    """0.25 mm and 0.5 mm, or ten and twenty thousandths of an inch."""
    for units, step, deeper in ((METRIC, "0.25 mm", "0.5 mm"), (INCH, '.010"', '.020"')):
        assert units.gap.stated(gap_step(units)).replace(".0 ", " ") == step
        assert units.gap.stated(deeper_pocket(units)).replace(".0 ", " ") == deeper
