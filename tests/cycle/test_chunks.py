"""Chunks: every point once, the same numbers whoever computes them, and nothing lost or computed twice."""

import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from phaseopt.cycle import chunks as module
from phaseopt.cycle import grid as cycle_grid
from phaseopt.cycle.chunks import Axes, clear_parts, plan, read_part, write_part
from phaseopt.cycle.engine import Stopped
from phaseopt.cycle.grid import simulate, simulate_chunk
from phaseopt.cycle.storage import write_netcdf
from phaseopt.values.errors import InputError

from .sample import AXES, MESH, single

TESTS = Path(__file__).parents[1]
RPM, LOAD, ICL, ECL = AXES
POINTS = 16  # in all, four a chunk

# simulates AXES keeping parts, and is killed when the second chunk is done: python -c KILLED folder [cluster]
KILLED = """
import os, signal, sys
from pathlib import Path
from phaseopt.cycle.grid import simulate
from cycle.sample import AXES, MESH, single
end = lambda done, of: done >= 8 and os.kill(os.getpid(), signal.SIGKILL)
simulate(single(), AXES, mesh=MESH, progress=end, parts=Path(sys.argv[1]), cluster=(sys.argv[2:] or [None])[0])
"""


def killed_run(parts, *cluster):
    """The run above, to its violent end."""
    done = subprocess.run([sys.executable, "-c", KILLED, str(parts), *cluster], cwd=TESTS, check=False)
    assert done.returncode == -signal.SIGKILL


@pytest.fixture(scope="module")
def whole_grid():
    return simulate(single(), AXES, mesh=MESH, workers=1)


@pytest.fixture
def counted(monkeypatch):
    """Speeds of the chunks that this process computes."""
    speeds = []

    def counting(config, mesh, chunk, stopped):
        speeds.append(chunk.rpm)
        return simulate_chunk(config, mesh, chunk, stopped)

    monkeypatch.setattr(cycle_grid, "simulate_chunk", counting)
    return speeds


@given(st.tuples(*[st.integers(1, n) for n in (4, 12, 20, 20)]))
def test_a_plan_holds_every_point_once(sizes):
    """For any axes: places do not overlap, cover the grid, and name the loads that are there."""
    axes = [np.arange(1.0, n + 1) for n in sizes]
    seen = np.zeros((sizes[0], 1, sizes[1]))
    for chunk in plan(Axes(*axes)):
        seen[chunk.place] += 1
        assert np.array_equal(axes[1][chunk.place[2]], chunk.load)
        assert axes[0][chunk.row] == chunk.rpm
        assert len(chunk.load) == 1 or chunk.points < 2 * module.POINTS
    assert np.all(seen == 1)


def test_same_numbers_from_any_number_of_threads(whole_grid, tmp_path):
    """To the bit, and the files to the byte."""
    again = simulate(single(), AXES, mesh=MESH, workers=3)
    xr.testing.assert_identical(again, whole_grid)
    write_netcdf(whole_grid, tmp_path / "a.nc")
    write_netcdf(again, tmp_path / "b.nc")
    assert (tmp_path / "a.nc").read_bytes() == (tmp_path / "b.nc").read_bytes()


def test_interrupted_run_ends_and_is_taken_up(whole_grid, counted, tmp_path):
    """Ctrl-C after two chunks: no thread stays, both chunks do, and only the other two are computed later."""

    def interrupt(done, _):
        if done == POINTS // 2:
            raise KeyboardInterrupt

    before = threading.active_count()
    with pytest.raises(KeyboardInterrupt):
        simulate(single(), AXES, mesh=MESH, workers=1, parts=tmp_path / "new" / "parts", progress=interrupt)
    assert threading.active_count() == before
    assert len(list((tmp_path / "new" / "parts").iterdir())) == 2
    counted.clear()
    heard = []
    got = simulate(
        single(), AXES, mesh=MESH, workers=1, parts=tmp_path / "new" / "parts", progress=lambda *n: heard.append(n)
    )
    assert counted == [6000.0, 7500.0]
    assert heard == [(n, POINTS) for n in (4, 8, 12, 16)]
    xr.testing.assert_identical(got, whole_grid)


