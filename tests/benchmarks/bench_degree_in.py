"""What a degree-in check is worth: mistakes named, sound engines left alone, millimetres and degrees gained.

    python tests/benchmarks/bench_degree_in.py [--sound N] [--engines N] [--keep | --check]

Engines, their readings, the mistakes and the judge are those of `tests/outside`, which know nothing of the package.
Exits 1 where a number is not reached: with a check given nothing called clear is short by more than 0.005 mm, under one
mistake or two; of the mistakes that move the least gap by more than 0.3 mm 95 % are named, or refused where they are
written; at most 1 % of sound engines are refused; the static gap is at most 0.15 mm below the truth (median), lash
aside and the phaser anywhere within its error, with readings good to 0.02 mm and 0.3°; on one wheel for all readings
the check gains half a degree or more (mean, all contacts); with the wheel left alone, set anew or moved nothing called
clear is short; of wheels moved by a degree or more between the cams, though the builder says not, 95 % are refused.
"""

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figure, report
from outside.degreed import PARTS, WHEELS, dialled_in, in_part, on_wheel, wheel_of, with_readings
from outside.random_engines import SIDES, Errors, Written, random_engine, written_by
from outside.test_limits_and_check import shortfall
from outside.traps import TRAPS, effect, planted

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.clearance.rules import CLEAR
from phaseopt.project.load import load_project
from phaseopt.values.errors import InputError

CHECKS = "without a check", "check good to 0.02 mm and 0.3°", "check good to 0.02 mm and 1°"
FIRST_SOUND, BOXES = 10_000, 60
HELD = 1.0  # crank degrees, the project's default
SHORT, MATTERS = 0.005, 0.3  # mm
# what a refusal has to say of each mistake: one of these words
NAMED = {
    "lobe mirrored": ("mirrored",),
    "offset sign": ("wrong sign",),
    "offset in cam degrees": ("cam degrees",),
    "card in cam degrees": ("cam deg",),
    "lobe zero off its nose": ("zero", "tooth"),
    "centreline by equal lift, lobe by its peak": ("equal lift", "zero"),
    "ratio missing": ("ratio",),
    "lash in thousandths": ("lash",),
    "lobe files swapped": ("swapped",),
    "drop files swapped": ("swapped",),
    "a tooth out": ("tooth",),
    "travel in cam degrees": ("cam degrees",),
    "travel from the other end": ("wrong sign",),
}


SHAPES = ("lobe mirrored", "ratio missing", "ratio inverted", "lobe files swapped", "card in cam degrees")
PAIRS = 12  # on each engine


class Case(NamedTuple):
    """What came of one project: `refused` in words (empty: it was taken), and by how much a clear box is short, mm."""

    seed: int
    trap: str
    moved: float
    refused: str
    short: float
    boxes: int


def judged(seed: int, trap: str, moved: float, written: Written, engine: Any, folder: Path) -> Case:
    """Whether a project is refused, and by how much what it calls clear is short on the true engine."""
    try:
        limits = phase_limits(contact_model(load_project(written.write(folder))))
    except InputError as error:
        return Case(seed, trap, moved, str(error), -np.inf, 0)
    short = max(shortfall(engine, (b.intake_from, b.intake_to), (b.exhaust_from, b.exhaust_to)) for b in limits.boxes)
    if limits.full_travel.verdict == CLEAR:
        short = max(short, shortfall(engine, engine.intake.travel, engine.exhaust.travel))
    return Case(seed, trap, moved, "", short, len(limits.boxes))


def spoiled(seed: int) -> list[Case]:
    """Every mistake on one engine, each on the side it is drawn for, with a degree-in check of the true engine."""
    found, errors = [], Errors()
    engine, zero = random_engine(seed, errors)
    written = written_by(engine, seed, zero, errors)
    side = SIDES[seed % 2]
    with tempfile.TemporaryDirectory() as folder:
        for number, name in enumerate(TRAPS):
            spoilt = planted(name, written, engine, side)
            if spoilt is None:
                continue
            try:
                moved = effect(engine, spoilt, Path(folder) / f"c{number}").moved
            except (ValueError, AssertionError, IndexError):
                moved = np.inf  # the mistake leaves nothing to compute with
            read = with_readings(spoilt, engine, seed, zero, errors)
            found.append(judged(seed, name, moved, read, engine, Path(folder) / f"r{number}"))
    return found


