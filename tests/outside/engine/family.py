"""Six invented engines, each in eight forms: 48 described engines. Nothing is drawn at random.

No real engine is meant. Lengths are what a tape finds along the middle of a pipe; ports are part of their pipes.
"""

from collections.abc import Callable
from dataclasses import replace

from .describe import Box, Engine, Pipe, Section, Valve

S = Section


def _each(cylinders: int, make: Callable[[int], Pipe]) -> tuple[Pipe, ...]:
    return tuple(make(k) for k in range(1, cylinders + 1))


def _trumpet(name: str, cylinder: int, node: str, *sections: Section) -> Pipe:
    """An intake tract from a flared mouth to the valves, with a throttle plate's shaft and the port's bend."""
    lossless, flared = (0.0, 0.0), (0.8, 0.0)
    return Pipe(name, node, f"intake {cylinder}", sections, 325.0, lossless, flared, bends=0.2, roughness=0.02)


def _header(name: str, cylinder: int, node: str, *sections: Section) -> Pipe:
    """From the exhaust valves through the port to a collector; gas that returns loses a third of its head."""
    return Pipe(name, f"exhaust {cylinder}", node, sections, 820.0, (0.0, 0.35), bends=0.35, roughness=0.03)


def _after(name: str, start: str, end: str, *sections: Section, wall: float = 700.0, bends: float = 0.3) -> Pipe:
    """From a merge collector, which keeps 60 % of the head, on."""
    open_end = (0.0, 0.6) if end == "air" else (0.0, 0.0)
    return Pipe(name, start, end, sections, wall, (-0.6, 0.5), open_end, bends=bends, roughness=0.05)


def _tail(name: str, start: str, length: float, bore: float) -> Pipe:
    """From a silencer to the open: a plain end in the box and in the open."""
    pipe = (S(length, bore, bore),)
    return Pipe(name, start, "air", pipe, 560.0, (0.5, 0.5), (0.6, 0.6), bends=0.4, roughness=0.05)


def track_four() -> Engine:
    """2.0 L four on individual throttles without an airbox, four into two into one, one straight-through silencer."""

    def runner(k: int) -> Pipe:
        return _trumpet(f"runner {k}", k, "air", S(60, 62, 47), S(150, 47, 46), S(95, 46, 43))

    def primary(k: int) -> Pipe:
        return _header(f"primary {k}", k, f"pair {1 if k in (1, 4) else 2}", S(85, 37, 40), S(440, 40, 40))

    pipes = (
        *_each(4, runner),
        *_each(4, primary),
        *(_after(f"secondary {j}", f"pair {j}", "merge", S(420, 46, 46), wall=760.0) for j in (1, 2)),
        _after("middle", "merge", "silencer", S(900, 57, 60)),
        _tail("tail", "silencer", 450.0, 60.0),
    )
    boxes = (
        Box("pair 1", "collector", 0.16, 70.0),
        Box("pair 2", "collector", 0.16, 70.0),
        Box("merge", "collector", 0.26, 90.0),
        Box("silencer", "silencer", 7.0, 450.0),
    )
    return Engine(
        "track four", 86.0, 86.0, 145.0, (11.8,) * 4, (0.0, 540.0, 180.0, 360.0),
        Valve(2, 35.0, 11.2, 294.0, 2.4, 0.62), Valve(2, 30.0, 10.6, 286.0, 2.4, 0.60),
        pipes, boxes, (0.0,) * 4, (0.0,) * 4, 2.4,
        speeds=(3600.0, 5000.0, 6200.0, 7400.0, 8500.0),
        icl=(92.0, 104.0, 116.0, 128.0), ecl=(92.0, 104.0, 116.0, 128.0),
    )  # fmt: skip