def test_a_stopped_thread_gives_up_between_cycles():
    """Asked before every cycle, so within a fraction of a second on any engine."""
    asked = iter([False, False, False, True])
    with pytest.raises(Stopped):
        simulate_chunk(single(), MESH, plan(AXES)[0], lambda: next(asked))
    assert next(asked, None) is None


def test_killed_run_is_taken_up(whole_grid, counted, tmp_path):
    """A process killed by the system (signal 9) leaves complete chunks only; the rest is computed, once."""
    killed_run(tmp_path)
    kept = len(list(tmp_path.glob("*.chunk")))
    got = simulate(single(), AXES, mesh=MESH, parts=tmp_path)
    assert kept >= 2
    assert len(counted) == len(RPM) - kept
    xr.testing.assert_identical(got, whole_grid)


@pytest.mark.parametrize("damage", [lambda b: b[:-8], lambda b: b"", lambda b: b[:99] + bytes([b[99] ^ 1]) + b[100:]])
def test_damaged_chunks_are_computed_anew(whole_grid, counted, tmp_path, damage):
    """Cut short, empty, one bit flipped: not taken, and whole afterwards."""
    simulate(single(), AXES, mesh=MESH, parts=tmp_path)
    victim = sorted(tmp_path.iterdir())[1]
    sound = victim.read_bytes()
    victim.write_bytes(damage(sound))
    counted.clear()
    xr.testing.assert_identical(simulate(single(), AXES, mesh=MESH, parts=tmp_path), whole_grid)
    assert len(counted) == 1
    assert victim.read_bytes() == sound


def test_chunks_of_anything_else_are_not_taken(monkeypatch):
    """Another engine, mesh, speed, load or timing, or version of the program: another name."""
    chunk, engine = plan(AXES)[0], single()
    keys = [
        chunk.key(engine, MESH),
        chunk.key(replace(engine, compression_ratio=11.9), MESH),
        chunk.key(engine, MESH.finer(2.0)),
        replace(chunk, rpm=3001.0).key(engine, MESH),
        replace(chunk, load=LOAD + 0.1).key(engine, MESH),
        replace(chunk, icl=ICL + 0.1).key(engine, MESH),
        replace(chunk, ecl=ECL + 0.1).key(engine, MESH),
    ]
    assert replace(chunk, row=2, first=1).key(engine, MESH) == keys[0]
    monkeypatch.setattr(module, "code_version", lambda: "older")
    assert set(Counter([*keys, chunk.key(engine, MESH)]).values()) == {1}


def test_full_disk(tmp_path, monkeypatch):
    """The run ends with the fix named; no half chunk stays."""

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match=r"No space left.*make room there and run again"):
        simulate(single(), AXES, mesh=MESH, parts=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_way(tmp_path):
    """Where the directory should be."""
    (tmp_path / "parts").write_text("")
    with pytest.raises(InputError, match="parts"):
        write_part(tmp_path / "parts", "a", np.zeros(3))


def test_clearing_leaves_what_is_not_ours(tmp_path):
    """Chunks and what a killed run left half-written go; other files stay; an empty directory goes too."""
    write_part(tmp_path / "p", "a", np.zeros(3))
    assert np.array_equal(read_part(tmp_path / "p", "a", (3,)), np.zeros(3))
    assert read_part(tmp_path / "p", "a", (4,)) is None
    (tmp_path / "p" / ".b.chunk.x1y2z3w4.part").write_text("half")
    (tmp_path / "p" / "grid.nc").write_text("keep")
    clear_parts(tmp_path / "p")
    assert [f.name for f in (tmp_path / "p").iterdir()] == ["grid.nc"]
    (tmp_path / "p" / "grid.nc").unlink()
    clear_parts(tmp_path / "p")
    assert not (tmp_path / "p").exists()
    clear_parts(tmp_path / "p")