def pairs(seed: int) -> list[Case]:
    """Two mistakes at once on one engine, `PAIRS` times: with all readings, and with few of them and the centreline
    set so that it agrees with what was read."""
    found, errors, rng = [], Errors(), np.random.default_rng([seed, 8])
    engine, zero = random_engine(seed, errors)
    names = [name for name in NAMED if not TRAPS[name].both or name == "lobe files swapped"]
    with tempfile.TemporaryDirectory() as folder:
        for number in range(PAIRS):
            side = SIDES[int(rng.integers(2))]
            few = number % 2 == 1
            first, second = rng.permutation(SHAPES if few else names)[:2]
            one = planted(str(first), written_by(engine, seed, zero, errors), engine, side)
            both = None if one is None else planted(str(second), one, engine, side)
            read = None if both is None else with_readings(both, engine, seed, zero, errors)
            if few and read is not None:
                read = dialled_in(in_part(read, PARTS[int(rng.integers(len(PARTS)))]), Path(folder) / f"d{number}")
            if read is not None:
                trap = f"{first}, {second}{' (few readings)' if few else ''}"
                found.append(judged(seed, trap, np.inf, read, engine, Path(folder) / f"p{number}"))
    return found


def wheels(seed: int) -> list[Case]:
    """All that may become of a degree wheel on one engine; one that is moved between the cams goes 1 to 4 degrees
    either way."""
    errors, rng = Errors(), np.random.default_rng([seed, 10])
    engine, _ = random_engine(seed, errors)
    moved = float(rng.uniform(1.0, 4.0) * rng.choice([-1.0, 1.0]))
    with tempfile.TemporaryDirectory() as folder:
        return [
            judged(
                seed,
                kind,
                moved,
                on_wheel(engine, seed, wheel_of(kind, seed, errors.wheel, moved), errors),
                engine,
                Path(folder) / f"w{number}",
            )
            for number, kind in enumerate(WHEELS)
        ]


def sound(seed: int) -> tuple[str, list[tuple[float, float, float]], list[list[float]]]:
    """Whether a sound engine is refused, how far its static gaps are below the truth (mm, at rest, each piston), and
    how far both cams together may go from rest in any combination (crank degrees; the first `BOXES` engines; all
    contacts, then pistons alone): without a check, with one good to 0.3°, with one good to 1°."""
    refused, rows, boxes = "", [], [[np.nan] * 3, [np.nan] * 3]
    with tempfile.TemporaryDirectory() as folder:
        gaps = []
        for number, errors in enumerate((Errors(), Errors(), Errors(wheel=1.0))):
            engine, zero = random_engine(seed, errors)
            written = written_by(engine, seed, zero, errors)
            if number:
                written = with_readings(written, engine, seed, zero, errors)
            try:
                found = contact_model(load_project(written.write(Path(folder) / f"{number}")))
            except InputError as error:
                refused = str(error)
                gaps.append([np.nan, np.nan])
                continue
            if seed < FIRST_SOUND + BOXES:
                boxes[0][number] = sum(_widest(found))
                alone = {key: value for key, value in written.settings.items() if key != "seats"}
                pistons = replace(written, settings=alone).write(Path(folder) / f"{number}p")
                boxes[1][number] = sum(_widest(contact_model(load_project(pistons))))
            at_rest = found.gaps([[0.0, 0.0, 0.0, 0.0]]).static[0]
            tight = replace(engine, **{side: replace(engine.cam(side), lash=0.0) for side in SIDES})
            gaps.append([_least_held(tight, side) - at_rest[i] for i, side in enumerate(SIDES)])
        rows = [tuple(each) for each in np.array(gaps).T.tolist()]
    return refused, rows, boxes


def _widest(model: ContactModel) -> tuple[float, float]:
    """How far each cam may go in the largest clear box around rest; NaN where rest is not clear."""
    try:
        boxes = phase_limits(model).boxes
    except InputError:
        return np.nan, np.nan
    sizes = [(box.intake_to - box.intake_from, box.exhaust_to - box.exhaust_from) for box in boxes]
    return max(sizes, key=sum, default=(0.0, 0.0))


def _least_held(engine: Any, side: str) -> float:
    """The true gap to the piston at rest, the phaser anywhere within the error that the project gives it."""
    held = HELD if any(engine.cam(side).travel) else 0.0
    return float(engine.piston_gap(side, (-held, held)))


