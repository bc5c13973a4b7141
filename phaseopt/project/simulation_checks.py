"""What [cycle] needs of other sections, and what contradicts them."""

import math
from collections.abc import Iterator

from phaseopt.project import SIDES, Cycle, ExhaustTract, IntakeTract
from phaseopt.project.checks import HEAD, Checks, Contradiction, Sections, left_out, phaser_of
from phaseopt.project.network import network_faults, snorkel_loss

CHECKS = Checks()


@CHECKS.of("cylinders", "firing_order", "crank", "intake", "exhaust", given="cycle")
def _simulated_engine(s: Sections) -> Iterator[Contradiction]:
    cycle: Cycle = s["cycle"]
    if s["firing_order"] is None and s["cylinders"] > 1:
        yield "firing_order", "left out, but [cycle] needs it", "give it, as in firing_order = [1, 3, 4, 2]"
    if cycle.exhaust.secondary is not None and s["cylinders"] % 2:
        yield (
            "cycle.exhaust.secondary",
            "primaries cannot meet in pairs with an odd number of cylinders",
            "leave the secondary out",
        )
    yield from _pipes(cycle, s["cylinders"])
    if s["crank"].compression_ratio is None:
        yield left_out("crank.compression_ratio", "[cycle]", "give the geometric compression ratio")
    elif not 4.0 <= s["crank"].compression_ratio <= 25.0:
        yield (
            "crank.compression_ratio",
            f"{s['crank'].compression_ratio:g} cannot be simulated",
            "give the geometric compression ratio, 4 to 25",
        )
    for side in SIDES:
        tract, head = getattr(cycle, side), s[side].head_diameter
        if head is None:
            yield left_out(f"{side}.head_diameter", "[cycle]", HEAD)
        elif tract.throat >= head - tract.seat_width:
            yield (
                f"cycle.{side}.throat",
                f"a throat of {tract.throat:g} mm leaves no seat {tract.seat_width:g} mm wide under a head of "
                f"{head:g} mm",
                "give diameters of throat and head, and width of the seat, in mm",
            )


@CHECKS.of("crank", "intake", "exhaust", "phaser", given="cycle")
def _knock_heard(s: Sections) -> Iterator[Contradiction]:
    """Knock that cannot have been heard would set the scale of all knock that is simulated."""
    cycle: Cycle = s["cycle"]
    for number, one in enumerate(cycle.knock.heard if cycle.knock is not None else (), start=1):
        key, top = f"cycle.knock.heard (entry {number})", s["crank"].top_speed
        if one.rpm > top:
            yield f"{key}.rpm", f"{one.rpm:g} rpm is above the engine's {top:g} rpm", "give the speed at which it began"
        for side in SIDES:
            phaser = phaser_of(s, side)
            least, most = phaser.travel if phaser is not None else (0.0, 0.0)
            phase = getattr(one, side)
            if not least <= phase <= most:
                yield (
                    f"{key}.{side}",
                    f"{phase:g}° is outside the {side} cam's travel, {least:g} to {most:g}°",
                    "give the phase as it was then, crank degrees from rest",
                )


@CHECKS.of("cylinders", "crank", "tables", given="cycle")
def _snorkel(s: Sections) -> Iterator[Contradiction]:
    """Throttles behind the snorkel hold full throttle, so it must leave them something to take."""
    cycle, crank, rpm = s["cycle"], s["crank"], s["tables"].rpm[-1]
    if cycle.in_line or next(network_faults(cycle.intake.parts, True, s["cylinders"]), None) is not None:
        return
    swept = math.pi / 4 * crank.bore**2 * crank.stroke * s["cylinders"] * 1e-9
    lost = snorkel_loss(cycle.intake.parts, s["cylinders"], swept * rpm / 120.0)
    held = float(cycle.depression_at(rpm))
    if lost >= held:
        yield (
            "cycle.full_throttle_depression",
            f"{held:g} kPa is less than the about {lost:.1f} kPa that the snorkel takes at {rpm:g} rpm",
            "measure it behind the open throttles, or check the snorkel's diameter",
        )


_USUAL = {"intake": ("runner",), "exhaust": ("primary", "tail")}
_NOT_BOTH = {"intake": ("runner",), "exhaust": ("primary", "secondary", "collector_volume", "tail")}


def _pipes(cycle: Cycle, cylinders: int) -> Iterator[Contradiction]:
    """Pipes of each side: the usual ones, or a list of parts that makes a network."""
    for side in SIDES:
        tract: IntakeTract | ExhaustTract = getattr(cycle, side)
        if not tract.parts:
            for name in _USUAL[side]:
                if getattr(tract, name) is None:
                    yield (
                        f"cycle.{side}.{name}",
                        "must be given",
                        f"give its pieces, or describe all of it as {side}.parts",
                    )
            continue
        for name in _NOT_BOTH[side]:
            if name in tract.model_fields_set:
                yield f"cycle.{side}.{name}", f"{side}.parts describes this too", f"leave {name} out"
        for key, problem, hint in network_faults(tract.parts, side == "intake", cylinders):
            yield f"cycle.{side}.parts{' ' if key else ''}{key}", problem, hint
