"""Gaps by place against gaps looked for at each timing by itself."""

import numpy as np
import pytest
from engines import random_project

from phaseopt.clearance import ContactModel, contact_model
from phaseopt.clearance.nominal_gaps import hand_gaps, place_of, worst_by_place


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    return contact_model(random_project(tmp_path_factory.mktemp("any"), 4))  # even: with seats


def test_by_place_is_what_each_timing_gives(model: ContactModel) -> None:
    rng = np.random.default_rng(9)
    pairs = np.column_stack([rng.uniform(0, 40, 60), rng.uniform(-35, 0, 60)])
    assert np.allclose(hand_gaps(model, pairs), model.by_hand(pairs), atol=0.0015)
    exact = model.stated(pairs, lash=False, most=True, low=True)
    for c, contact in enumerate(model.contacts):
        known = worst_by_place(model, contact, pairs, reach=6.0)
        at = place_of(model, contact, pairs)
        assert known.place[0] <= at.min() - 6.0
        assert known.place[-1] >= at.max() + 6.0
        assert np.allclose(np.interp(at, known.place, known.gap), exact[:, c], atol=0.0015)


def test_one_timing_alone_is_exact(model: ContactModel) -> None:
    assert np.array_equal(hand_gaps(model, np.array([[3.3, -7.1]])), model.by_hand([[3.3, -7.1]]))
