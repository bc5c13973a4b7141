"""The one interval: what ± is wherever a person reads it, and when a difference counts as shown."""

INTERVAL = 2.0  # standard deviations on either side; 95.4 % of a normal law, "95 %" to a reader
PLUS_MINUS = "± is 95 % (two standard deviations) wherever it is given."


def is_shown(difference: float, deviation: float) -> bool:
    """Whether a difference is more than its ±; never of one that is not known.

    >>> is_shown(3.0, 1.2), is_shown(-2.0, 1.2), is_shown(0.0, 0.0), is_shown(float("nan"), 1.0)
    (True, False, False, False)
    """
    return abs(difference) > INTERVAL * deviation
