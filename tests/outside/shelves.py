"""Five shelves of parts, each around another engine of `outside.engine`: what the twelve combinations truly give.

A shelf has three kinds of part to choose from, and all combinations fit. Truth is the outside engine with its own laws
and the parts replaced; `shelves.npz` holds its torque over five speeds and four by four timings, made by
`python -m outside.shelves` in `tests` (twenty minutes of one processor). A map is filed under a digest of its
engine and of the engine's code: whoever changes either makes it anew, or a test fails.

The builder's side is the same engine as measured, described through `outside.engine_bridge`. Each part has one error
of measurement, wherever it is fitted (`ERRORS`); what is not on the shelf, and the flow bench, have one a shelf.

Contact does not judge here: both sides have the same box of true centrelines. It keeps the lift at gas-exchange TDC
to what the present lobe has 4° later than the map's earliest centreline, less what a crown takes away: longer lobes
and taller crowns allow less overlap.

In truth, in % of the shelf's mean, by the mean over the five speeds of the best torque in the box:

    shelf        best to worst      pairs more than 1 % apart, of 66    best over second
    road four    6.3 %              53                                  0.46 %
    track four   6.5 %              51                                  0.45 %
    long four    2.7 %              38                                  0.01 %
    twin         6.8 %              48                                  0.69 %
    six          2.5 %              32                                  0.10 %
"""

import hashlib
import sys
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import product
from pathlib import Path

import numpy as np
from scipy.interpolate import RectBivariateSpline

from outside.engine import OWN_LAWS, Engine, Pipe, Valve, family, torque_map
from outside.engine.maps import digest
from outside.engine_bridge import Choices, config_of
from phaseopt.cycle.config import CycleConfig

Array = np.ndarray
STORED = Path(__file__).with_name("shelves.npz")
FINE = 37  # timings of each cam in a box
ALLOWED = 4.0  # degrees from the map's earliest centrelines to those that the present lobes allow

# Standard deviations of what a builder measures: dial gauge and degree wheel; flow coefficient and caliper; burette;
# tape; tape and caliper. Our judgement.
ERRORS = {
    "intake lobe": (0.02, 0.5),
    "exhaust lobe": (0.02, 0.5),
    "head": (0.006, 0.006, 0.2, 0.2),
    "piston": (0.1,),
    "manifold": (2.5,),
    "exhaust": (2.5, 0.2),
}
BENCH = 0.02  # of the flow bench itself, a share, in all heads alike
TAPE, BOXES = 2.5, 0.05  # mm a length and a share of a box's volume, of what is not on the shelf


@dataclass(frozen=True)
class Part:
    """A part by kind and name, and by how much it is larger than the present one.

    `sizes`: of a lobe lift [mm] and duration [° crank]; of a head flow coefficients and port diameters, intake and
    exhaust; of a piston compression; of a manifold runners' length [mm]; of an exhaust primaries' length and diameter.
    `crown` is what a piston takes off the valve drop [mm].
    """

    kind: str
    name: str
    sizes: tuple[float, ...] = ()
    crown: float = 0.0

    def of(self, size: int) -> float:
        """One of the sizes; a present part has none."""
        return self.sizes[size] if self.sizes else 0.0


def measured(shelf: str, part: Part) -> Part:
    """The part as a builder measured it, once."""
    off = _normal(shelf, part.kind, part.name, count=len(ERRORS[part.kind])) * ERRORS[part.kind]
    return replace(part, sizes=tuple(part.of(i) + float(each) for i, each in enumerate(off)))


def _normal(*words: str, count: int) -> Array:
    """Standard normal numbers that belong to these words."""
    return np.random.default_rng(list("/".join(words).encode())).standard_normal(count)


def fitted(engine: Engine, part: Part) -> Engine:
    """The engine with a part in place of the present one."""

    def lobe(valve: Valve) -> Valve:
        return replace(valve, lift=valve.lift + part.of(0), duration=valve.duration + part.of(1))

    match part.kind:
        case "intake lobe":
            return replace(engine, intake=lobe(engine.intake))
        case "exhaust lobe":
            return replace(engine, exhaust=lobe(engine.exhaust))
        case "piston":
            return replace(engine, compression=tuple(each + part.of(0) for each in engine.compression))
        case "manifold":
            return _pipes(engine, "runner", lambda pipe: _straight(pipe, part.of(0), 0.0))
        case "exhaust":
            return _pipes(engine, "primary", lambda pipe: _straight(pipe, part.of(0), part.of(1)))
        case "head":
            valves = replace(
                engine,
                intake=replace(engine.intake, flow=engine.intake.flow + part.of(0)),
                exhaust=replace(engine.exhaust, flow=engine.exhaust.flow + part.of(1)),
            )
            intake = _pipes(valves, "runner", lambda pipe: _section(pipe, len(pipe.sections) - 1, 0.0, part.of(2)))
            return _pipes(intake, "primary", lambda pipe: _section(pipe, 0, 0.0, part.of(3)))
    raise ValueError(f"no such kind of part: {part.kind}")


