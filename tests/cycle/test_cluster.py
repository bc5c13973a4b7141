"""The grid on a Dask cluster: the same bytes, killed and taken up, and what a cluster may do wrong.

`distributed.LocalCluster` is a real cluster: a scheduler and two worker processes that talk over sockets.
"""

import os
import socket
import sys
import threading
from functools import partial

import distributed
import numpy as np
import pytest
import xarray as xr

from phaseopt.cycle import cluster as module
from phaseopt.cycle.chunks import plan
from phaseopt.cycle.cluster import by_cluster, on_worker
from phaseopt.cycle.grid import simulate
from phaseopt.cycle.storage import write_netcdf
from phaseopt.values.errors import InputError

from .sample import AXES, MESH, single
from .test_chunks import POINTS, killed_run


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """Of a cluster with two workers of one thread each."""
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address="127.0.0.1:0",
        local_directory=str(tmp_path_factory.mktemp("workers")),
        silence_logs=50,
    ) as cluster:
        with distributed.Client(cluster.scheduler_address) as client:
            client.submit(int).result()  # distributed keeps a thread of its own from a process's first use of it
        yield cluster.scheduler_address


def test_killed_and_taken_up_with_the_same_bytes(address, tmp_path):
    """Half done on the cluster and killed (signal 9), then taken up there: as computed by threads, to the byte."""
    parts = tmp_path / "parts"
    killed_run(parts, address)
    kept = {f: f.stat().st_mtime_ns for f in parts.glob("*.chunk")}
    heard = []
    got = simulate(single(), AXES, mesh=MESH, parts=parts, cluster=address, progress=lambda *done: heard.append(done))
    assert 2 <= len(kept) < 4
    assert heard == [(n, POINTS) for n in (4, 8, 12, 16)]
    assert {f: f.stat().st_mtime_ns for f in kept} == kept  # not written again
    here = simulate(single(), AXES, mesh=MESH)
    xr.testing.assert_identical(got, here)
    write_netcdf(got, tmp_path / "cluster.nc")
    write_netcdf(here, tmp_path / "threads.nc")
    assert (tmp_path / "cluster.nc").read_bytes() == (tmp_path / "threads.nc").read_bytes()


def die_once(mark, chunk, stopped):
    """Work that ends its worker's process the first time it is done."""
    if not mark.exists():
        mark.touch()
        os._exit(1)
    return np.array([chunk.rpm])


def test_a_worker_that_dies_is_replaced(address, tmp_path):
    """Its chunk goes to another worker, and all come back once."""
    chunks = plan(AXES)
    got = {
        chunk.rpm: float(number[0])
        for chunk, number in by_cluster(partial(die_once, tmp_path / "mark"), chunks, address)
    }
    assert (tmp_path / "mark").exists()
    assert got == {speed: speed for speed in AXES[0]}


def broken(chunk, stopped):
    """Work with a mistake of the program's own."""
    raise ZeroDivisionError(chunk.rpm)


def lacking(chunk, stopped):
    """Work on a worker that does not have the program."""
    raise ModuleNotFoundError("No module named 'phaseopt'")


def still_running(before):
    """Names of threads that have come since and do not end; a client's own may take a moment to."""
    come = [thread for thread in threading.enumerate() if thread not in before]
    for thread in come:
        thread.join(10.0)
    return [thread.name for thread in come if thread.is_alive()]


def test_mistakes_come_back_whole(address):
    """The user's as `InputError`, a lack with its fix, the program's own as it is; no thread stays."""
    before = set(threading.enumerate())
    with pytest.raises(InputError, match="ambient") as caught:
        simulate(single(), AXES._replace(load=AXES.load + 40.0), mesh=MESH, cluster=address)
    assert "full throttle is a small depression" in caught.value.mistakes[0].hint
    with pytest.raises(InputError, match="install the same version of phaseopt on all workers"):
        list(by_cluster(lacking, plan(AXES), address))
    with pytest.raises(ZeroDivisionError):
        list(by_cluster(broken, plan(AXES), address))
    assert still_running(before) == []


def test_interruption_ends_at_once(address, tmp_path):
    """Ctrl-C after the first chunk: that one is kept, no thread stays."""

    def interrupt(*_):
        raise KeyboardInterrupt

    before = set(threading.enumerate())
    with pytest.raises(KeyboardInterrupt):
        simulate(single(), AXES, mesh=MESH, parts=tmp_path, cluster=address, progress=interrupt)
    assert len(list(tmp_path.iterdir())) == 1
    assert still_running(before) == []


def test_another_version_is_refused():
    """By the worker, before it computes anything."""
    with pytest.raises(InputError, match="another version of phaseopt"):
        on_worker("older", broken, plan(AXES)[0])


@pytest.mark.parametrize("listens", [False, True])
def test_no_answer(monkeypatch, listens):
    """Nothing at the address, or something that takes the call and says nothing: the message has address and fix."""
    monkeypatch.setattr(module, "PATIENCE", 0.3)
    with socket.socket() as port:
        port.bind(("127.0.0.1", 0))
        if listens:
            port.listen()
        address = f"tcp://127.0.0.1:{port.getsockname()[1]}"
        with pytest.raises(InputError, match=rf"no Dask scheduler answers at {address} .*check the address"):
            simulate(single(), AXES, mesh=MESH, cluster=address)


@pytest.mark.parametrize("address", ["host", "tcp://127.0.0.1", "gopher://127.0.0.1:8786"])
def test_what_is_no_address(address):
    """The message is that of one where nothing answers."""
    with pytest.raises(InputError, match=f"no Dask scheduler answers at {address}"):
        simulate(single(), AXES, mesh=MESH, cluster=address)


def test_without_workers(tmp_path, monkeypatch):
    """None from the start; and none left while chunks wait: reported, not waited for without end."""
    with distributed.LocalCluster(
        n_workers=0, processes=False, dashboard_address="127.0.0.1:0", local_directory=str(tmp_path), silence_logs=50
    ) as cluster:
        with pytest.raises(InputError, match=r"has no workers\. Fix: start some: dask worker"):
            list(by_cluster(broken, plan(AXES), cluster.scheduler_address))
        with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
            job = client.submit(print, pure=False)
            monkeypatch.setattr(module, "PATIENCE", 0.2)
            with pytest.raises(InputError, match=r"no workers left.*run again"):
                module.ready(distributed, client, [job])


def test_the_extra_is_missing(monkeypatch):
    """The message has the command that fixes it; not asked for where every chunk is there."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install 'phaseopt\[cluster\]'"):
        simulate(single(), AXES, mesh=MESH, cluster="tcp://127.0.0.1:8786")
    assert list(by_cluster(broken, [], "tcp://127.0.0.1:8786")) == []