def main() -> int:
    """Print what was found on both sides of every number."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sound", type=int, default=1000)
    asked.add_argument("--engines", type=int, default=50)
    given = asked.parse_args()
    with ProcessPoolExecutor() as pool:
        cases = [case for each in pool.map(spoiled, range(given.engines)) for case in each]
        double = [case for each in pool.map(pairs, range(given.engines)) for case in each]
        any_wheel = [case for each in pool.map(wheels, range(given.engines)) for case in each]
        plain = list(pool.map(sound, range(FIRST_SOUND, FIRST_SOUND + given.sound), chunksize=10))
    short = [case for case in cases if case.short > SHORT]
    matter = [case for case in cases if abs(case.moved) > MATTERS]
    named = [case for case in matter if case.refused and _names(case)]
    for name in TRAPS:
        these = [case for case in cases if case.trap == name]
        big = [case for case in these if abs(case.moved) > MATTERS]
        print(
            f"{name:56s} {len(these):4d} planted, {sum(bool(c.refused) for c in these):4d} refused, "
            f"{sum(bool(c.refused) and _names(c) for c in big):4d} named of {len(big):4d} that matter, "
            f"{sum(c.short > SHORT for c in these):3d} short"
        )
    both = [case for case in double if case.short > SHORT]
    taken = sum(not case.refused for case in double)
    print(
        f"two mistakes at once: {len(double)} planted, {taken} of them taken, {sum(c.boxes > 0 for c in double)} with "
        f"a clear box, {len(both)} short"
    )
    for kind in WHEELS:
        these = [case for case in any_wheel if case.trap == kind]
        print(
            f"wheel: {kind:24s} {len(these):4d} engines, {sum(bool(c.refused) for c in these):3d} refused, "
            f"{sum('wheel was moved' in c.refused for c in these):3d} of them by its name, "
            f"{sum(c.short > SHORT for c in these):3d} short"
        )
    wheel_short = [case for case in any_wheel if case.short > SHORT]
    moved = [bool(case.refused) for case in any_wheel if case.trap == WHEELS[-1]]
    for case in [*short[:10], *both[:10], *wheel_short[:10]]:
        print(f"short: engine {case.seed}, {case.trap}: {case.short:.3f} mm")
    refused = [why for why, _, _ in plain if why]
    rows = np.array([row for _, each, _ in plain for row in each])
    median = np.nanmedian(rows, axis=0)
    print(f"sound engines refused: {len(refused)} of {len(plain)}")
    for why in refused[:5]:
        print(f"  {why[-300:]}")
    for name, mm, least in zip(CHECKS, median, np.nanmin(rows, axis=0), strict=True):
        print(f"static gap below the truth, {name}: median {mm:.3f} mm, least {least:.3f} mm")
    wide = np.array([each for _, _, each in plain])
    gained = wide[:, :, 1:] - wide[:, :, :1]
    for number, contacts in enumerate(("all contacts", "pistons alone")):
        for name, degrees in zip(CHECKS[1:], gained[:, number].T, strict=True):
            known = degrees[np.isfinite(degrees)]
            print(
                f"degrees gained, both cams together, {contacts}, {name}: median {np.median(known):+.1f}, "
                f"mean {known.mean():+.1f}"
            )
    return report(
        __file__,
        [
            Figure("clear and short", len(short), at_most=0),
            Figure("two mistakes, clear and short", len(both), at_most=0),
            Figure("named, of those that matter", len(named) / max(len(matter), 1), at_least=0.95),
            Figure("sound engines refused", len(refused) / max(len(plain), 1), at_most=0.01),
            Figure("static gap below the truth, mm", float(median[1]), at_most=0.15),
            Figure("degrees gained on one wheel, mean", float(np.nanmean(gained[:, 0, 0])), at_least=0.5),
            Figure("any wheel, clear and short", len(wheel_short), at_most=0),
            Figure("wheels moved between the cams, refused", float(np.mean(moved)), at_least=0.95),
        ],
    )


def _names(case: Case) -> bool:
    """Whether a refusal names the mistake, or what it names is where the mistake was written."""
    words = NAMED.get(case.trap)
    return words is None or any(word in case.refused for word in words)


if __name__ == "__main__":
    sys.exit(main())