def _pipes(engine: Engine, word: str, changed) -> Engine:  # type: ignore[no-untyped-def]
    """Pipes whose names begin with a word, changed."""
    return replace(engine, pipes=tuple(changed(p) if p.name.split()[0] == word else p for p in engine.pipes))


def _straight(pipe: Pipe, length: float, bore: float) -> Pipe:
    """Its longest section longer and wider [mm]."""
    lengths = [section.length for section in pipe.sections]
    return _section(pipe, lengths.index(max(lengths)), length, bore)


def _section(pipe: Pipe, at: int, length: float, bore: float) -> Pipe:
    sections = list(pipe.sections)
    s = sections[at]
    sections[at] = replace(s, length=s.length + length, start=s.start + bore, end=s.end + bore)
    return replace(pipe, sections=tuple(sections))


@dataclass(frozen=True)
class Shelf:
    """A present engine and three kinds of part, the present one of each kind named "present".

    Combinations are in the order of `itertools.product` over the kinds; arrays over them have it too.
    """

    name: str
    base: str  # of the family
    parts: tuple[tuple[Part, ...], ...]

    @cached_property
    def engine(self) -> Engine:
        """The present engine."""
        return family()[self.base]

    @cached_property
    def combinations(self) -> tuple[tuple[Part, ...], ...]:
        """All twelve, a part of each kind."""
        return tuple(product(*self.parts))

    @property
    def present(self) -> int:
        """Which of them is fitted now."""
        return next(i for i, parts in enumerate(self.combinations) if all(p.name == "present" for p in parts))

    @cached_property
    def engines(self) -> tuple[Engine, ...]:
        """What the combinations are."""
        return tuple(_with(self.engine, parts) for parts in self.combinations)

    @cached_property
    def described(self) -> tuple[Engine, ...]:
        """What a builder measured of them."""
        rest = self._rest_as_measured()
        return tuple(_with(rest, tuple(measured(self.name, p) for p in parts)) for parts in self.combinations)

    @cached_property
    def configs(self) -> tuple[CycleConfig, ...]:
        """The same as the program's side takes it."""
        return tuple(config_of(engine, OWN_LAWS, Choices(own_laws=True)) for engine in self.described)

    def _rest_as_measured(self) -> Engine:
        """The present engine with errors in what is not on the shelf and in the flow bench."""
        engine, errors = self.engine, iter(_normal(self.name, "rest", count=100))
        bench = 1.0 + BENCH * next(errors)
        boxes = tuple(replace(box, volume=box.volume * (1.0 + BOXES * float(next(errors)))) for box in engine.boxes)
        others = {
            pipe.name: replace(pipe, sections=tuple(
                replace(s, length=s.length + TAPE * float(next(errors))) for s in pipe.sections
            ))
            for pipe in engine.pipes if pipe.name.split()[0] not in ("runner", "primary")
        }  # fmt: skip
        return replace(
            engine,
            boxes=boxes,
            pipes=tuple(others.get(pipe.name, pipe) for pipe in engine.pipes),
            intake=replace(engine.intake, flow=engine.intake.flow * bench),
            exhaust=replace(engine.exhaust, flow=engine.exhaust.flow * bench),
        )

    @cached_property
    def boxes(self) -> Array:
        """Least true centrelines [°] of each combination, (12, 2): intake, exhaust. The map's end is the most."""
        now, found = self.engine, []
        for engine, parts in zip(self.engines, self.combinations, strict=True):
            crown = sum(part.crown for part in parts)
            found.append([
                _least(*valves, axis[0], crown)
                for valves, axis in (((now.intake, engine.intake), now.icl), ((now.exhaust, engine.exhaust), now.ecl))
            ])  # fmt: skip
        return np.array(found)

    def labels(self, combination: int) -> tuple[Array, Array]:
        """Timings in a combination's box to choose from."""
        icl, ecl = self.boxes[combination]
        return np.linspace(icl, self.engine.icl[-1], FINE), np.linspace(ecl, self.engine.ecl[-1], FINE)

    def best(self, combination: int, torque: Array) -> tuple[Array, Array]:
        """Best torque in the box at each speed, and its timings (speeds, 2), of a map (speeds, 4, 4)."""
        icl, ecl = self.labels(combination)
        dense = np.stack([RectBivariateSpline(self.engine.icl, self.engine.ecl, each)(icl, ecl) for each in torque])
        i, e = np.unravel_index(dense.reshape(len(dense), -1).argmax(axis=1), dense.shape[1:])
        return dense.max(axis=(1, 2)), np.column_stack([icl[i], ecl[e]])

    @cached_property
    def truth(self) -> Array:
        """Band-average torque [N·m] of the best tables, (12,): the mean over the five speeds."""
        return np.array([self.best(i, map_of(each))[0].mean() for i, each in enumerate(self.engines)])


