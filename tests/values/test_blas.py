"""Linear algebra runs on one thread in every stage, so its last digits do not depend on how many there could be."""

import os
import subprocess
import sys
import threading

import pytest
from hillclimb import HILLCLIMB
from threadpoolctl import threadpool_info, threadpool_limits

from phaseopt.values.blas import one_blas_thread

# torque points of the sweeps and holds of a project, as bytes
REDUCED = """
import sys
from phaseopt.project.load import load_project
from phaseopt.torque import reduce_logs
points = reduce_logs(load_project(sys.argv[1])).points
for name in sorted(points.data_vars):
    sys.stdout.buffer.write(points[name].values.tobytes())
"""


def blas_threads():
    """How many threads each BLAS may use now."""
    return {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"}


def test_blocks_stand_inside_each_other_and_lift_the_limit_at_the_end():
    """Also when the block ends in an error."""
    with threadpool_limits(2, "blas"):
        before = blas_threads()

        @one_blas_thread()
        def stage():
            with one_blas_thread():
                pass
            assert blas_threads() == {1}
            raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            stage()
        assert blas_threads() == before


def test_a_stage_that_ends_does_not_free_another_thread_s():
    """Two stages overlap in two threads: the limit holds until both are done."""
    inside, finish = threading.Event(), threading.Event()

    @one_blas_thread()
    def longer():
        inside.set()
        finish.wait()

    with threadpool_limits(2, "blas"):
        before = blas_threads()
        other = threading.Thread(target=longer)
        with one_blas_thread():
            other.start()
            inside.wait()
        assert blas_threads() == {1}
        finish.set()
        other.join()
        assert blas_threads() == before


def test_torque_points_are_the_same_bytes_whatever_the_environment_allows():
    """One thread allowed, and two: the names of cached results rest on these bytes."""
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", REDUCED, str(HILLCLIMB)],
            env={**os.environ, "OPENBLAS_NUM_THREADS": threads},
            stdout=subprocess.PIPE,
        )
        for threads in ("1", "2")
    ]
    one, two = (run.communicate()[0] for run in runs)
    assert len(one) > 1000
    assert one == two
