"""How many cores this process may use."""

import os


def cores() -> int:
    """Those it is bound to, where the system can say so; else all.

    >>> cores() >= 1
    True
    """
    try:
        return len(os.sched_getaffinity(0))  # type: ignore[attr-defined,unused-ignore]
    except AttributeError:
        return os.cpu_count() or 1