def _with(engine: Engine, parts: tuple[Part, ...]) -> Engine:
    for part in parts:
        engine = fitted(engine, part)
    return engine


def _least(present: Valve, valve: Valve, first: float, crown: float) -> float:
    """The centreline [°, to 0.5] from where on the lift at TDC is allowed, if the present lobe's at `first` + 4 is."""
    allowed = float(present.lifts(np.array([first + ALLOWED]))[0]) - crown
    reach = 0.5 * valve.duration * np.sqrt(1.0 - (allowed / valve.lift) ** (1.0 / valve.power))
    return max(float(np.ceil(2.0 * reach) / 2.0), first)


def _shelf(name: str, base: str, *others: tuple[Part, ...]) -> Shelf:
    return Shelf(name, base, tuple((Part(kind[0].kind, "present"), *kind) for kind in others))


INTAKE, EXHAUST = "intake lobe", "exhaust lobe"
SHELVES = (
    _shelf(
        "road four", "road four, low compression",
        (Part(INTAKE, "short", (-0.4, -10.0)), Part(INTAKE, "long", (0.8, 14.0))),
        (Part("head", "ported", (0.075, 0.05, 1.5, 1.0)),),
        (Part("piston", "high", (1.0,), 0.3),),
    ),
    _shelf(
        "track four", "track four, narrow tail",
        (Part(INTAKE, "short", (-0.4, -12.0)), Part(INTAKE, "long", (0.6, 12.0))),
        (Part(EXHAUST, "long", (0.6, 12.0)),),
        (Part("exhaust", "short and wide", (-100.0, 2.0)),),
    ),
    _shelf(
        "long four", "long four, uneven",
        (Part(INTAKE, "middle", (0.5, 10.0)), Part(INTAKE, "long", (1.1, 22.0))),
        (Part(EXHAUST, "long", (0.5, 10.0)),),
        (Part("head", "ported", (0.08, 0.06, 1.5, 1.5)),),
    ),
    _shelf(
        "twin", "twin, long pipes",
        (Part(INTAKE, "short", (-0.3, -10.0)), Part(INTAKE, "long", (0.6, 12.0))),
        (Part("manifold", "short", (-50.0,)),),
        (Part("exhaust", "short", (-170.0, 0.0)),),
    ),
    _shelf(
        "six", "six, short pipes",
        (Part(EXHAUST, "short", (-0.4, -10.0)), Part(EXHAUST, "long", (0.6, 12.0))),
        (Part("manifold", "long", (110.0,)),),
        (Part("piston", "high", (1.0,), 0.3),),
    ),
)  # fmt: skip


def key_of(engine: Engine) -> str:
    """What a map is filed under."""
    return hashlib.sha256((digest() + repr(engine)).encode()).hexdigest()[:16]


@cache
def stored() -> Mapping[str, Array]:
    """Torque maps [N·m] over speed × icl × ecl by key."""
    with np.load(STORED) as file:
        return {key: file[key].astype(float) for key in file.files}


def map_of(engine: Engine) -> Array:
    """The true map of a combination's engine. Raises `KeyError` where it has to be made anew."""
    return stored()[key_of(engine)]


def computed(engine: Engine) -> tuple[str, Array, int]:
    """Its key, its map and how many points did not settle."""
    found = torque_map(engine, engine.speeds, engine.icl, engine.ecl, OWN_LAWS)
    return key_of(engine), np.round(found["torque"], 2).astype(np.float32), int((found["converged"] == 0.0).sum())


def main(processes: int = 2) -> None:
    """Compute what is missing, and write after each map."""
    engines = {key_of(engine): engine for shelf in SHELVES for engine in shelf.engines}
    maps = {key: each.astype(np.float32) for key, each in stored().items() if key in engines} if STORED.exists() else {}
    missing = [engine for key, engine in engines.items() if key not in maps]
    with ProcessPoolExecutor(processes) as pool:
        for job in as_completed([pool.submit(computed, engine) for engine in missing]):
            key, torque, unsettled = job.result()
            maps[key] = torque
            aside = STORED.with_suffix(".new.npz")
            np.savez_compressed(aside, **{each: maps[each] for each in engines if each in maps})
            aside.replace(STORED)
            print(f"{len(maps)} of {len(engines)}, {unsettled} points unsettled", flush=True)


if __name__ == "__main__":
    main(*(int(each) for each in sys.argv[1:]))
