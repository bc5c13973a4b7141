"""One BLAS thread wherever numbers are made.

Several threads add in another order: the last digits then change with their number, and with them the names under which
results are cached. Our matrices are small, so one thread is also the fastest, by far on a busy machine.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import scipy.linalg  # noqa: F401  (it brings a BLAS of its own, which can be limited only once it is loaded)
from threadpoolctl import OpenBLASController, threadpool_limits

# threadpoolctl lets only the first thread that sets a limit change it, and passes over all others in silence; the limit
# has to hold whichever thread runs a stage, so that rule is set aside here
_lock = threading.Lock()
_inside = 0  # how many blocks are running, in all threads: the limit holds for the whole process
_limits: threadpool_limits | None = None


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Keep numpy's and scipy's linear algebra on one thread: a `with` block, or a decorator.

    Every public stage has it. Blocks may stand inside each other and run in several threads: the first one sets the
    limit, the last one out lifts it.

    Examples
    --------
    >>> from threadpoolctl import threadpool_info
    >>> with one_blas_thread():
    ...     {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"}
    {1}
    """
    global _inside, _limits
    with _lock:
        if not _inside:
            OpenBLASController.clear_controlling_thread(force=True)
            _limits = threadpool_limits(1, "blas")
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if not _inside and _limits is not None:
                OpenBLASController.clear_controlling_thread(force=True)
                _limits.restore_original_limits()
                OpenBLASController.clear_controlling_thread(force=True)
