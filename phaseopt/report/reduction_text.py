"""What `phaseopt reduce` prints: in one minute, what the logs hold, what they cannot show, what to look at first."""

import math
import re
import textwrap
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.report.reduction_words import look_first, phaser_lines, pull_names, repeat_lines, shared_notes
from phaseopt.report.subjects.fit import NOT_JUDGED
from phaseopt.torque.log_quality import LogQuality
from phaseopt.torque_model.day import Day
from phaseopt.values.display_units import Unit

_WIDTH, _INDENT = 118, 14
FloatArray = npt.NDArray[np.float64]

_COUNTED = re.compile(r": \d+ of \d+ .* left out \(")  # a note on what the block of left-out stretches counts


def reduction_summary(day: Day, written: list[Path]) -> str:
    """What was found, for a terminal. Parameters: `written`, the files, if any were asked for."""
    names = pull_names(day)
    first = look_first(day)
    blocks = [
        ("Look first", first or ["nothing stands out"]),
        ("Logs", [logs_line(day.log_quality)]),
        ("Points", [points_line(day.reduction.points)]),
        ("Pulls", pull_lines(day)),  # centrelines, and the standard error of a point in the middle of them
        ("Left out", rejected_lines(day)),
        ("Repeats", repeat_lines(day.repeats, names, day.project.display_units.torque)),
        ("Phasers", [line for response in day.phasers for line in phaser_lines(day.project, response)]),
        ("Notes", _notes(day)),
        ("Written", [", ".join(map(str, written))] if written else []),
    ]
    parts = [f"  {day.project.name}: what the dyno logs say"]
    parts += ["\n".join(_block(label, lines)) for label, lines in blocks if lines]
    parts.append(textwrap.fill(NOT_JUDGED, _WIDTH, initial_indent="  ", subsequent_indent="  "))
    return "\n\n".join(parts) + "\n"


def logs_line(found: Sequence[LogQuality]) -> str:
    """How many logs were read, how long and how often they were logged; what looks odd in them is told first of all."""
    rows = sum(log_quality.rows for log_quality in found)
    rates = [log_quality.rate for log_quality in found if not math.isnan(log_quality.rate)]
    odd = sum(1 for log_quality in found if log_quality.warnings)
    low, high = (f"{end:.3g}" for end in (min(rates), max(rates))) if rates else ("", "")
    often = f" at {low}{f' to {high}' if high != low else ''} rows a second" if rates else ""
    looks = f"{odd} of them to look at, told above" if odd else "none looks odd"
    logs = "1 log" if len(found) == 1 else f"{len(found)} logs"
    return f"{logs}, {rows} rows{often}; {looks}; each channel's range is in health.csv of --out"


def _notes(day: Day) -> list[str]:
    """Notes of the reduction without what stands in other blocks; what several pulls share is told once."""
    told = tuple(f"{log_quality.file}: {said}" for log_quality in day.log_quality for said in log_quality.warnings)
    first = look_first(day)
    elsewhere = (*told, *first)
    notes = [note for note in day.reduction.notes if not (note.endswith(elsewhere) or _COUNTED.search(note))]
    return shared_notes(notes, pull_names(day))


def points_line(points: xr.Dataset) -> str:
    """How many points there are, and over what."""
    rpm, load = points["rpm"].to_numpy(), points["load"].to_numpy()
    full = int(points["full_throttle"].sum())
    correction = points.attrs["correction"]
    corrected = "not corrected for weather" if correction == "none" else f"corrected to {correction}"
    return (
        f"{points.sizes['point']} torque points ({full} at full throttle), {rpm.min():.0f} to {rpm.max():.0f} rpm,"
        f" {_over(load)} kPa; torque {corrected};"
        " ± below is the standard error of a pull's middling point"
    )


def _over(values: FloatArray) -> str:
    """Least to most, one number where they are one.

    >>> _over(np.array([35.0, 100.0])), _over(np.array([100.0, 100.0]))
    ('35 to 100', '100')
    """
    least, most = f"{values.min():.0f}", f"{values.max():.0f}"
    return least if least == most else f"{least} to {most}"


def pull_lines(day: Day) -> list[str]:
    """A line for each pull under a heading."""
    points, names = day.reduction.points, pull_names(day)
    width = min(max(map(len, names)), 30)
    unit = day.project.display_units.torque
    most = f"{f'most {unit.name}':>8}  at rpm  {f'± {unit.name}':>5}"
    heading = f"{'':<{width}}  points  {'rpm':^12}  {'intake':<11}  {'exhaust':<11}  {most}"
    own = [points.isel(point=points["pull"].to_numpy() == pull) for pull in range(len(names))]
    return [heading, *(f"{name:<{width}}  {_pull_row(one, unit)}" for name, one in zip(names, own, strict=True))]


def _pull_row(own: xr.Dataset, unit: Unit) -> str:
    torque, rpm = own["torque"].to_numpy(), own["rpm"].to_numpy()
    error = unit.number(float(np.median(own["scatter"])), 1)
    best = int(torque.argmax())
    return (
        f"{own.sizes['point']:6d}  {f'{rpm.min():.0f} to {rpm.max():.0f}':^12}  {_span(own['icl']):<11}"
        f"  {_span(own['ecl']):<11}  {unit.number(torque[best]):>8}  {rpm[best]:6.0f}  {error:>5}"
    )


def _span(values: xr.DataArray) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{(low + high) / 2:.0f}°" if high - low < 2.0 else f"{low:.0f} to {high:.0f}°"


def rejected_lines(day: Day) -> list[str]:
    """Stretches that gave no point, by reason, most first; where many pulls share one it is told once."""
    rejected = day.reduction.rejected
    if not rejected:
        return ["no stretch of any log"]
    count: Counter[str] = Counter()
    for one in rejected:
        count[one.reason] += one.count
    lines = []
    for reason, total in count.most_common():
        own = [one for one in rejected if one.reason == reason]
        pulls = list(dict.fromkeys(one.pull for one in own))
        more = f" and {len(pulls) - 1} more pull{'s' if len(pulls) > 2 else ''}" if len(pulls) > 1 else ""
        low, high = min(one.rpm_from for one in own), max(one.rpm_to for one in own)
        lines.append(f"{total}: {reason} ({pulls[0]}{more}, {low:.0f} to {high:.0f} rpm)")
    return lines


def _block(label: str, lines: list[str]) -> list[str]:
    indent = " " * (_INDENT + 2)
    found: list[str] = []
    for line in lines:
        first = indent if found else f"  {label:<{_INDENT}}"
        found += textwrap.wrap(
            line, _WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False,
            replace_whitespace=False,
        )  # fmt: skip
    return found
