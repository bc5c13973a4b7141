"""Engines whose truth is known, with what was read on them assembled; only this file knows the package here."""

import re
from pathlib import Path

import numpy as np
import pytest

from phaseopt import load_project, phase_limits
from phaseopt.clearance.drop_sources import drop_laws
from phaseopt.clearance.model import contact_model
from phaseopt.project import SIDES
from phaseopt.values.errors import InputError

from .degreed import on_wheel, wheel_of, with_readings
from .random_engines import Errors, random_engine, written_by
from .test_limits_and_check import SHORT, shortfall
from .traps import planted

SEEDS = range(8)


@pytest.mark.parametrize("errors", [Errors(), Errors(wheel=0.6, shared=False)], ids=["one wheel", "two wheels"])
def test_sound_engines_are_left_alone_and_their_clear_boxes_are_clear(tmp_path: Path, errors: Errors) -> None:
    """Also where the wheel was set anew between the drop readings and the cams."""
    unsafe = left = 0
    for seed in SEEDS:
        engine, zero = random_engine(seed, errors)
        written = with_readings(written_by(engine, seed, zero, errors), engine, seed, zero, errors)
        try:
            limits = phase_limits(load_project(written.write(tmp_path / f"{seed}")))
        except InputError as error:  # too near at rest with so large an error, which is no contradiction
            unsafe += all((mistake.where or "").endswith(".offset") for mistake in error.mistakes)
            left += 1
            continue
        for box in limits.boxes:
            spans = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
            assert shortfall(engine, *spans) <= SHORT, seed
    assert left == unsafe <= 2


@pytest.mark.parametrize("kind", ["one wheel", "set anew for each cam", "one wheel, not said"])
def test_left_alone_or_set_anew_clear_boxes_are_clear(tmp_path: Path, kind: str) -> None:
    """Also between valves, where only the zero of a wheel that nobody moved cancels."""
    boxes, errors = 0, Errors(wheel=0.7)
    for seed in range(22, 26):
        engine, _ = random_engine(seed, errors)
        written = on_wheel(engine, seed, wheel_of(kind, seed, errors.wheel), errors)
        for box in phase_limits(load_project(written.write(tmp_path / f"{seed}"))).boxes:
            boxes += 1
            spans = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
            assert shortfall(engine, *spans) <= SHORT, seed
    assert boxes >= 4


def test_drop_readings_show_the_zero_of_their_wheel(tmp_path: Path) -> None:
    """Within what they say. Source: the zeros of the wheel that the drops were read on, up to two degrees out."""
    held, spread, errors = [], [], Errors(wheel=1.0)
    for seed in range(40):
        engine, _ = random_engine(seed, errors)
        zeros = wheel_of("set anew for each cam", seed, errors.wheel).drop
        project = load_project(written_by(engine, seed, zeros, errors).write(tmp_path / f"{seed}"))
        laws = drop_laws(project)
        held += [
            abs(laws[side].wheel - zeros[side]) <= laws[side].wheel_spread(getattr(project.drop, side))
            for side in SIDES
        ]
        spread += [laws[side].wheel_spread(getattr(project.drop, side)) for side in SIDES]
    assert sum(held) >= 0.95 * len(held)
    assert np.median(spread) <= 0.3  # a tenth of what a zero may be out by unseen


@pytest.mark.parametrize(
    ("moved", "errors", "seeds"),
    [(-2.0, Errors(), SEEDS), (1.0, Errors(), SEEDS), (0.45, Errors(gauge=0.004, reading=0.03), range(3))],
)
def test_a_wheel_that_was_moved_between_the_cams_shows_in_the_travel_left(
    tmp_path: Path, moved: float, errors: Errors, seeds: range
) -> None:
    """Though the builder says that it was not; half a degree too, with a gauge that is good enough."""
    for seed in seeds:
        engine, _ = random_engine(seed, errors)
        written = on_wheel(engine, seed, wheel_of("moved between the cams", seed, 0.3, moved), errors)
        with pytest.raises(InputError) as caught:
            contact_model(load_project(written.write(tmp_path / f"{seed}")))
        (mistake,) = caught.value.mistakes
        assert mistake.where == "exhaust.degree_in.travel_left"
        by = re.search(r"wheel was moved by about ([\d.]+)°", mistake.hint)
        assert by is not None
        assert float(by[1]) == pytest.approx(abs(moved), abs=0.5)
        assert float(by[1]) > 0.0


def test_swapped_drop_files_show_in_the_travel_left(tmp_path: Path) -> None:
    named = 0
    for seed in SEEDS:
        engine, zero = random_engine(seed)
        spoilt = planted("drop files swapped", written_by(engine, seed, zero), engine, "intake")
        assert spoilt is not None
        written = with_readings(spoilt, engine, seed, zero, Errors())
        try:
            contact_model(load_project(written.write(tmp_path / f"{seed}")))
        except InputError as error:
            named += "swapped" in str(error)
    assert named >= 5
