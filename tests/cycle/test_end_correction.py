"""Ends of pipes in the open, in boxes and in wider pipes, against published corrections."""

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sparse
from pipework import pipe, sides
from scipy.sparse.linalg import spsolve

from phaseopt.cycle import ducts
from phaseopt.cycle.end_correction import end_correction, step_correction
from phaseopt.cycle.engine import Simulator

from .sample import MESH
from .test_network import listed


def test_free_ends_are_those_of_textbooks():
    """Levine and Schwinger 1948: 0.6133 radii thin-walled; Rayleigh: 8/3pi in a wall (both from memory)."""
    for mouth, expected in (("plain", 0.6133), ("flush", 8 / (3 * math.pi)), (None, 0.6133)):
        assert end_correction(50.0, None, mouth) == pytest.approx(25.0 * expected, rel=1e-3)


def test_a_narrow_pipe_in_a_wide_one_ends_as_in_a_wall():
    """The series comes to Rayleigh's piston as the pipe gets narrow, and to nothing in a pipe of its own width."""
    assert step_correction(0.015) == pytest.approx(8 / (3 * math.pi) * (1 - 1.25 * 0.015), rel=0.01)
    assert step_correction(1.0) < 1e-6


@pytest.mark.parametrize("ratio", [0.1, 0.2, 0.3, 0.4])
def test_a_pipe_in_a_wider_one_is_ingards(ratio):
    """0.85 (1 - 1.25 d/D), Ingard 1953 (from memory), within 0.015 radii."""
    assert step_correction(ratio) == pytest.approx(0.85 * (1 - 1.25 * ratio), abs=0.015)


def test_a_pipe_in_a_wider_one_swings_as_laplaces_equation_says():
    """Extra length of the still field outside a step, from a grid of a potential flow: within 3 %.

    Gas leaves a piston of half the wide pipe's radius; its mean potential there less that of the plug flow far away.
    """
    n, length = 40, 100
    h = 1.0 / n
    r = (np.arange(n) + 0.5) * h
    inside = r < 0.5
    flux = np.where(inside, 1.0, 0.0)  # velocity through the end wall
    far = (flux * r).sum() / r.sum()
    along = sparse.diags([np.full(length - 1, 1.0), np.r_[-1.0, np.full(length - 1, -2.0)], np.full(length - 1, 1.0)],
                         [-1, 0, 1])  # fmt: skip
    faces = np.arange(1, n) * h
    across = sparse.diags([faces, -np.r_[faces, 0.0] - np.r_[0.0, faces], faces], [-1, 0, 1])
    given = np.zeros((length, n))
    given[0] = -flux * h * r
    laplace = sparse.kron(along, sparse.diags(r)) + sparse.kron(sparse.eye(length), across)
    potential = spsolve(laplace.tocsc(), given.ravel()).reshape(length, n)
    plug = far * h * np.arange(length, 0, -1)
    over = ((potential[0] + 0.5 * flux * h) * r)[inside].sum() / r[inside].sum() - plug[0] - 0.5 * far * h
    assert step_correction(0.5) == pytest.approx(over / 0.5, rel=0.03)


def test_pipes_of_a_network_are_longer_by_their_ends(tmp_path: Path):
    """By hand: a thin end in the open, one in a plenum's wall, one where a chamber begins."""
    intake = [
        {"part": "throttle", "name": "throttle", "from": "open air", "to": "plenum"},
        {"part": "plenum", "name": "plenum", "volume": 8.0},
        pipe("runner", "plenum", "each cylinder", (300, 40)),
    ]
    exhaust = [
        pipe("primary", "each cylinder", "collector", (500, 38)),
        {"part": "collector", "name": "collector"},
        pipe("middle", "collector", "box", (600, 60)),
        {"part": "chamber", "name": "box", "length": 400, "diameter": 200},
        pipe("tail", "box", "open air", (500, 60)),
    ]
    assert sides(intake, exhaust)["intake"]["port"] == [{"length": 90, "start": 42, "end": 40}]
    net = Simulator(listed(tmp_path, intake, exhaust), MESH).net

    def length(name: str) -> float:
        at = net.pipe(name)
        return float(net.arrays.geo[at, ducts.LENGTH].sum() * 1e3)

    cube = 200.0 * math.sqrt(4 / math.pi)
    in_wall = 0.85 * (1 - 1.25 * 40.0 / cube) * 20.0
    step = 0.85 * (1 - 1.25 * 0.3) * 30.0
    assert length("runner 1") == pytest.approx(390.0 + in_wall, abs=0.5)
    assert length("middle") == pytest.approx(600.0 + step, abs=0.5)
    assert length("tail") == pytest.approx(500.0 + step + 0.6133 * 30.0, abs=0.5)
    assert length("box") == pytest.approx(400.0)
    assert length("primary 2") == pytest.approx(570.0)
