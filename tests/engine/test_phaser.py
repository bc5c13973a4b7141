"""The phases a table may hold."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.engine.phaser import phase_grid
from phaseopt.project import Phaser, Slew

SLEW = Slew(advance=80.0, retard=80.0)


def test_a_fixed_cam_stays_at_rest() -> None:
    """Source: the meaning of a fixed cam."""
    assert phase_grid(None).tolist() == [0.0]


def test_a_travel_of_whole_steps_keeps_both_ends() -> None:
    """Source: arithmetic; 0.1 is no whole binary fraction, and the ends must not be lost to that."""
    grid = phase_grid(Phaser(travel=(-0.3, 4.5), resolution=0.1, slew=SLEW))
    assert len(grid) == 49
    assert grid[0] == -0.3
    assert grid[-1] == 4.5


@given(st.floats(-60.0, 0.0), st.floats(0.5, 60.0), st.sampled_from([0.1, 0.25, 0.5, 1.0, 2.0]))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_whole_steps_inside_the_travel_with_rest(least: float, most: float, step: float) -> None:
    """Source: what a controller's cell can hold: whole steps; a phaser cannot leave its travel."""
    phaser = Phaser(travel=(least, most), resolution=min(step, most - least), slew=SLEW)
    grid = phase_grid(phaser)
    assert 0.0 in grid
    assert grid.min() >= least
    assert grid.max() <= most
    assert np.allclose(np.diff(grid), phaser.resolution)
    assert grid.min() - phaser.resolution < least
    assert grid.max() + phaser.resolution > most