def road_four() -> Engine:
    """1.6 L four with plenum, airbox and snorkel, four into one, two silencers."""

    def runner(k: int) -> Pipe:
        return _trumpet(f"runner {k}", k, "plenum", S(40, 46, 38), S(280, 38, 38), S(90, 38, 36))

    def primary(k: int) -> Pipe:
        return _header(f"primary {k}", k, "merge", S(80, 32, 35), S(620, 35, 35))

    cold = {"wall": 305.0, "roughness": 0.02}
    pipes = (
        Pipe("snorkel", "air", "airbox", (S(350, 60, 60),), entry_loss=(0.3, 0.5), correction=(0.6, 0.0), **cold),
        Pipe("duct", "airbox", "plenum", (S(300, 62, 62),), entry_loss=(0.3, 0.5), throat=56.0, bends=0.5, **cold),
        *_each(4, runner),
        *_each(4, primary),
        _after("middle", "merge", "front silencer", S(1100, 48, 50)),
        Pipe("link", "front silencer", "rear silencer", (S(900, 48, 48),), 600.0, bends=0.8, roughness=0.05),
        _tail("tail", "rear silencer", 350.0, 48.0),
    )
    boxes = (
        Box("airbox", "airbox", 6.0, 250.0),
        Box("plenum", "plenum", 3.0, 350.0),
        Box("merge", "collector", 0.30, 100.0),
        Box("front silencer", "silencer", 4.0, 300.0),
        Box("rear silencer", "silencer", 9.0, 450.0),
    )
    return Engine(
        "road four", 79.0, 81.4, 138.0, (10.8,) * 4, (0.0, 540.0, 180.0, 360.0),
        Valve(2, 30.5, 9.4, 262.0, 2.5, 0.60), Valve(2, 26.0, 8.8, 256.0, 2.5, 0.58),
        pipes, boxes, (0.0,) * 4, (0.0,) * 4, 2.3,
        speeds=(2600.0, 3800.0, 4900.0, 6000.0, 7100.0),
        icl=(90.0, 102.0, 114.0, 126.0), ecl=(90.0, 102.0, 114.0, 126.0),
    )  # fmt: skip


def long_four() -> Engine:
    """2.5 L four of long stroke with plenum, four into two into one, two silencers."""

    def runner(k: int) -> Pipe:
        return _trumpet(f"runner {k}", k, "plenum", S(45, 54, 45), S(330, 45, 45), S(100, 45, 42))

    def primary(k: int) -> Pipe:
        return _header(f"primary {k}", k, f"pair {1 if k in (1, 4) else 2}", S(90, 36, 41), S(380, 41, 41))

    cold = {"wall": 305.0, "roughness": 0.02}
    pipes = (
        Pipe("snorkel", "air", "airbox", (S(300, 76, 76),), entry_loss=(0.2, 0.5), correction=(0.6, 0.0), **cold),
        Pipe("duct", "airbox", "plenum", (S(350, 76, 76),), entry_loss=(0.2, 0.5), throat=70.0, bends=0.4, **cold),
        *_each(4, runner),
        *_each(4, primary),
        *(_after(f"secondary {j}", f"pair {j}", "merge", S(520, 47, 47), wall=740.0) for j in (1, 2)),
        _after("middle", "merge", "front silencer", S(800, 60, 60)),
        Pipe("link", "front silencer", "rear silencer", (S(1100, 58, 58),), 600.0, bends=0.8, roughness=0.05),
        _tail("tail", "rear silencer", 300.0, 58.0),
    )
    boxes = (
        Box("airbox", "airbox", 9.0, 300.0),
        Box("plenum", "plenum", 4.5, 400.0),
        Box("pair 1", "collector", 0.18, 70.0),
        Box("pair 2", "collector", 0.18, 70.0),
        Box("merge", "collector", 0.30, 90.0),
        Box("front silencer", "silencer", 5.0, 350.0),
        Box("rear silencer", "silencer", 12.0, 500.0),
    )
    return Engine(
        "long four", 89.0, 100.0, 150.0, (11.0,) * 4, (0.0, 540.0, 180.0, 360.0),
        Valve(2, 35.5, 10.4, 276.0, 2.4, 0.61), Valve(2, 30.5, 9.8, 268.0, 2.4, 0.58),
        pipes, boxes, (0.0,) * 4, (0.0,) * 4, 2.3,
        speeds=(2600.0, 3700.0, 4800.0, 5800.0, 6800.0),
        icl=(90.0, 102.0, 114.0, 126.0), ecl=(90.0, 102.0, 114.0, 126.0),
    )  # fmt: skip


def small_four() -> Engine:
    """1.3 L four for high speed: individual throttles in an airbox, four into one, a short open megaphone tail."""

    def runner(k: int) -> Pipe:
        return _trumpet(f"runner {k}", k, "airbox", S(50, 54, 41), S(100, 41, 40), S(75, 40, 37))

    def primary(k: int) -> Pipe:
        return _header(f"primary {k}", k, "merge", S(70, 32, 35), S(500, 35, 35))

    pipes = (
        Pipe("snorkel", "air", "airbox", (S(150, 90, 80),), 300.0, (0.1, 0.5), (0.8, 0.0), roughness=0.02),
        *_each(4, runner),
        *_each(4, primary),
        _after("tail", "merge", "air", S(450, 52, 52), S(250, 52, 70), wall=650.0, bends=0.2),
    )
    boxes = (Box("airbox", "airbox", 8.0, 350.0), Box("merge", "collector", 0.22, 90.0))
    return Engine(
        "small four", 78.0, 68.0, 118.0, (12.8,) * 4, (0.0, 540.0, 180.0, 360.0),
        Valve(2, 32.0, 10.0, 300.0, 2.4, 0.63), Valve(2, 27.0, 9.4, 292.0, 2.4, 0.60),
        pipes, boxes, (0.0,) * 4, (0.0,) * 4, 2.5,
        speeds=(4800.0, 6400.0, 7800.0, 9200.0, 10600.0),
        icl=(92.0, 104.0, 116.0, 128.0), ecl=(92.0, 104.0, 116.0, 128.0),
    )  # fmt: skip


