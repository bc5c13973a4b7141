import numpy as np
import pytest
from scipy.optimize import minimize, rosen, rosen_der, rosen_hess

from phaseopt.surrogate.descent import curvature_of, descend


def valley(at):
    return float(rosen(at)), rosen_der(at)


@pytest.mark.parametrize("most", [2.0, 0.7])
def test_least_of_the_curved_valley_is_scipys(most):
    """Rosenbrock's valley, free and with the least on a bound, against scipy.optimize.minimize (L-BFGS-B)."""
    low, high, start = np.full(3, -1.5), np.full(3, most), np.array([-0.5, 0.3, 0.6])
    expected = minimize(valley, start, jac=True, method="L-BFGS-B", bounds=list(zip(low, high, strict=True)), tol=1e-14)
    found = descend(valley, start, 300.0 * np.eye(3), low, high, 1e-12)
    np.testing.assert_allclose(found, expected.x, atol=1e-3)


def test_curvature_is_the_second_derivative():
    """Against scipy.optimize.rosen_hess, at a place where it is positive definite."""
    at = np.array([1.1, 1.2, 1.3])
    np.testing.assert_allclose(curvature_of(valley, at), rosen_hess(at), rtol=1e-3, atol=1e-2)


def test_a_promise_below_the_tolerance_costs_one_evaluation():
    calls = []

    def counted(at):
        calls.append(at)
        return valley(at)

    at = np.array([1.0 + 1e-6, 1.0, 1.0])
    assert descend(counted, at, rosen_hess(at), np.full(3, -2.0), np.full(3, 2.0), 1e-3) is at
    assert len(calls) == 1
