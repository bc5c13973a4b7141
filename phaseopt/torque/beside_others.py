"""A day's pulls beside each other: what is left out of one, which to look at first, and what is refused."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import xarray as xr

from phaseopt.project import Project
from phaseopt.torque.levels import ANOTHER_ENGINE, level_text, unlike_levels
from phaseopt.torque.points import Points, Rows
from phaseopt.torque.unlike_curves import UnlikeCurve, copied_phases, unlike_curves
from phaseopt.values.arrays import BoolArray
from phaseopt.values.errors import InputError, Mistake


def as_the_others(points: Points, unlike: Sequence[UnlikeCurve]) -> tuple[BoolArray, list[UnlikeCurve]]:
    """Which points (n,) count where pulls misfire or are short of fuel, and these pulls with the speeds left out.

    Where nothing would be left of a pull it stays, and is in question as a whole.
    """
    keep = np.ones(len(points["rpm"]), dtype=np.bool_)
    found = []
    for one in unlike:
        if one.left_out is not None:
            low, high = one.left_out
            own = points["pull"] == one.pull
            there = own & points["full_throttle"].astype(np.bool_) & (points["rpm"] >= low) & (points["rpm"] <= high)
            full = own & points["full_throttle"].astype(np.bool_)
            if (keep & full & ~there).any():
                keep &= ~there
                if there.any():
                    one = replace(one, left_out=(float(points["rpm"][there].min()), float(points["rpm"][there].max())))
            else:
                one = replace(one, left_out=None)
        found.append(one)
    return keep, found


def curve_text(one: UnlikeCurve, names: Sequence[str]) -> str:
    """A pull that does what no other does, in a sentence."""
    if one.left_out is None:
        return f"{names[one.pull]}: {one.text}"
    low, high = (f"{rpm:.0f}" for rpm in one.left_out)
    where = f"at {low} rpm" if low == high else f"from {low} to {high} rpm"
    return f"{names[one.pull]}: {one.text}{'' if one.text.endswith('?') else '.'} It is left out {where}"


def judged_curves(
    project: Project,
    sweeps: Sequence[Rows | None],
    barometer: Sequence[float],
    logs: Sequence[Sequence[xr.Dataset]],
    names: Sequence[str],
) -> list[UnlikeCurve]:
    """Pulls that do what no other does; refuses those that cannot be this pull's torque or phases.

    Parameters: of each pull its rows where it is a sweep, the `barometer` of its day [kPa], its recordings, its name.
    """
    copied = [
        (pull, f"its {column} is row by row that of {names[earlier]}, jitter and all: another pull's file")
        for pull, earlier, column in copied_phases(logs)
    ]
    torque = project.torque
    assert torque is not None
    unlike = unlike_curves(sweeps, barometer, any_spark=torque.spark_gain is not None or torque.best_spark)
    refused = copied + [(one.pull, one.text) for one in unlike if one.refused]
    if refused:
        raise InputError(
            Mistake(
                f"{names[pull]}: {text}",
                f"give it the right file or column; or {leave_out_text(project, [pull + 1])}",
                project.file,
                project.pull_key(pull + 1),
            )
            for pull, text in refused
        )
    return unlike


def judged_levels(project: Project, points: xr.Dataset, names: list[str]) -> list[tuple[int, str]]:
    """Pulls that read far from the others, with notes; refuses those that only another engine or unit explains."""
    levels = unlike_levels(points)
    mistakes = [
        Mistake(
            level_text(level, names).rstrip("?"),
            "one engine in a project, torque at one place of the driveline, and the units of every log as it has them",
            project.file,
            project.pull_key(level.pull + 1),
        )
        for level in levels
        if not 1 / ANOTHER_ENGINE < level.ratio < ANOTHER_ENGINE
    ]
    if mistakes:
        raise InputError(mistakes)
    return [(level.pull, level_text(level, names)) for level in levels]


def leave_out_text(project: Project, numbers: Sequence[int]) -> str:
    """What to write to leave pulls out, one key for all.

    Parameters
    ----------
    project
        With a torque section.
    numbers
        Of the pulls, from 1.

    Returns
    -------
    str
        The key and its value, and the section.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> leave_out_text(load_project("examples/intake_only/project.toml"), [3])
    'leave_out = ["pull-1.csv"] under [torque]'
    """
    torque = project.torque
    assert torque is not None  # it names its pulls
    files = [
        Path(file).name for number in numbers if number <= len(torque.pulls) for file in torque.pulls[number - 1].files
    ]
    return f"leave_out = [{', '.join(map(json.dumps, [*torque.leave_out, *files]))}] under [torque]"
