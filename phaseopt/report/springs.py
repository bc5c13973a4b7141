"""Valve springs in a builder's words: valve control, what is in hand, the shim that gives more, what then is left."""

from phaseopt.clearance.allowances import loft
from phaseopt.clearance.model import ContactModel
from phaseopt.engine.spring import LEAST_BIND, LEAST_SEAL
from phaseopt.engine.valve_control import IN_HAND, ValveControl
from phaseopt.project import SIDES, Side
from phaseopt.report.document import Block, Depth, Lines, Section, table
from phaseopt.report.words import speeds_text
from phaseopt.values.display_units import Unit

_PLENTY = 2  # times the inertia: how much more is in hand does not matter
ROUND = 50  # rpm to which a valve control speed is written
MARGINS_CAPTION = "Spring force over inertia on both sides of the nose. Band: 95 %. Below 0 the valve leaves its lobe."


def spring_sections(model: ContactModel, *pictures: Block) -> tuple[Section, ...]:
    """What the springs do, where any is given: in a line where nothing is amiss, in more lines, margins by speed."""
    given = [side for side in SIDES if model.engine.cam(side).control is not None]
    if not given:
        return ()
    lines = tuple(line for side in given for line in control_lines(model, side))
    short = _short_words(model, given)
    margins: tuple[Section, ...] = (Section("Spring margin by speed", (_margin_table(model, given),), Depth.PAGE),)
    if pictures:  # which show the same: the figures are for who looks one up
        figures = Section(
            "Spring margin in figures", (_margin_table(model, given),), Depth.PAGE, folded=True, printed=False
        )
        margins = (Section("Spring margin by speed", pictures, Depth.PAGE), figures)
    answer = (Section("Springs", (Lines((short,) if short else lines),)),)
    return (
        *answer,
        *((Section("Valve springs in detail", (Lines(lines),), Depth.DETAIL),) if short else ()),
        *margins,
    )


def _short_words(model: ContactModel, given: list[Side]) -> str:
    """How much is in hand at the top speed, where that is enough and nothing else is tight; else empty."""
    controls = [control for side in given if (control := model.engine.cam(side).control) is not None]
    in_hand = [float(min(control.margins(model.top_speed))) for control in controls]
    unit = model.project.display_units.gap
    tight = [_tight(each.spring.coil_bind, each.spring.retainer_to_seal, unit) for each in controls]
    if min(in_hand) < IN_HAND or any(tight) or not all(control.holds(model.top_speed) for control in controls):
        return ""
    shares = ", ".join(f"{side} {100 * share:.0f} %" for side, share in zip(given, in_hand, strict=True))
    which = "Valves" if len(given) == len(SIDES) else f"{given[0].capitalize()} valves"
    return f"{which} held to their lobes up to {model.top_speed:.0f} rpm; force in hand {shares}."


def control_lines(model: ContactModel, side: Side) -> list[str]:
    """Valve control of one cam up to the top speed."""
    control, unit = model.engine.cam(side).control, model.project.display_units.gap
    assert control is not None
    top = model.top_speed
    speed = f"valve control to {rounded(control.speed.rpm)} ± {max(rounded(control.speed.error), ROUND)} rpm (95 %)"
    bind, seal = control.spring.coil_bind, control.spring.retainer_to_seal
    in_hand = float(min(control.margins(top)))
    if in_hand >= IN_HAND:
        lines = [f"{side.capitalize()}: {speed}; {top:.0f} rpm has {100 * in_hand:.0f} % in hand."]
        lines.append(f"Left at full lift: {_left(bind, seal, unit)}.")
    else:
        lines = [f"{side.capitalize()}: {speed}; {top:.0f} rpm {_asks(control, top, unit)}"]
    lines += _tight(bind, seal, unit)
    lines.append(f"The {control.first} side of the nose lets go first. {_surge(control, top, unit)}")
    takes = float(model.running_terms(f"{side}_piston", top)["loft"])
    stated = float(loft(model.project.gap.running.loft, top))
    what = "The loft that you state" if stated >= takes > 0 else "Valve float"
    lines.append(f"{what} takes up to {unit.up_text(takes)} from {side} to piston at {top:.0f} rpm.")
    return lines


def _asks(control: ValveControl, top: float, unit: Unit) -> str:
    """What it takes to have enough in hand at a speed."""
    shim = control.shim(top)
    wanted = f"with {100 * IN_HAND:.0f} % in hand"
    if shim is None or shim.coil_bind <= 0:
        return f"{wanted} needs a spring {control.stronger(top):.1f} times as strong, or lighter parts."
    left = _left(shim.coil_bind, control.spring.retainer_to_seal, unit)
    return f"{wanted} needs {shim.seat_force:.0f} N on the seat: {unit.text(shim.thickness)} more shim; then {left}."


def _left(bind: float, seal: float | None, unit: Unit) -> str:
    words = f"coil bind {unit.down_text(bind)}"
    return words if seal is None else f"{words}, retainer to seal {unit.down_text(seal)}"


def _tight(bind: float, seal: float | None, unit: Unit) -> list[str]:
    """What is under common practice."""
    found = []
    if bind < LEAST_BIND:
        found.append(f"Coil bind is under the usual {unit.text(LEAST_BIND)} (common practice).")
    if seal is not None and seal < LEAST_SEAL:
        found.append(f"Retainer to seal is under the usual {unit.text(LEAST_SEAL)} (common practice).")
    return found


def _surge(control: ValveControl, top: float, unit: Unit) -> str:
    least, most = control.spring.surge
    low, high = (round(each) for each in control.surge_order(top))
    inside = control.harmonics[max(low, 1) - 1 : max(high, 1)]
    strongest = f", up to {unit.up_text(float(inside.max()))}" if inside.size else ""
    return f"The coils surge at {least:.0f} to {most:.0f} Hz: harmonic {low} to {high} of the lobe{strongest}."


def _margin_table(model: ContactModel, given: list[Side]) -> Block:
    spans: list[tuple[list[float], list[str]]] = []  # speeds in a row that share their figures
    for rpm in [*model.project.tables.rpm, *({model.top_speed} - {*model.project.tables.rpm})]:
        cells = []
        for side in given:
            control = model.engine.cam(side).control
            assert control is not None
            cells += [
                f"{100 * float(each):.0f}" if each < _PLENTY else f"> {_PLENTY}00" for each in control.margins(rpm)
            ]
        if spans and spans[-1][1] == cells:
            spans[-1][0].append(rpm)
        else:
            spans.append(([rpm], cells))
    rows = [(speeds_text(speeds), *cells) for speeds, cells in spans]
    head = ("rpm", *(f"{side} {flank}" for side in given for flank in ("opening", "closing")))
    return table("Spring force in hand over inertia on each side of the nose, %", head, rows)


def rounded(rpm: float) -> int:
    """A valve control speed as it is written."""
    return int(round(rpm / ROUND) * ROUND)
