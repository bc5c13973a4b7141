import numpy as np
import pytest

from phaseopt.surrogate import Readings
from phaseopt.values.errors import InputError

X = np.arange(12.0).reshape(3, 4)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"x": X[0]}, "inputs: the shape is (4,)"),
        ({"x": np.where(X == 5.0, np.nan, X)}, "inputs: 1 of 3 points hold no finite number (the first is point 2)"),
        ({"y": [1.0, 2.0]}, "torque: the shape is (2,), but there are 3 points"),
        ({"y": [1.0, np.inf, 2.0]}, "torque: 1 of 3 points"),
        ({"pull": [1, 2]}, "pull numbers: the shape is (2,)"),
        ({"pull": [1.5, 2.0, 3.0]}, "pull numbers: not whole numbers"),
        ({"variance": [0.0, -1.0, 0.0]}, "known variance: -1 is below zero"),
        ({"variance": [0.0, np.nan, 0.0]}, "known variance: 1 of 3 points"),
    ],
)
def test_wrong_readings_are_refused_with_its_fix(change, words):
    with pytest.raises(InputError) as caught:
        Readings(**{"x": X, "y": [1.0, 2.0, 3.0], "pull": [1, 1, 2]} | change)
    assert words in str(caught.value)
    assert "Fix:" in str(caught.value)
