"""How sure a difference of two builds is, against draws (numpy) of what is unknown, each build's error worked out."""

from collections.abc import Sequence

import numpy as np
import pytest

from phaseopt.torque_model.shared_unknowns import (
    ALIKE,
    OWN,
    SCALE,
    SHIFT,
    Unknowns,
    Variable,
    before_pulls,
    of_difference,
)

RPM = np.array([3000.0, 4000.0, 6000.0])
MEAN = np.array([1.0, 3.0, 2.0]) / 6.0  # mean over speed by the trapezoid rule, by hand
DRAWS = 400_000
HEAD, PORTED, PIPE = "as cast", "ported", "long primaries"
EFFECTS = np.array([[11.0, 0.0, 5.0, 1.0], [12.0, 0.0, 6.0, -1.5], [10.0, 0.0, 8.0, 2.0]])
OTHER = np.array([[11.5, 0.0, 5.5, 0.5], [12.5, 0.0, 6.5, -2.0], [10.5, 0.0, 8.5, 2.5]])


def unknowns(effects: np.ndarray, parts: Sequence[str], pulls: str = "", **changes: object) -> Unknowns:
    """A build with a head and an exhaust; simulated alone where no pulls are named."""
    variables = (Variable(SCALE), Variable(SHIFT), *map(Variable, ("flow", "primary length"), ((p,) for p in parts)))
    fields = {
        "rpm": RPM, "centrelines": np.full((3, 2), 108.0), "variables": variables, "effects": effects,
        "mean": np.zeros(4), "covariance": np.eye(4), "scale": 0.08, "shift": 0.0,
        "parts": dict(zip(("heads", "exhausts"), parts, strict=True)), "pulls": pulls, "model": pulls,
        "residual": np.zeros((3, 3)),
    }  # fmt: skip
    return Unknowns(**{**fields, **changes})  # type: ignore[arg-type]


def drawn(first: Unknowns, second: Unknowns) -> tuple[np.ndarray, np.ndarray]:
    """Draws (n, 4) of the variables of both before any pull; the same where they are the same."""
    both = (*first.variables, *second.variables)
    values, vectors = np.linalg.eigh(before_pulls(both, both))
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    found = np.random.default_rng(4).standard_normal((DRAWS, len(both))) @ root.T
    return found[:, :4], found[:, 4:]


def pulled(
    effects: np.ndarray, parts: Sequence[str], name: str, reading: np.ndarray, noise: float, at: float
) -> Unknowns:
    """A build whose pulls read one sum of its variables, with noise: the posterior of the textbook, by hand."""
    gain = reading / (reading @ reading + noise**2)
    return unknowns(effects, parts, name, mean=gain * at, covariance=np.eye(4) - np.outer(gain, reading))


def test_two_simulated_alone_differ_as_draws_do() -> None:
    first, second = unknowns(EFFECTS, (HEAD, PIPE)), unknowns(OTHER, (PORTED, PIPE))
    one, other = drawn(first, second)
    own = (
        np.random.default_rng(5).standard_normal((2, DRAWS, 1)) * OWN * np.stack([EFFECTS, OTHER])[:, None, :, 0] / 0.08
    )
    off = other @ OTHER.T + own[1] - one @ EFFECTS.T - own[0]
    found = of_difference(first, second, RPM).covariance
    np.testing.assert_allclose(np.sqrt(np.diag(found)), off.std(axis=0), rtol=0.01)
    assert np.sqrt(MEAN @ found @ MEAN) == pytest.approx((off @ MEAN).std(), rel=0.01)


def test_a_simulation_beside_pulls_is_off_by_what_they_show_and_what_they_leave() -> None:
    """Draws are weighed by how likely the reading is that the pulls gave."""
    reading, noise, at = np.array([1.0, 0.0, 0.8, 0.3]), 0.4, 1.5
    first = pulled(EFFECTS, (HEAD, PIPE), "pulls", reading, noise, at)
    second = unknowns(OTHER, (PORTED, PIPE))
    one, other = drawn(first, second)
    weight = np.exp(-0.5 * ((at - one @ reading) / noise) ** 2)
    weight /= weight.sum()
    own = np.random.default_rng(5).standard_normal((DRAWS, 1)) * OWN * OTHER[:, 0] / 0.08
    off = other @ OTHER.T + own - (one - first.mean) @ EFFECTS.T  # the second's torque has its variables at 0
    for pair in ((first, second), (second, first)):
        found = of_difference(*pair, RPM)
        sign = 1.0 if pair[0] is first else -1.0
        np.testing.assert_allclose(found.off, sign * (weight @ off), rtol=0.02)
        deviations = [found.deviation(each) for each in (*np.eye(3), MEAN)]
        np.testing.assert_allclose(deviations, np.sqrt(weight @ np.column_stack([off, off @ MEAN]) ** 2), rtol=0.01)
        assert found.about(MEAN) == pytest.approx(np.sqrt(weight @ (off @ MEAN - weight @ off @ MEAN) ** 2), rel=0.02)


