"""What each part brings, against averages that a person would take off a table."""

from itertools import product

import numpy as np
import pytest

from phaseopt.study.parts.shares import what_each_brings

NOW = {"intake_cams": "now", "heads": "now", "pistons": "now"}
NAMES = {"intake_cams": ("now", "short", "long"), "heads": ("now", "ported"), "pistons": ("now", "domed")}
BRING = {"short": -2.0, "long": 3.0, "ported": 4.0, "domed": 2.5}


def table() -> tuple[list[dict[str, str]], np.ndarray]:
    tried = [dict(zip(NAMES, each, strict=True)) for each in product(*NAMES.values())]
    torque = []
    for each in tried:
        value = 150.0 + sum(BRING.get(name, 0.0) for name in each.values())
        if each["intake_cams"] == "short" and each["heads"] == "ported":
            value += 5.0  # these two like each other
        torque.append(value)
    return tried, np.array(torque)


def test_each_part_brings_its_average_over_all_it_was_tried_with() -> None:
    singles, _ = what_each_brings(*table(), NOW)
    found = {each.parts[0][1]: each for each in singles}
    assert found["long"].mean == pytest.approx(3.0)
    assert found["short"].mean == pytest.approx(-2.0 + 5.0 / 2)  # half of the table has the ported head
    assert (found["short"].least, found["short"].most) == (pytest.approx(-2.0), pytest.approx(3.0))
    assert found["domed"].count == 6
    assert singles[0].parts == (("heads", "ported"),)


def test_the_strongest_pair_is_the_one_that_was_put_in() -> None:
    _, pairs = what_each_brings(*table(), NOW)
    assert set(pairs[0].parts) == {("intake_cams", "short"), ("heads", "ported")}
    assert pairs[0].mean == pytest.approx(5.0, rel=0.1)
    assert abs(pairs[1].mean) < 0.5


def test_nothing_but_the_present_engine_brings_nothing() -> None:
    assert what_each_brings([NOW], np.array([150.0]), NOW) == ([], [])
