"""Figures that the judge gives of today's `phaseopt limits`.

    PYTHONPATH=. python -m tests.outside.figures [ENGINES]

prints how far promised gaps lie below true ones on honest engines, and what becomes of each mistake: how much it moves
a gap, how often the project is refused, and how short the true engine is where a box is called clear.
"""

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import numpy as np

from phaseopt import InputError, load_project, phase_limits
from phaseopt.clearance.limits import Limits
from phaseopt.report.subjects.limits import limits_notes

from .contact import SIDES, Engine
from .random_engines import Errors, random_engine, written_by
from .traps import TRAPS, effect, planted

NAMES = ("intake_piston", "exhaust_piston", "valve_valve")
STATIC, SHORT = np.array([2.0, 2.5, 1.5]), 0.005  # mm, the rule's defaults and what no verdict may be short by


def conservatism(count: int, errors: Errors, stated: dict[str, dict[str, float]], folder: Path) -> np.ndarray:
    """True less promised least static gap over full travel, both at zero lash, mm, (engines, 3).

    `stated`: errors as the project has them.
    """
    rows = []
    for seed in range(count):
        engine, zero = random_engine(seed, errors)
        written = written_by(engine, seed, zero, errors)
        for side in SIDES:
            written.settings[side].update(stated.get("cam", {}))
            written.settings["drop"][side].update(stated.get("drop", {}))
        try:
            promised = phase_limits(load_project(written.write(folder))).full_travel.static
        except InputError:
            continue
        rows.append(np.array(engine.at_zero_lash().full_travel()) - [promised[name] for name in NAMES])
    return np.array(rows)


def lacking(engine: Engine, limits: Limits) -> float:
    """The most by which the true engine, lash as set, breaks the static rule where it is called clear, mm.

    In a box only phases count that the phaser can reach; and full travel as a whole where that is called clear.
    """
    found = [-np.inf]
    for box in limits.boxes[::3]:
        spans = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
        reached = [np.clip(span, *cam.travel) for span, cam in zip(spans, (engine.intake, engine.exhaust), strict=True)]
        found.append(np.max(STATIC - np.array(engine.least(*reached))))
    if limits.full_travel.verdict == "clear":
        found.append(np.max(STATIC - np.array(engine.full_travel())))
    return float(max(found))


def words(limits: Limits) -> set[str]:
    """Notes without their figures."""
    return {re.sub(r"[-+]?\d[\d.,]*", "#", note) for note in limits_notes(limits)}


class Outcome(NamedTuple):
    """Of one spoiled project; None where it was refused."""

    moved: float
    optimistic: float | None = None
    short: float | None = None
    noted: bool = False


def outcomes(name: str, count: int, folder: Path) -> Iterator[Outcome]:
    """What becomes of a mistake on each engine and side that gives occasion for it."""
    for seed in range(count):
        engine, zero = random_engine(seed)
        honest = written_by(engine, seed, zero)
        usual = words(phase_limits(load_project(honest.write(folder))))
        for side in SIDES[: 1 if TRAPS[name].both else 2]:
            spoiled = planted(name, honest, engine, side)
            if spoiled is None:
                continue
            moved = effect(engine, spoiled, folder).moved
            try:
                limits = phase_limits(load_project(folder / "project.toml"))
            except InputError:
                yield Outcome(moved)
                continue
            promised = np.array([limits.full_travel.static[each] for each in NAMES])
            optimistic = float(np.max(promised - engine.full_travel()))
            yield Outcome(moved, optimistic, lacking(engine, limits), bool(words(limits) - usual))


def main(count: int) -> None:
    """Print both."""
    with TemporaryDirectory() as made:
        folder = Path(made)
        print("true less promised static gap at zero lash, mm: median intake, exhaust, valves; pistons; least")
        fine = {"drop": {"gauge_error": 0.03, "wheel_error": 0.3}}
        finer = {**fine, "cam": {"centreline_error": 0.3, "lobe_error": 0.01}}
        for title, errors, stated in (
            ("errors 0.02 mm, 0.3°; default errors stated", Errors(), {}),
            ("errors 0.02 mm, 1°; default errors stated", Errors(wheel=1.0), {}),
            ("0.03 mm and 0.3° stated for the drop", Errors(), fine),
            ("also 0.3° for the centreline, 0.01 mm for the lobe", Errors(dial=0.15), finer),
        ):
            found = conservatism(5 * count, errors, stated, folder)
            middle = " ".join(f"{each:.2f}" for each in np.median(found, axis=0))
            print(
                f"{title:52} {middle}   {np.median(found[:, :2]):.2f}   {found.min():.3f}  of {len(found)}", flush=True
            )
        print("\nmistake: projects; moves a gap by (least, median, most), + = claimed too large; refused; a note more;")
        print("    full travel promised too large (projects, most); called clear but short (projects, most)")
        for name in TRAPS:
            rows = list(outcomes(name, count, folder))
            spread = " ".join(f"{np.percentile([each.moved for each in rows], q):6.2f}" for q in (0, 50, 100))
            more = [each.optimistic for each in rows if each.optimistic is not None and each.optimistic > SHORT]
            over = [each.short for each in rows if each.short is not None and each.short > SHORT]
            refused, noted = sum(each.optimistic is None for each in rows), sum(each.noted for each in rows)
            worst = " ".join(f"{len(sizes):4} {max(sizes, default=0.0):5.2f}" for sizes in (more, over))
            print(f"{name:54} {len(rows):3} {spread} {refused:4} {noted:4} {worst}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
