"""Figures that the judge gives of today's `phaseopt limits`.

    PYTHONPATH=. python -m tests.outside.figures [ENGINES]

prints how far promised gaps lie below true ones on honest engines, and what becomes of each mistake: how much it moves
a gap, how often the project is refused, and how short the true engine is where a box is called clear.
"""

import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from phaseopt import InputError, load_project, phase_limits

from .contact import SIDES, Engine
from .random_engines import Errors, random_engine, written_by
from .traps import TRAPS, effect, planted

NAMES = ("intake_piston", "exhaust_piston", "valve_valve")
STATIC = np.array([2.0, 2.5, 1.5])  # mm, the defaults


def conservatism(count: int, errors: Errors, stated: dict[str, dict[str, float]], folder: Path) -> np.ndarray:
    """True less promised least static gap over full travel, mm, (engines, 3). `stated`: errors as the project has
    them."""
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


def short(engine: Engine, boxes: Iterator[object]) -> float:
    """The most by which the true engine is short of the static rule in boxes called clear, mm; phases as it has
    them."""
    least = [  # phases as the engine has them, whatever the project calls them
        STATIC - np.array(engine.least((box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)))
        for box in boxes
    ]
    return float(np.max(least)) if least else -np.inf


def trap_rows(name: str, count: int, folder: Path) -> tuple[list[float], int, list[float]]:
    """Of a mistake: by how much it moves a gap, how many projects are refused, how short the others are, mm."""
    moved, refused, lacking = [], 0, []
    for seed in range(count):
        engine, zero = random_engine(seed)
        honest = written_by(engine, seed, zero)
        for side in SIDES[: 1 if TRAPS[name].both else 2]:
            spoiled = planted(name, honest, engine, side)
            if spoiled is None:
                continue
            moved.append(effect(engine, spoiled, folder).moved)
            try:
                lacking.append(short(engine, phase_limits(load_project(spoiled.write(folder))).boxes[::3]))
            except InputError:
                refused += 1
    return moved, refused, lacking


def main(count: int) -> None:
    """Print both."""
    with TemporaryDirectory() as made:
        folder = Path(made)
        print(
            "true less promised static gap over full travel, mm: median intake, exhaust, valves; pistons together; least"
        )
        fine = {"drop": {"gauge_error": 0.02, "wheel_error": 0.3}}
        finer = {**fine, "cam": {"centreline_error": 0.3, "lobe_error": 0.01}}
        for title, errors, stated in (
            ("errors 0.02 mm, 0.3°; default errors stated", Errors(), {}),
            ("errors 0.02 mm, 1°; default errors stated", Errors(wheel=1.0), {}),
            ("0.02 mm and 0.3° stated for the drop", Errors(), fine),
            ("also 0.3° for the centreline, 0.01 mm for the lobe", Errors(dial=0.15), finer),
        ):
            found = conservatism(count, errors, stated, folder)
            middle = " ".join(f"{each:.2f}" for each in np.median(found, axis=0))
            print(f"{title:52} {middle}   {np.median(found[:, :2]):.2f}   {found.min():.3f}  of {len(found)}")
        print(
            "\nmistake: projects; moves a gap by (least, median, most); refused; called clear and short, the most short"
        )
        for name in TRAPS:
            moved, refused, lacking = trap_rows(name, min(count, 20), folder)
            spread = " ".join(f"{np.percentile(moved, each):6.2f}" for each in (0, 50, 100)) if moved else ""
            over = [each for each in lacking if each > 0.005]
            print(
                f"{name:54} {len(moved):3} {spread} {refused:4} {len(over):4} {max(over, default=0.0):6.2f}", flush=True
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
