"""The same chunks on the workers of an existing Dask cluster.

Only this module knows of Dask (extra `cluster`), and imports it when it is used. Workers need this very version of the
program, and say so if they have another; nothing has to be shared with them but the network.
"""

import asyncio
from collections.abc import Iterator
from concurrent.futures import CancelledError, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

from phaseopt.cycle.chunks import Chunk, Finished, Work
from phaseopt.cycle.fingerprint import code_version
from phaseopt.cycle.lanes import Array
from phaseopt.errors import InputError

PATIENCE = 8.0  # seconds that a cluster has to answer
AGAIN = "run again: chunks that were finished are kept and taken up"


def wrong(problem: str, mend: str) -> InputError:
    """What is wrong with the cluster."""
    return InputError.one(problem, mend=mend, where="cluster")


def on_worker(version: str, work: Work, chunk: Chunk) -> Array:
    """Compute a chunk, on the worker. Raises `InputError` where the worker's program differs from the caller's."""
    if code_version() != version:
        raise wrong(
            "a worker has another version of phaseopt, numpy or numba than this computer",
            "install the same versions on all workers and start them again",
        )
    return work(chunk, lambda: False)


def by_cluster(work: Work, chunks: list[Chunk], address: str) -> Finished:
    """Chunks with their numbers, in the order in which workers of the cluster at `address` finish them.

    A chunk whose worker is lost goes to another one. Raises `InputError` where the extra is missing, nothing answers,
    there are no workers, they lack the program or have another version of it, or the cluster goes away.
    """
    if not chunks:
        return
    try:
        import distributed
    except ImportError as error:
        raise wrong("needs the extra `cluster`, which is not installed", "pip install 'phaseopt[cluster]'") from error
    dask: Any = distributed  # partly typed
    with _client(dask, address) as client, _told_plainly(dask, address):
        if not client.nthreads():
            raise wrong(f"the cluster at {address} has no workers", f"start some: dask worker {address} --nthreads 1")
        jobs = {client.submit(on_worker, code_version(), work, chunk, pure=False): chunk for chunk in chunks}
        for job in dask.as_completed(list(jobs), loop=client.loop):
            yield jobs[job], job.result()
            job.release()


@contextmanager
def _client(distributed: Any, address: str) -> Iterator[Any]:
    """A connection to the scheduler, closed at the end; what is still being computed there is called off."""

    async def greet() -> None:
        # the client waits without end for the greeting of a port that is not a scheduler's
        connection = await asyncio.wait_for(distributed.core.connect(address, timeout=PATIENCE), PATIENCE)
        await connection.close()

    try:
        with ThreadPoolExecutor(1) as pool:  # a loop of its own: the caller, a notebook say, may be running one
            pool.submit(asyncio.run, greet()).result()
        client = distributed.Client(address, timeout=PATIENCE, set_as_default=False)
    except Exception as error:  # a port that is not a scheduler's may answer anything
        raise wrong(
            f"no Dask scheduler answers at {address} within {PATIENCE:.0f} s",
            "check the address (for example tcp://host:8786) and that the scheduler runs: dask scheduler",
        ) from error
    try:
        yield client
    finally:
        client.close(timeout=PATIENCE)


@contextmanager
def _told_plainly(distributed: Any, address: str) -> Iterator[None]:
    """What a cluster may do to our chunks, as a mistake with its mend."""
    try:
        yield
    except distributed.KilledWorker as error:
        raise wrong(
            "several workers died of the same chunk", f"see their logs, give them more memory, and {AGAIN}"
        ) from error
    except ImportError as error:
        raise wrong(
            f"the workers cannot load the program ({error})",
            "install the same version of phaseopt on scheduler and workers and start them again",
        ) from error
    except (CancelledError, OSError) as error:
        raise wrong(f"the cluster at {address} went away", f"start it again and {AGAIN}") from error
