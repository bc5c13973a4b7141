"""What is left out of a pull beside the others."""

import numpy as np

from phaseopt.torque.beside_others import as_the_others, curve_text
from phaseopt.torque.unlike_curves import UnlikeCurve

NAMES = ["one", "two"]


def test_a_stretch_is_left_out_of_its_own_pull_at_full_throttle() -> None:
    points = {
        "rpm": np.array([2000.0, 4000.0, 6000.0, 6000.0, 6000.0]),
        "pull": np.array([1, 1, 1, 1, 0]),
        "full_throttle": np.array([True, True, True, False, True]),
    }
    starved = UnlikeCurve(1, "short of fuel?", left_out=(5000.0, 7000.0))
    keep, found = as_the_others(points, [starved])
    assert keep.tolist() == [True, True, False, True, True]
    assert curve_text(found[0], NAMES) == "two: short of fuel? It is left out at 6000 rpm"


def test_a_pull_that_is_wrong_all_along_is_in_question_as_a_whole_and_says_so() -> None:
    points = {"rpm": np.array([2000.0, 4000.0]), "pull": np.array([1, 1]), "full_throttle": np.array([True, True])}
    keep, found = as_the_others(points, [UnlikeCurve(1, "lean", left_out=(0.0, 9000.0))])
    assert keep.all()
    assert found[0].left_out is None
    assert curve_text(found[0], NAMES) == "two: lean"
