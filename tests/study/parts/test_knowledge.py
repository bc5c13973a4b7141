"""What pulls on the present engine say of parts that were never in it, against conditioning by simulation."""

import numpy as np
import pytest

from phaseopt.study.parts.knowledge import Knowledge, own_variables, variable
from phaseopt.torque_model.shared_unknowns import ALIKE, BEYOND, Variable

NOW = {"heads": "as cast", "pistons": "flat", "exhausts": "old"}
PORTED = {"heads": "ported", "pistons": "flat", "exhausts": "old"}


def known(mean: list[float], covariance: np.ndarray) -> Knowledge:
    variables = (variable("flow", NOW), variable("primary length", NOW))
    return Knowledge(NOW, variables, np.array(mean), covariance, scale=0.03, shift=0.0)


def test_a_part_that_was_in_the_engine_is_as_the_pulls_have_it() -> None:
    covariance = np.array([[0.2, -0.1], [-0.1, 0.6]])
    mean, found = known([0.8, -0.4], covariance).of([variable("flow", NOW), variable("primary length", NOW)])
    np.testing.assert_allclose(mean, [0.8, -0.4])
    np.testing.assert_allclose(found, covariance)


def test_another_part_is_what_a_joint_gaussian_makes_of_it() -> None:
    """Against conditioning by weighing draws: the flow of both heads is drawn, and one reading of the first is seen."""
    noise = 0.5
    seen = 1.2
    # one reading y = flow of the present head + noise: its posterior by the textbook
    gain = 1.0 / (1.0 + noise**2)
    present = known([gain * seen, 0.0], np.diag([1.0 - gain, 1.0]))
    mean, covariance = present.of([variable("flow", PORTED), variable("flow", NOW)])

    draws = np.random.default_rng(1).multivariate_normal([0.0, 0.0], [[1.0, ALIKE], [ALIKE, 1.0]], 400_000)
    weight = np.exp(-0.5 * ((seen - draws[:, 0]) / noise) ** 2)
    weight /= weight.sum()
    ported, own = draws[:, 1], draws[:, 0]
    means = weight @ ported, weight @ own
    np.testing.assert_allclose(mean, means, atol=0.01)
    spread = weight @ (ported - means[0]) ** 2
    both = weight @ ((ported - means[0]) * (own - means[1]))
    np.testing.assert_allclose([covariance[0, 0], covariance[0, 1]], [spread, both], atol=0.01)


def test_two_parts_that_were_never_in_share_what_is_alike() -> None:
    present = known([0.0, 0.0], np.eye(2))  # the pulls show nothing
    other = {"heads": "welded", "pistons": "flat", "exhausts": "old"}
    _, covariance = present.of([variable("flow", PORTED), variable("flow", other)])
    np.testing.assert_allclose(covariance, [[1.0, ALIKE], [ALIKE, 1.0]])


def test_what_belongs_to_two_kinds_is_another_with_either() -> None:
    forged = {**NOW, "pistons": "domed"}
    assert variable("burn duration", NOW) != variable("burn duration", forged)
    assert variable("flow", NOW) == variable("flow", forged)


def test_only_parts_that_were_never_run_have_something_beyond_the_description() -> None:
    assert list(own_variables(PORTED, NOW)) == [Variable(BEYOND, ("heads", "ported"))]
    assert list(own_variables(NOW, NOW)) == []


def test_factors_move_as_far_as_the_part_is_alike() -> None:
    found = known([2.0, 0.0], np.diag([0.1, 1.0]))
    factors = found.factors({"flow": 0.06}, PORTED)
    assert factors["flow"] == pytest.approx(1.0 + 0.06 * 2.0 * ALIKE)