def test_pulls_of_each_leave_errors_that_are_alike_as_far_as_they_show_little() -> None:
    """Both readings are drawn too: each build counts its variables where its own pulls put them."""
    readings, noise = np.array([[1.0, 0.0, 0.8, 0.3], [1.0, 0.0, 0.5, 0.6]]), (0.4, 0.8)
    first = pulled(EFFECTS, (HEAD, PIPE), "pulls of one", readings[0], noise[0], 0.0)
    second = pulled(OTHER, (PORTED, PIPE), "pulls of the other", readings[1], noise[1], 0.0)
    random, errors = np.random.default_rng(6), []
    for v, reading, n in zip(drawn(first, second), readings, noise, strict=True):
        read = v @ reading + n * random.standard_normal(DRAWS)
        errors.append(v - np.outer(read, reading / (reading @ reading + n**2)))
    off = errors[1] @ OTHER.T - errors[0] @ EFFECTS.T
    found = of_difference(first, second, RPM).covariance
    np.testing.assert_allclose(np.sqrt(np.diag(found)), off.std(axis=0), rtol=0.01)


def test_a_scale_counts_as_the_pulls_have_it() -> None:
    """A scale that pulls have to 3 % moves the simulated build by 3 %, not by the 8 % that it had by itself."""
    measured = unknowns(0.0 * EFFECTS, (HEAD, PIPE), "pulls", scale=0.03)
    alone = unknowns(EFFECTS * [1.0, 0.0, 0.0, 0.0], (HEAD, PIPE))
    found = of_difference(measured, alone, RPM).covariance
    np.testing.assert_allclose(np.sqrt(np.diag(found)), 0.03 / 0.08 * EFFECTS[:, 0])


def test_the_same_build_differs_by_nothing() -> None:
    left = np.diag([0.2, 0.3, 0.4])
    same = pulled(EFFECTS, (HEAD, PIPE), "pulls", np.ones(4), 0.5, 1.0)
    for one in (unknowns(EFFECTS, (HEAD, PIPE)), same, unknowns(EFFECTS, (HEAD, PIPE), "pulls", residual=left)):
        assert np.abs(of_difference(one, one, RPM).covariance).max() < 1e-12


def test_one_other_part_leaves_more_than_its_own_and_less_than_all() -> None:
    first, second = unknowns(EFFECTS, (HEAD, PIPE)), unknowns(EFFECTS, (PORTED, PIPE))
    found = np.diag(of_difference(first, second, RPM).covariance)
    flow = 2.0 * (1.0 - ALIKE) * EFFECTS[:, 2] ** 2  # of a difference of two that are alike so far
    apart = 2.0 * (EFFECTS**2).sum(axis=1)
    assert (flow < found).all()
    assert (found < 0.1 * apart).all()


def test_what_pulls_leave_beyond_the_variables_cancels_only_at_the_same_timing() -> None:
    left = np.diag([0.2, 0.3, 0.4])
    one = unknowns(EFFECTS, (HEAD, PIPE), "pulls", residual=left)
    moved = unknowns(
        EFFECTS,
        (HEAD, PIPE),
        "pulls",
        residual=left,
        centrelines=np.array([[108.0, 108.0], [104.0, 108.0], [108.0, 108.0]]),
    )
    np.testing.assert_allclose(np.diag(of_difference(one, moved, RPM).covariance), [0.0, 0.6, 0.0], atol=1e-12)
    elsewhere = unknowns(EFFECTS, (HEAD, PIPE), "pulls", residual=left, model="another of the same pulls")
    np.testing.assert_allclose(np.diag(of_difference(one, elsewhere, RPM).covariance), [0.4, 0.6, 0.8])


def test_between_speeds_it_is_on_straight_lines() -> None:
    """Midway between two speeds the effects are the mean of both."""
    first, second = unknowns(EFFECTS, (HEAD, PIPE)), unknowns(OTHER, (HEAD, PIPE))
    wanted = ((0.5 * (OTHER - EFFECTS)[1:].sum(axis=0)) ** 2).sum()
    assert of_difference(first, second, np.array([5000.0])).covariance[0, 0] == pytest.approx(wanted)
