"""Engines whose truth is known, a few of each way to measure them; `bench_true_engines.py` takes many."""

from pathlib import Path

import pytest

from phaseopt.clearance import contact_model, phase_limits

from .true_engines import LOBES, SHORT, SOURCES, shortfall, true_engine

KINDS = [(source, lobe) for k, source in enumerate(SOURCES) for lobe in (LOBES[k % len(LOBES)], LOBES[(k + 3) % 6])]

SEEDS = {  # where the first engine is not safe at rest
    ("sittings", "file", True): 1,
    ("sittings", "card", True): 1,
    ("at_tdc", "card with flanks", True): 1,
    ("clay", "card and TDC lift", True): 1,
}


@pytest.mark.parametrize("tied", [False, True])
@pytest.mark.parametrize(("source", "lobe"), KINDS)
def test_no_timing_called_safe_is_short_on_the_true_engine(tmp_path: Path, source: str, lobe: str, tied: bool) -> None:
    """Source: lobes by the 3-4-5 polynomial or a power of a cosine, the crank by coordinates, stretch as a beam; a
    clay, a wheel, a gauge, dimensions and a lobe all out by what is stated."""
    engine = true_engine(tmp_path, SEEDS.get((source, lobe, tied), 0), source, lobe, tied=tied, heads=False)
    model = contact_model(engine.project)
    short, where = shortfall(engine, model, phase_limits(model), seed=0)
    assert -1.5 < short <= SHORT, where  # and the rules do stop it somewhere near


@pytest.mark.parametrize("seed", [0, 2, 8])
def test_nor_with_heads_of_several_valves_in_space(tmp_path: Path, seed: int) -> None:
    """Three, four and five valves; distances by `python-fcl`, stems that lean along the crank too."""
    engine = true_engine(tmp_path, seed, "several", "coarse file", tied=False, heads=True)
    model = contact_model(engine.project)
    short, where = shortfall(engine, model, phase_limits(model), seed=0)
    assert short <= SHORT, where
