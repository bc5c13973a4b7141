"""Progress of long work: a share of it from 0 to 1, and what is going on."""

from collections.abc import Callable

Progress = Callable[[float, str], None]


def silent(_fraction: float, _text: str) -> None:
    """Report to nobody."""


def part(progress: Progress, start: float, end: float) -> Progress:
    """Progress of a part of the work, reported as progress of the whole.

    >>> part(lambda fraction, text: print(round(fraction, 2), text), 0.5, 0.7)(0.5, "half way")
    0.6 half way
    """
    return lambda fraction, text: progress(start + (end - start) * fraction, text)


def counted(progress: Progress, text: str) -> Callable[[int, int], None]:
    """Progress as a number done of a number in all, reported as a share.

    >>> counted(lambda fraction, text: print(fraction, text), "simulating")(50, 200)
    0.25 simulating: 50 of 200 points
    """
    return lambda done, total: progress(done / max(total, 1), f"{text}: {done} of {total} points")


class Remembered:
    """Progress that knows how far it got, so that what follows can share what is left.

    A simulated grid takes most of a first run and nothing of a later one, and nobody knows which beforehand.

    >>> progress = Remembered(silent)
    >>> progress(0.4, "fitting"), progress.reached
    (None, 0.4)
    """

    def __init__(self, progress: Progress) -> None:
        self.progress, self.reached = progress, 0.0

    def __call__(self, fraction: float, text: str) -> None:
        """Pass it on and remember it."""
        self.reached = fraction
        self.progress(fraction, text)
