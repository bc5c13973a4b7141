"""The safe set of a few random engines against a brute force of both rules; `bench_safe_set.py` takes 1,000."""

from pathlib import Path

import pytest

from clearance.brute_rules import Rules
from clearance.compare_safe_set import REFUSED, SHORT, compare
from clearance.random_engines import random_engine
from phaseopt.clearance import ContactModel

# One of each arrangement and each way heads stand; the numbers are seeds.
ENGINES = (0, 1, 2, 4, 10, 16, 18, 26, 29, 40)


@pytest.mark.parametrize("seed", ENGINES)
def test_nothing_safe_is_short_and_nothing_refused_has_room(tmp_path: Path, seed: int) -> None:
    """Pairs, boxes one label wider, and tables at the edge, against own piston, lobes, drop fit, allowances and heads.

    `shapely` and `python-fcl` give the distances of the heads."""
    tally = compare(random_engine(tmp_path, seed), seed)
    for safe, worst in tally.short.values():
        assert safe <= SHORT, worst
    for room, worst in tally.refused.values():
        assert room <= REFUSED, worst


def test_how_fast_heads_close_is_hardly_more_than_they_do(close_heads: ContactModel) -> None:
    """The fastest loss of distance by `python-fcl`, one valve shut: taken too fast, loft refuses safe phases."""
    assert close_heads.heads is not None
    fastest = Rules(close_heads.project).closing
    assert fastest <= close_heads.heads.closing + 1e-3
    assert close_heads.heads.closing <= fastest + 0.02
