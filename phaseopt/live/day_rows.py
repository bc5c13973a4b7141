"""A day's pulls as the page lists them, and the card of one."""

import json
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from phaseopt.io.start_time import start_time
from phaseopt.live.day_logs import DayLogs
from phaseopt.live.page_parts import filled
from phaseopt.live.pull_verdicts import drift_since, pull_verdicts
from phaseopt.project.log_folder import LogFolder
from phaseopt.report.figures.logs import beside_others
from phaseopt.torque import repeatability
from phaseopt.torque.rows import ShaftTorque
from phaseopt.torque_model import LoggedDay, unlike_pulls
from phaseopt.values.display_units import Unit


@dataclass(frozen=True)
class PullRow:
    """A pull, or a log that is none.

    `number` from 1, 0 where it does not count; `names` of its logs as the project has them; `time` of day, "" where
    nobody knows; `word`: KEEP, REPEAT, NOT READ, LEFT OUT or NO LOG YET; `why` and `remarks` in sentences; `phases`,
    what the phasers did; `drift` since the first repeat; `added`, what it added, "" where nobody knows.
    """

    number: int
    names: tuple[str, ...]
    word: str
    time: str = ""
    why: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    phases: str = ""
    baseline: bool = False
    note: str = ""
    drift: str = ""
    added: str = ""

    @property
    def title(self) -> str:
        """Its first log's name."""
        return Path(self.names[0]).stem

    @property
    def key(self) -> str:
        """All its logs, as an action names them."""
        return json.dumps(self.names)

    @property
    def id(self) -> str:
        """As an element of the page is called."""
        return "pull-" + "".join(c if c.isalnum() else f"-{ord(c)}-" for c in self.names[0])


def day_rows(found: DayLogs, measured: Iterable[ShaftTorque], notes: Mapping[str, str]) -> list[PullRow]:
    """All pulls in their order, then logs that are not read, then those left out.

    Parameters: recordings as they were `measured`; `notes` by the name of a log.
    """
    rows = _counted(found, measured)
    rows += [PullRow(0, names, "NOT READ", why=why) for names, why in found.refused.items()]
    rows += _left_out(found)
    rows += [PullRow(0, names, "NO LOG YET") for names in found.awaited]
    return [replace(row, time=_time(found, row.names), note=notes.get(Path(row.names[0]).name, "")) for row in rows]


def newest_first(rows: Sequence[PullRow]) -> list[PullRow]:
    """As the page lists them: those that are not read first, for they want something; those left out after."""
    order = {"NOT READ": 0, "LEFT OUT": 2, "NO LOG YET": 3}
    return sorted(rows, key=lambda row: (order.get(row.word, 1), -row.number))


def card(row: PullRow, found: DayLogs | None) -> str:
    """One pull: its verdict and why, drift, what it added, and its torque beside the others'."""
    pictures: list[str] = []
    if row.number and found is not None and found.points is not None:
        unit = found.project.display_units.torque
        pictures = [
            beside_others(found.points.points, row.number - 1, unit, phone=phone).element() for phone in (False, True)
        ]
    return filled("day_pull.html.j2", row=row, pictures=pictures)


def facts(row: PullRow) -> dict[str, Any]:
    """The same for machines."""
    return {
        "number": row.number,
        "log": row.title,
        "names": list(row.names),
        "time": row.time,
        "verdict": row.word,
        "why": list(row.why),
        "baseline": row.baseline,
        "drift": row.drift,
        "added": row.added,
        "note": row.note,
    }


def weather_rows(stated: Mapping[str, Any]) -> list[dict[str, str]]:
    """The readings of the air as a project's table has them; none where it states no weather of the day."""
    torque = stated.get("torque")
    weather = torque.get("weather") if isinstance(torque, dict) else None
    if not isinstance(weather, dict):
        return []
    at = weather.get("at", [])
    at = at if isinstance(at, list) else []
    rows = []
    for k in range(max(1, len(at))):
        row = {"at": str(at[k]) if at else ""}
        for key in ("pressure", "temperature", "humidity"):
            value = weather.get(key, "")
            value = value[min(k, len(value) - 1)] if isinstance(value, list) and value else value
            row[key] = str(value)
        rows.append(row)
    return rows


def number(value: float) -> float | None:
    """A number as JSON has it; None where it is not known."""
    return value if math.isfinite(value) else None


def torque_text(gain: float, unit: Unit) -> str:
    """What something adds; a few hundredths are no promise.

    >>> from phaseopt.values.display_units import METRIC
    >>> torque_text(0.42, METRIC.torque), torque_text(-0.01, METRIC.torque)
    ('0.4 N·m', 'less than 0.1 N·m')
    """
    return unit.text(gain) if unit.of(gain) >= 0.05 else f"less than 0.1 {unit.name}"


def _counted(found: DayLogs, measured: Iterable[ShaftTorque]) -> list[PullRow]:
    if found.points is None:
        return []
    torque, points = found.project.torque, found.points.points
    assert torque is not None
    repeats = repeatability(points)
    known = {pull for one in repeats.outliers for pull in ((one.pull, one.other) if one.unclear else (one.pull,))}
    unlike = unlike_pulls(points, tuple(sorted(known)))
    day = LoggedDay(found.project, found.points, found.points.log_quality, repeats, unlike, ())
    unit, rows = found.project.display_units.torque, []
    for k, (pull, verdict) in enumerate(zip(torque.pulls, pull_verdicts(day, measured), strict=True)):
        drift = drift_since(repeats, k)
        text = ""
        if drift is not None:
            text = f"{unit.signed(drift.change)} ± {unit.text(drift.within)} since pull {drift.since + 1}"
        row = PullRow(k + 1, pull.files, verdict.word, "", verdict.why, verdict.remarks, verdict.phases)
        rows.append(replace(row, baseline=verdict.baseline, drift=text))
    return rows


def _left_out(found: DayLogs) -> list[PullRow]:
    """Logs that the project leaves out, each as the list names it."""
    folder, aside = found.stated.get("logs"), found.stated.get("leave_out", [])
    if not isinstance(aside, list):
        return []
    there = LogFolder(found.project.folder, folder if isinstance(folder, str) else None)
    return [PullRow(0, (name,), "LEFT OUT") for name in map(str, aside) if there.found([name])]


def _time(found: DayLogs, names: Sequence[str]) -> str:
    """The time of day at which a pull began, as its logs show it."""
    torque = found.project.torque
    assert torque is not None
    for name in names:
        file = found.project.folder / name
        if os.path.isfile(file) and (began := start_time(file, torque.columns.time, torque.dialect)) is not None:
            return began.strftime("%H:%M")
    return ""