def twin() -> Engine:
    """0.65 L twin, crank pins 270° apart: a throttle a cylinder in an airbox, two into one, one silencer."""

    def runner(k: int) -> Pipe:
        return _trumpet(f"runner {k}", k, "airbox", S(55, 52, 39), S(120, 39, 38), S(80, 38, 36))

    def primary(k: int) -> Pipe:
        return _header(f"primary {k}", k, "merge", S(65, 33, 36), S(520, 36, 36))

    pipes = (
        Pipe("snorkel", "air", "airbox", (S(180, 50, 50),), 300.0, (0.3, 0.5), (0.6, 0.0), roughness=0.02),
        *_each(2, runner),
        *_each(2, primary),
        _after("middle", "merge", "silencer", S(500, 44, 44)),
        _tail("tail", "silencer", 250.0, 40.0),
    )
    boxes = (
        Box("airbox", "airbox", 5.0, 250.0),
        Box("merge", "collector", 0.12, 60.0),
        Box("silencer", "silencer", 4.5, 400.0),
    )
    return Engine(
        "twin", 82.0, 61.5, 112.0, (11.5,) * 2, (0.0, 270.0),
        Valve(2, 32.0, 9.2, 280.0, 2.4, 0.61), Valve(2, 27.0, 8.6, 274.0, 2.4, 0.59),
        pipes, boxes, (0.0,) * 2, (0.0,) * 2, 2.4,
        speeds=(4200.0, 5700.0, 7200.0, 8600.0, 10000.0),
        icl=(92.0, 104.0, 116.0, 128.0), ecl=(92.0, 104.0, 116.0, 128.0),
    )  # fmt: skip


def six() -> Engine:
    """3.0 L in-line six with plenum, two three-into-one exhausts, each with its own silencer and tail."""

    def runner(k: int) -> Pipe:
        return _trumpet(f"runner {k}", k, "plenum", S(45, 50, 42), S(290, 42, 42), S(95, 42, 40))

    def primary(k: int) -> Pipe:
        return _header(f"primary {k}", k, f"merge {1 if k <= 3 else 2}", S(85, 35, 39), S(480, 39, 39))

    cold = {"wall": 305.0, "roughness": 0.02}
    pipes = (
        Pipe("snorkel", "air", "airbox", (S(250, 90, 90),), entry_loss=(0.2, 0.5), correction=(0.6, 0.0), **cold),
        Pipe("duct", "airbox", "plenum", (S(300, 90, 90),), entry_loss=(0.2, 0.5), throat=82.0, bends=0.4, **cold),
        *_each(6, runner),
        *_each(6, primary),
        *(_after(f"middle {j}", f"merge {j}", f"silencer {j}", S(1200, 51, 51)) for j in (1, 2)),
        *(_tail(f"tail {j}", f"silencer {j}", 900.0, 51.0) for j in (1, 2)),
    )
    boxes = (
        Box("airbox", "airbox", 12.0, 350.0),
        Box("plenum", "plenum", 6.0, 500.0),
        *(Box(f"merge {j}", "collector", 0.24, 90.0) for j in (1, 2)),
        *(Box(f"silencer {j}", "silencer", 8.0, 450.0) for j in (1, 2)),
    )
    return Engine(
        "six", 86.0, 86.1, 142.0, (11.2,) * 6, (0.0, 480.0, 240.0, 600.0, 120.0, 360.0),
        Valve(2, 34.0, 10.6, 282.0, 2.4, 0.61), Valve(2, 29.5, 10.0, 276.0, 2.4, 0.59),
        pipes, boxes, (0.0,) * 6, (0.0,) * 6, 2.4,
        speeds=(3000.0, 4200.0, 5300.0, 6400.0, 7500.0),
        icl=(92.0, 104.0, 116.0, 128.0), ecl=(92.0, 104.0, 116.0, 128.0),
    )  # fmt: skip


DESIGNS = (track_four, road_four, long_four, small_four, twin, six)


