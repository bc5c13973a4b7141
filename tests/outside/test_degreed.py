"""Engines whose truth is known, with what was read on them assembled; only this file knows the package here."""

from pathlib import Path

import pytest

from phaseopt import load_project, phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.values.errors import InputError

from .degreed import with_readings
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
