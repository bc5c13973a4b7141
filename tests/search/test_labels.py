"""Label axes and masks, with figures that can be checked by hand."""

import numpy as np
import pytest

from phaseopt.search.labels import lock_mask, overlap_mask, phase_values, slew_interval
from phaseopt.values.errors import InputError


@pytest.mark.parametrize(
    ("least", "most", "step", "expected"),
    [
        (0, 3, 1, [0, 1, 2, 3]),
        (-0.3, 0.3, 0.1, [-0.3, -0.2, -0.1, 0, 0.1, 0.2, 0.3]),
        (-1.9, 0.9, 1, [-1, 0]),
        (0, 0, 0.5, [0]),
    ],
)
def test_phases_are_multiples_of_the_resolution(least: float, most: float, step: float, expected: list[float]) -> None:
    values = phase_values(least, most, step)
    assert values == pytest.approx(expected)
    assert (values == 0).sum() == 1


def test_no_phase_or_no_step_is_refused() -> None:
    with pytest.raises(InputError, match="no multiple"):
        phase_values(0.2, 0.8, 1.0)
    with pytest.raises(InputError, match="resolution"):
        phase_values(0, 10, 0)


def test_lock_holds_up_to_and_at_its_speed() -> None:
    mask = lock_mask(np.array([900.0, 1500.0, 1600.0]), 1500.0, np.array([0.0, 1.0]), np.array([-1.0, 0.0]))
    assert mask[:2, 0].sum() == 2
    assert mask[:2, 0, 0, 1].all()
    assert mask[2].all()


def test_overlap_cap_by_cell() -> None:
    overlap = np.array([[10.0, 0.0], [20.0, 10.0]])
    mask = overlap_mask(overlap, np.array([[10.0, np.inf]]))
    assert mask[0, 0].tolist() == [[True, True], [False, True]]
    assert mask[0, 1].all()


def test_slew_follows_the_engine_both_ways() -> None:
    """500 rpm take 1/6 s up at 3000 rpm/s and 1/8 s down at 4000: advance 90, retard 60 deg/s.

    Phase rising with speed: advance 15 deg on the way up, retard 7.5 on the way down, so 7.5. Falling: retard 10 on
    the way up, advance 11.25 on the way down, so 10.
    """
    interval = slew_interval(np.array([2000.0, 2500.0]), 90.0, 60.0, 3000.0, 4000.0)
    assert interval[0] == pytest.approx([-10.0, 7.5])
