"""The stored maps: made by this source, computed again at a few points, and believable over the whole family."""

import numpy as np
import pytest

from .family import family
from .maps import STORED, digest, stored, stored_digest
from .solve import torque

MAPS = stored()


def test_the_maps_are_of_this_source() -> None:
    """Whoever changes the engine makes its maps anew: `python -m outside.engine.maps` in `tests`."""
    assert stored_digest() == digest()
    assert STORED.stat().st_size < 1_000_000


@pytest.mark.parametrize(
    ("name", "at"),
    [
        ("track four, as drawn", (4, 2, 1)),
        ("small four, hot", (3, 3, 1)),
        ("twin, uneven", (4, 0, 3)),
        ("road four, narrow tail", (4, 1, 2)),
    ],
)
def test_a_point_computed_again_is_the_stored_one(name: str, at: tuple[int, int, int]) -> None:
    """Torque within 0.02 %, filling within its rounding and that."""
    engine = family()[name]
    point = torque(engine, engine.speeds[at[0]], engine.icl[at[1]], engine.ecl[at[2]])
    assert point.torque == pytest.approx(MAPS[name]["torque"][at], rel=2e-4)
    assert point.filling == pytest.approx(MAPS[name]["filling"][at], rel=2e-4, abs=1e-4)


def test_every_engine_has_its_map() -> None:
    """Complete, settled but for 1 % of the points at most, mass kept."""
    engines = family()
    assert set(MAPS) == set(engines)
    unsettled = sum(int(each["unsettled"]) for each in MAPS.values())
    points = sum(each["torque"].size for each in MAPS.values())
    assert unsettled <= 0.01 * points
    for name, engine in engines.items():
        assert MAPS[name]["torque"].shape == (len(engine.speeds), len(engine.icl), len(engine.ecl))
        assert np.isfinite(MAPS[name]["torque"]).all()
        assert MAPS[name]["mass_error"] < 3e-3


def test_the_family_behaves_as_engines_do() -> None:
    """At best timing: torque per litre, filling and residual gas of tuned engines; early intake low, late high.

    Common practice, no source.
    """
    for name, engine in family().items():
        values = MAPS[name]["torque"].astype(float)
        best = values.reshape(len(engine.speeds), -1).argmax(axis=1)
        icl = np.array(engine.icl)[best // len(engine.ecl)]
        filling = MAPS[name]["filling"].reshape(len(engine.speeds), -1)[np.arange(best.size), best]
        residual = MAPS[name]["residual"].reshape(len(engine.speeds), -1)[np.arange(best.size), best]
        assert 75.0 < values.max() / engine.displacement < 130.0
        assert 0.95 < filling.max() < 1.30
        assert residual.min() > 0.002
        assert residual.max() < 0.13
        assert icl[-1] >= icl[0] + 5.0
