"""The shelves of parts: maps of this source, parts that are the same everywhere, and maps fine enough to judge by."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline

from outside.engine import torque

from .shelves import BENCH, ERRORS, SHELVES, STORED, Part, Shelf, fitted, key_of, map_of, stored

each_shelf = pytest.mark.parametrize("shelf", SHELVES, ids=lambda shelf: shelf.name)


def test_the_maps_are_of_this_source() -> None:
    """Whoever changes the engine or a part makes them anew: `python -m outside.shelves` in `tests`."""
    assert set(stored()) == {key_of(engine) for shelf in SHELVES for engine in shelf.engines}
    assert STORED.stat().st_size < 300_000


@each_shelf
def test_a_shelf_is_complete(shelf: Shelf) -> None:
    """Twelve unlike engines of three kinds of part, one of them the present engine."""
    assert len(shelf.combinations) == len({key_of(engine) for engine in shelf.engines}) == 12
    assert shelf.engines[shelf.present] == shelf.engine
    for parts in shelf.combinations:
        assert len({part.kind for part in parts}) == 3
    for engine in shelf.engines:
        values = map_of(engine)
        assert values.shape == (5, 4, 4)
        assert np.isfinite(values).all()
        assert 60.0 < values.max() / engine.displacement < 130.0  # N·m a litre; common practice, no source


@each_shelf
def test_a_part_is_described_alike_in_every_combination(shelf: Shelf) -> None:
    """What a part is about has one value in all descriptions that it is in, and is not the true one."""
    of_part: dict[Part, set[object]] = {}
    rest = set()
    for parts, engine, true in zip(shelf.combinations, shelf.described, shelf.engines, strict=True):
        for part in parts:
            of_part.setdefault(part, set()).add(_numbers(engine, part.kind))
            assert _numbers(engine, part.kind) != _numbers(true, part.kind)
        rest.add(repr((engine.boxes, [p for p in engine.pipes if p.name.split()[0] not in ("runner", "primary")])))
    assert len(rest) == 1
    assert [len(values) for values in of_part.values()] == [1] * len(of_part)
    for kind in {part.kind for part in of_part}:  # and parts of a kind differ
        values = [next(iter(found)) for part, found in of_part.items() if part.kind == kind]
        assert len(set(values)) == len(values)


def _numbers(engine, kind: str) -> object:  # type: ignore[no-untyped-def]
    """What a part of a kind decides of an engine, straight from its description."""
    runners, primaries = ([p for p in engine.pipes if p.name.startswith(w)] for w in ("runner", "primary"))
    return {
        "intake lobe": lambda: (engine.intake.lift, engine.intake.duration),
        "exhaust lobe": lambda: (engine.exhaust.lift, engine.exhaust.duration),
        "head": lambda: (
            (engine.intake.flow, engine.exhaust.flow),
            *(p.sections[-1] for p in runners), *(p.sections[0] for p in primaries),
        ),
        "piston": lambda: engine.compression,
        "manifold": lambda: tuple(p.sections[1] for p in runners),
        "exhaust": lambda: tuple(p.sections[1] for p in primaries),
    }[kind]()  # fmt: skip


@each_shelf
def test_what_is_measured_is_near_the_truth(shelf: Shelf) -> None:
    """Within four deviations of part, bench and tape; and the present engine itself is not described exactly."""
    for true, seen in zip(shelf.engines, shelf.described, strict=True):
        for valve, other, flow in ((true.intake, seen.intake, 0), (true.exhaust, seen.exhaust, 1)):
            assert other.flow == pytest.approx(valve.flow, abs=4.0 * (ERRORS["head"][flow] + BENCH * valve.flow))
            assert other.lift == pytest.approx(valve.lift, abs=4.0 * ERRORS["intake lobe"][0])
            assert other.duration == pytest.approx(valve.duration, abs=4.0 * ERRORS["intake lobe"][1])
        assert seen.compression == pytest.approx(true.compression, abs=4.0 * ERRORS["piston"][0])
        for pipe, other in zip(true.pipes, seen.pipes, strict=True):
            lengths, found = ([s.length for s in each.sections] for each in (pipe, other))
            assert found == pytest.approx(lengths, abs=4.0 * ERRORS["manifold"][0])
        assert replace(seen, name="") != replace(true, name="")


@each_shelf
def test_contact_limits_follow_from_lift_at_top_dead_centre(shelf: Shelf) -> None:
    """At the least centrelines a lobe lifts no more at TDC than the present one at its own; 1° less is too much."""
    now, first = shelf.engine, shelf.boxes[shelf.present]
    for parts, engine, box in zip(shelf.combinations, shelf.engines, shelf.boxes, strict=True):
        crown = sum(part.crown for part in parts)
        cases = ((now.intake, engine.intake, 0, now.icl), (now.exhaust, engine.exhaust, 1, now.ecl))
        for present, valve, side, axis in cases:
            most = present.lifts(first[side : side + 1])[0] - crown
            assert valve.lifts(box[side : side + 1])[0] <= most + 1e-9
            assert axis[0] <= box[side] < axis[1] + 4.0
            if box[side] > axis[0]:
                assert valve.lifts(box[side : side + 1] - 1.0)[0] > most


def test_a_part_is_fitted_where_it_belongs() -> None:
    """An unknown kind is refused; a present part changes nothing."""
    engine = SHELVES[0].engine
    for kind in ERRORS:
        assert fitted(engine, Part(kind, "present")) == engine
    with pytest.raises(ValueError, match="no such kind"):
        fitted(engine, Part("turbocharger", "big"))


@pytest.mark.parametrize(
    ("shelf", "combination", "at"),
    [(0, 9, (4900.0, 108.0, 106.0)), (2, 11, (5800.0, 109.0, 103.0)), (3, 4, (8600.0, 97.0, 110.0))],
)
def test_the_outside_engine_gives_what_maps_say_between_their_timings(
    shelf: int, combination: int, at: tuple[float, float, float]
) -> None:
    """Halfway between timings the spline is within 0.5 % of torque."""
    engine = SHELVES[shelf].engines[combination]
    values = map_of(engine)[engine.speeds.index(at[0])]
    expected = RectBivariateSpline(engine.icl, engine.ecl, values)(*at[1:])[0, 0]
    assert torque(engine, *at).torque == pytest.approx(expected, rel=5e-3)
