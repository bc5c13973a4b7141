"""Choice by knowledge gradient on published functions, against random and grid choice with the same model."""

import numpy as np
import pytest

from study.acquisition import BRANIN_NOISE, HARTMANN_NOISE, branin_case, hartmann_case, regrets
from study.published import BRANIN_AT, BRANIN_LEAST, HARTMANN_AT, HARTMANN_LEAST, branin, hartmann


def test_the_functions_are_those_published() -> None:
    assert branin(BRANIN_AT) == pytest.approx(BRANIN_LEAST, abs=1e-6)
    assert hartmann(HARTMANN_AT) == pytest.approx(HARTMANN_LEAST, abs=1e-4)


def test_branin() -> None:
    """Mean over four seeds, of values that span 300; the benchmark bench_knowledge_gradient.py has twenty."""
    found = regrets(branin_case(), 6, BRANIN_NOISE, range(4))
    assert np.mean(found["by knowledge gradient"]) < 0.5 * min(np.mean(found["at random"]), np.mean(found["on a grid"]))


def test_hartmann() -> None:
    """Mean over three seeds, of values that span 2.2."""
    found = regrets(hartmann_case(), 12, HARTMANN_NOISE, range(3))
    assert np.mean(found["by knowledge gradient"]) < min(np.mean(found["at random"]), np.mean(found["on a grid"]))
