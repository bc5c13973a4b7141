"""The day on the dyno: each log as it comes, what it added, the tables if you stop now, and the next pull.

What is shown depends on the files alone: the project, its complete logs, and the notes on them. What took long is kept
only to save time, and is made again after a kill.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from phaseopt.live.board import Logs, Put
from phaseopt.live.page_parts import filled
from phaseopt.live.pull_notes import read_notes
from phaseopt.live.source import as_facts
from phaseopt.live.tables import TablesView
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress

if TYPE_CHECKING:
    from phaseopt.live.day_logs import DayLogs
    from phaseopt.live.day_rows import PullRow
    from phaseopt.live.next_pull import NextPull
    from phaseopt.study.day import Day
    from phaseopt.study.run_sheet import RunSheet
    from phaseopt.tables import PhaseTables

_PARTS = ("pulls", "pull", "gain", "next")


@dataclass(frozen=True)
class _Found:
    """What the last look found, for questions: rows of the list, and the logs they come from."""

    rows: "tuple[PullRow, ...]" = ()
    logs: "DayLogs | None" = None


class DayView:
    """A project's pulls as its files are now.

    Parameters: `file`, the project's; `avoid`, paths of logs that ended an earlier child.
    """

    def __init__(self, file: Path, avoid: frozenset[str]) -> None:
        self.file, self.avoid = file, avoid
        self._best = best = TablesView(file)
        self.answers: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "pull": self.chosen,
            **best.answers,
        }
        self._found = _Found()
        self._reader: Any = None
        self._day: Day | None = None
        self._tables: dict[tuple[str, ...], PhaseTables] = {}

    def chosen(self, body: dict[str, Any]) -> dict[str, Any]:
        """A pull that was chosen in the list, by its `key`."""
        from phaseopt.live.day_rows import card

        found = self._found
        row = next((each for each in found.rows if each.key == body.get("key")), None)
        if row is None:
            raise InputError.one("this pull is gone", hint="choose another one")
        return {"html": card(row, found.logs)}

    def look(self, put: Put, reading: Callable[[str], None], progress: Progress, logs: Logs) -> None:
        """Make the parts of the day.

        Parameters: `put` shows a part; `reading` gets the path of each log before it is read, and "" after the last;
        `progress`, the share done; `logs` that are complete, by path, with what identifies their contents.
        """
        from phaseopt.live.day_logs import LogReader

        self._reader = self._reader or LogReader(self.file, self.avoid)
        try:
            self._put_air(put)
            found = self._reader.day(logs, reading)
            if found is None:
                self._nothing(put)
            else:
                self._shown(put, progress, found)
        except InputError as error:
            html = filled("mistakes.html.j2", mistakes=as_facts(error.mistakes, self.file))
            for name in (*_PARTS, "tables"):
                put(name, html if name in ("next", "tables") else "", {"messages": list(error.messages)})
        progress(1.0, "")

    def _put_air(self, put: Put) -> None:
        """The air of the day, to be changed even where the project does not load."""
        from phaseopt.live.day_rows import weather_rows
        from phaseopt.project.load import read_given

        stated = read_given(self.file).table
        weather = weather_rows(stated)
        put("day", filled("day.html.j2", weather=weather, units=stated.get("units", "metric")), {"weather": weather})

    def _nothing(self, put: Put) -> None:
        """A project that states no logs."""
        put("pulls", filled("day_pulls.html.j2", rows=[], folder="", torque=False), {"pulls": []})
        for name in _PARTS[1:]:
            put(name, "", {})
        put("tables", filled("tables_none.html.j2"), {"state": "UNKNOWN"})

    def _shown(self, put: Put, progress: Progress, found: "DayLogs") -> None:
        """Verdicts first, then what takes longer."""
        from phaseopt.live.day_rows import day_rows

        rows = day_rows(found, self._reader.read.values(), read_notes(self.file))
        self._found = _Found(tuple(rows), found)
        self._put_pulls(put, found)
        progress(0.1, "the next plan")
        if found.points is None:
            self._before_pulls(put, progress, found)
            return
        now = self._now(found, progress)
        if only_rules := self._best.made_of(now.model):  # pins and caps alone changed: their outcome comes first
            self._best.look(put, now)
        following = self._put_next(put, found, now.plan)
        self._put_gain(put, now, following.expected)
        if not only_rules:
            self._best.look(put, now)
        if added := self._added(now):
            from dataclasses import replace

            newest = max(rows, key=lambda row: row.number)
            self._found = _Found(tuple(replace(row, added=added) if row is newest else row for row in rows), found)
            self._put_pulls(put, found)

    def _put_pulls(self, put: Put, found: "DayLogs") -> None:
        """The list of pulls, and the newest one."""
        from phaseopt.live.day_rows import card, facts, newest_first

        rows = self._found.rows
        order = newest_first(rows)
        folder = found.stated.get("logs", "")
        put(
            "pulls", filled("day_pulls.html.j2", rows=order, folder=folder, torque=True), {"pulls": [*map(facts, rows)]}
        )
        newest = order[0] if order and order[0].word in ("KEEP", "REPEAT", "NOT READ") else None
        put("pull", "" if newest is None else card(newest, found), {} if newest is None else facts(newest))

    def _before_pulls(self, put: Put, progress: Progress, found: "DayLogs") -> None:
        """The first pull, and with a simulation the tables by it alone."""
        from phaseopt.study.day import Day
        from phaseopt.study.plan import plan_next_pulls

        put("gain", "", {})
        if found.project.cycle is None or found.project.torque_grid is not None:
            self._put_next(put, found, lambda pulls: plan_next_pulls(found.project, pulls, progress))
            put("tables", filled("tables_none.html.j2"), {"state": "UNKNOWN"})
            return
        before = self._day
        self._day = Day.begin(found.project, progress) if before is None else before.after(found.project, progress)
        self._put_next(put, found, self._day.plan)
        self._best.look(put, self._day)

    def _put_next(self, put: Put, found: "DayLogs", plan: "Callable[[int], RunSheet]") -> "NextPull":
        from phaseopt.live.next_pull import baseline_is_due, facts, next_pull, pulls_to_plan

        baselines = [row.baseline for row in self._found.rows if row.number]
        due = baseline_is_due(baselines)
        following = next_pull(found.project, plan(pulls_to_plan(due)), len(baselines) + 1, due)
        put("next", filled("day_next.html.j2", next=following), facts(following))
        return following

    def _now(self, found: "DayLogs", progress: Progress) -> "Day":
        """The day with all pulls. Its simulation stays calibrated to those of the morning, also after a kill: a plain
        file beside the project's history names them, and what they were simulated for is kept on the disk."""
        from phaseopt.live.morning import morning_pulls, write_morning
        from phaseopt.study.day import Day
        from phaseopt.torque import reduce_logs

        def reached(share: float, text: str) -> None:
            progress(0.1 + 0.7 * share, text)

        if self._day is None:
            pulls = morning_pulls(self.file, found.project)
            morning = found.project.with_pulls(pulls)
            points = found.points if morning == found.project else reduce_logs(morning, self._reader.read)
            self._day = Day.begin(morning, reached, points)
        before = self._day
        self._day = before.after(found.project, reached, found.points)
        if self._day.inputs is not before.inputs:  # begun anew: another key or file changed
            write_morning(self.file, found.project)
        return self._day

    def _put_gain(self, put: Put, now: "Day", expected: float) -> None:
        """The tables if you stop now, and what the next pulls are `expected` to add."""
        from phaseopt.job.baseline import baseline_of, compare_with
        from phaseopt.live.day_rows import number, torque_text
        from phaseopt.report.gains import gain_text
        from phaseopt.values.interval import INTERVAL

        baseline = baseline_of(now.limits)
        gains = compare_with(baseline, now.tables).gains
        text = gain_text(gains, now.project.display_units.torque)
        self._tables[_pulls_of(now)] = now.tables.tables
        more = torque_text(expected, now.project.display_units.torque) if math.isfinite(expected) else ""
        facts = {"gain": number(gains.gain), "within": number(INTERVAL * gains.deviation), "more": number(expected)}
        put("gain", filled("day_gain.html.j2", gain=text, baseline=baseline.name, rpm=gains.rpm, more=more), facts)

    def _added(self, now: "Day") -> str:
        """What the newest pull added: torque of the tables now less that of the tables without it, by what is known
        now. Empty for the first pull."""
        from phaseopt.job.baseline import full_throttle_of, measured_cells
        from phaseopt.job.gains import average_gain
        from phaseopt.live.day_rows import torque_text
        from phaseopt.torque import reduce_logs

        torque = now.project.torque
        assert torque is not None
        before = _pulls_of(now)[:-1]
        if not before:
            return ""
        if before not in self._tables:
            project = now.project.with_pulls(torque.pulls[:-1])
            earlier = now.after(project, points=reduce_logs(project, self._reader.read))
            self._tables[before] = earlier.tables.tables
        first, second = (full_throttle_of(now.limits, each) for each in (self._tables[before], now.tables.tables))
        found = average_gain(now.model.surface, first, second, measured_cells(now.tables)[:, -1])
        return torque_text(found.gain, now.project.display_units.torque)


def _pulls_of(day: "Day") -> tuple[str, ...]:
    """What stands for the pulls of a day, in their order."""
    torque = day.project.torque
    assert torque is not None
    return tuple(pull.model_dump_json() for pull in torque.pulls)
