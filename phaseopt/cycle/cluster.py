"""The same chunks on the workers of an existing Dask cluster.

Only this module knows of Dask (extra `cluster`), and imports it when it is used. Workers need this very version of the
program, and say so if they have another; nothing has to be shared with them but the network.
"""

import asyncio
import logging
import pickle
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

from phaseopt.cycle.chunks import Chunk, Finished, Work
from phaseopt.cycle.version import code_version
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

PATIENCE = 8.0  # seconds that a cluster has to answer
AGAIN = "run again: chunks that were finished are kept and taken up"


def wrong(problem: str, hint: str) -> InputError:
    """What is wrong with the cluster."""
    return InputError.one(problem, hint=hint, where="cluster")


def on_worker(version: str, work: Work, chunk: Chunk) -> FloatArray:
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
    with _client(dask, address) as client, _plain_errors(dask, address):
        if not client.nthreads():
            raise wrong(f"the cluster at {address} has no workers", f"start some: dask worker {address} --nthreads 1")
        deliver = _sealed()
        jobs = {
            client.submit(deliver, pickle.dumps((on_worker, code_version(), work, chunk)), pure=False): chunk
            for chunk in chunks
        }
        while jobs:
            for job in ready(dask, client, list(jobs)):
                yield jobs.pop(job), job.result()


def _sealed() -> Callable[[bytes], Any]:
    """A function that opens its argument only where it is called, and travels as code, not by this module's name.

    So the scheduler needs no phaseopt, and a worker without it reports an error; it would die of a task that it cannot
    even read.
    """

    def deliver(letter: bytes) -> Any:
        import pickle

        function, *arguments = pickle.loads(letter)
        return function(*arguments)

    return deliver


def ready(dask: Any, client: Any, jobs: list[Any]) -> list[Any]:
    """Wait for the next jobs that are done; raises `InputError` when no worker has been there for a while."""
    present = True
    while True:
        try:
            with client.as_current():
                return list(dask.wait(jobs, timeout=PATIENCE, return_when="FIRST_COMPLETED").done)
        except TimeoutError:  # no harm unless there are no workers, twice: one may just be starting anew
            before, present = present, bool(client.nthreads())
            if not before and not present:
                raise wrong("the cluster has no workers left", f"start some and {AGAIN}") from None


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
    log = logging.getLogger("distributed.client")
    level = log.level
    log.setLevel(logging.CRITICAL)  # what goes wrong is ours to tell
    try:
        yield client
    finally:
        client.close(timeout=PATIENCE)
        log.setLevel(level)


@contextmanager
def _plain_errors(distributed: Any, address: str) -> Iterator[None]:
    """What a cluster may do to our chunks, as a mistake with its fix."""
    try:
        yield
    except distributed.KilledWorker as error:
        raise wrong(
            "several workers died of the same chunk", f"see their logs, give them more memory, and {AGAIN}"
        ) from error
    except ImportError as error:
        raise wrong(
            f"the workers cannot load the program ({error})",
            "install the same version of phaseopt on all workers and start them again",
        ) from error
    except (CancelledError, OSError) as error:
        raise wrong(f"the cluster at {address} went away", f"start it again and {AGAIN}") from error
