"""Times of day in a log, as seconds that run on past midnight.

A clock time is written as ISO 8601 has it (12:34:56.7), with or without a date before it.
"""

import re
from datetime import datetime

import numpy as np

from phaseopt.values.arrays import FloatArray

_CLOCK = re.compile(r"([0-9]{1,2}):([0-5][0-9]):([0-5][0-9](?:[.,][0-9]+)?)")
_ISO = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ].*")
_DAY, _NIGHT = 86400.0, -43200.0  # s; a clock that falls by more than the latter has passed midnight


class ClockTimes:
    """Reads the cells of a time column that are no plain seconds.

    >>> clock = ClockTimes()
    >>> clock("23:59:59.5"), clock("00:00:01"), clock("1970-01-02 00:00:01"), clock("noon")
    (86399.5, 1.0, 86401.0, None)
    >>> clock.past_midnight(np.array([86399.5, 1.0, 2.0])).tolist()
    [86399.5, 86401.0, 86402.0]
    """

    def __init__(self) -> None:
        self.without_a_date = False

    def __call__(self, cell: str) -> float | None:
        """Seconds of a time of day, or of a date and time since 1970; None for other text."""
        if (clock := _CLOCK.fullmatch(cell)) is not None:
            self.without_a_date = True
            hours, minutes, seconds = clock.groups()
            return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds.replace(",", "."))
        if _ISO.fullmatch(cell):
            try:
                moment = datetime.fromisoformat(cell)
            except ValueError:
                return None
            return (moment.replace(tzinfo=None) - datetime(1970, 1, 1)).total_seconds()
        return None

    def past_midnight(self, seconds: FloatArray) -> FloatArray:
        """The column with a day added wherever a clock without a date passed midnight."""
        if not self.without_a_date:
            return seconds
        return seconds + _DAY * np.cumsum(np.diff(seconds, prepend=seconds[:1]) < _NIGHT)