def _lengths(engine: Engine, **factors: float) -> Engine:
    """Pipes whose names begin with a word, longer by a factor in their longest section."""

    def longer(pipe: Pipe) -> Pipe:
        factor = factors.get(pipe.name.split()[0], 1.0)
        longest = max(pipe.sections, key=lambda each: each.length)
        parts = (replace(s, length=s.length * factor) if s is longest else s for s in pipe.sections)
        return replace(pipe, sections=tuple(parts))

    return replace(engine, pipes=tuple(longer(pipe) for pipe in engine.pipes))


def _bores(engine: Engine, *names: str, factor: float) -> Engine:
    def wider(pipe: Pipe) -> Pipe:
        if pipe.name.split()[0] not in names:
            return pipe
        return replace(pipe, sections=tuple(S(s.length, s.start * factor, s.end * factor) for s in pipe.sections))

    return replace(engine, pipes=tuple(wider(pipe) for pipe in engine.pipes))


def _boxes(engine: Engine, **factors: float) -> Engine:
    boxes = tuple(replace(box, volume=box.volume * factors.get(box.kind, 1.0)) for box in engine.boxes)
    return replace(engine, boxes=boxes)


def _valves(engine: Engine, flow: float = 1.0, lift: float = 1.0, duration: float = 0.0) -> Engine:
    def other(valve: Valve) -> Valve:
        return replace(valve, flow=valve.flow * flow, lift=valve.lift * lift, duration=valve.duration + duration)

    return replace(engine, intake=other(engine.intake), exhaust=other(engine.exhaust))


def _as_drawn(engine: Engine) -> Engine:
    """As drawn."""
    return engine


def _long_pipes(engine: Engine) -> Engine:
    """Intake runners and exhaust primaries a quarter longer in their straight part."""
    return _lengths(engine, runner=1.25, primary=1.25)


def _short_pipes(engine: Engine) -> Engine:
    """Runners a third shorter in their straight part, primaries a quarter, secondaries a fifth."""
    return _lengths(engine, runner=0.67, primary=0.75, secondary=0.8)


def _narrow_tail(engine: Engine) -> Engine:
    """Everything behind the last collector 12 % narrower, silencers half as large, a third longer to the silencer."""
    narrow = _bores(engine, "middle", "link", "tail", factor=0.88)
    return _lengths(_boxes(narrow, silencer=0.5), middle=1.33, tail=1.33)


def _low_compression(engine: Engine) -> Engine:
    """1.5 of compression less, valves flow 12 % less at full lift."""
    lower = tuple(each - 1.5 for each in engine.compression)
    return _valves(replace(engine, compression=lower), flow=0.88)


def _big_cams(engine: Engine) -> Engine:
    """16° more at the seat, 7 % more lift; a larger plenum and airbox."""
    return _boxes(_valves(engine, lift=1.07, duration=16.0), plenum=1.4, airbox=1.4)


def _uneven(engine: Engine) -> Engine:
    """Cylinders that differ: cam timing by up to 3°, compression by 0.3, runners by 12 %; mild cams."""
    n = engine.cylinders
    places = [2.0 * k / (n - 1) - 1.0 for k in range(n)]
    mild = _valves(engine, duration=-10.0, lift=0.95)
    lengths = {f"runner {k + 1}": 1.0 + 0.12 * (-1.0) ** k for k in range(n)}
    pipes = tuple(
        replace(pipe, sections=tuple(replace(s, length=s.length * lengths.get(pipe.name, 1.0)) for s in pipe.sections))
        for pipe in mild.pipes
    )
    return replace(
        mild,
        pipes=pipes,
        intake_shift=tuple(3.0 * place for place in places),
        exhaust_shift=tuple(-2.0 * place for place in places),
        compression=tuple(c + 0.3 * (-1.0) ** k for k, c in enumerate(engine.compression)),
    )


def _hot(engine: Engine) -> Engine:
    """A hot day at some height: intake walls 40 K hotter, more heat to the chamber, exhaust walls cooler and wider."""

    def heated(pipe: Pipe) -> Pipe:
        return replace(pipe, wall=pipe.wall - 120.0 if pipe.warm and pipe.wall > 600.0 else pipe.wall + 40.0)

    hot = replace(engine, pipes=tuple(heated(pipe) for pipe in engine.pipes), chamber_heat=1.25)
    hot = replace(hot, air_pressure=92.0, air_temperature=308.0)
    return _bores(hot, "primary", "secondary", factor=1.06)


FORMS = (_as_drawn, _long_pipes, _short_pipes, _narrow_tail, _low_compression, _big_cams, _uneven, _hot)


def family() -> dict[str, Engine]:
    """All 48 engines by name, such as "road four, narrow tail"."""
    found = {}
    for design in DESIGNS:
        drawn = design()
        for form in FORMS:
            name = f"{drawn.name}, " + form.__name__.strip("_").replace("_", " ")
            found[name] = replace(form(drawn), name=name)
    return found
