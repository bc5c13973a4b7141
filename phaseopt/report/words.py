"""Phases, ranges, lengths and sentences as a person reads them."""

import math
from collections.abc import Sequence

from phaseopt.clearance.limits import SafeBox
from phaseopt.project import SIDES, Project, Side
from phaseopt.tables import number_text
from phaseopt.values.display_units import METRIC, Unit


def capital(sentence: str) -> str:
    """A sentence with a capital letter."""
    return sentence[:1].upper() + sentence[1:]


def sentence(words: str) -> str:
    """Words as a whole sentence: a capital letter, a full stop.

    >>> sentence("no cell hits"), sentence("It is so."), sentence("is it so?")
    ('No cell hits.', 'It is so.', 'Is it so?')
    """
    return capital(words) if words.endswith("?") else f"{capital(words).rstrip('.')}."


def in_turn(parts: Sequence[str]) -> str:
    """Parts as sentences one after another, without the last full stop.

    >>> in_turn(["the first", "then another"])
    'the first. Then another'
    """
    return ". ".join([*parts[:1], *map(capital, parts[1:])])


def phase_text(degrees: float) -> str:
    """A phase with its sign, crank degrees from rest.

    >>> phase_text(21.0), phase_text(-0.0), phase_text(-12.5)
    ('+21°', '0°', '-12.5°')
    """
    return f"{degrees:+g}°" if degrees else "0°"


def speeds_text(speeds: Sequence[float]) -> str:
    """Neighbouring speeds as one span.

    >>> speeds_text([1000.0, 1500.0, 2000.0]), speeds_text([2500.0])
    ('1000 to 2000', '2500')
    """
    return f"{speeds[0]:g}" if len(speeds) == 1 else f"{speeds[0]:g} to {speeds[-1]:g}"


def span_text(low: float, high: float) -> str:
    """A range of phases.

    >>> span_text(-25.0, 0.0), span_text(0.0, 0.0)
    ('-25° to 0°', '0°')
    """
    return phase_text(high) if low == high else f"{phase_text(low)} to {phase_text(high)}"


def box_words(project: Project, box: SafeBox) -> str:
    """A range of phases for each cam that moves, such as "intake 0° to +27°, exhaust -21° to 0°"."""
    if project.arrangement == "together":
        return f"both cams {span_text(box.intake_from, box.intake_to)}"
    spans = {"intake": (box.intake_from, box.intake_to), "exhaust": (box.exhaust_from, box.exhaust_to)}
    return ", ".join(f"{side} {span_text(*spans[side])}" for side in SIDES if project.phaser_of(side) is not None)


def moving(project: Project) -> tuple[Side, ...]:
    """The sides that have a table of their own: one for two tied cams, none for a fixed cam."""
    if project.arrangement == "both":
        return SIDES
    return ("exhaust",) if project.arrangement == "exhaust" else ("intake",)


def phase_words(project: Project, side: Side) -> str:
    """What a table of a side holds, in words."""
    return "phase of both cams" if project.arrangement == "together" else f"{side} phase"


def turn_words(degrees: float) -> str:
    """A turn of a cam in words.

    >>> turn_words(12.0), turn_words(-3.5), turn_words(0.0)
    ('advance 12°', 'retard 3.5°', 'none')
    """
    if degrees == 0:
        return "none"
    return f"{'advance' if degrees > 0 else 'retard'} {number_text(round(abs(degrees), 2))}°"


def length_words(value: float, unit: Unit, *, down: bool = False) -> str:
    """A length, rounded down where it is a worst case; beside mm in inches, which a gauge may read.

    >>> from phaseopt.values.display_units import INCH
    >>> length_words(2.54, METRIC.gap), length_words(2.0, METRIC.gap, down=True), length_words(2.0, INCH.gap, down=True)
    ('2.54 mm (0.100 in)', '2.00 mm (0.078 in)', '.078"')
    """
    text = unit.down_text(value) if down else unit.text(value)
    if unit != METRIC.gap:
        return text
    thousandths = value / 0.0254
    return f"{text} ({(math.floor(thousandths + 1e-9) if down else round(thousandths)) / 1000.0:.3f} in)"


def tolerance_words(tolerance: float, unit: Unit) -> str:
    """A tolerance rounded up to what a hand feels: 0.05 mm, or a thousandth of an inch.

    >>> from phaseopt.values.display_units import INCH
    >>> tolerance_words(0.21, METRIC.gap), tolerance_words(0.25, METRIC.gap), tolerance_words(0.26, INCH.gap)
    ('0.25', '0.25', '.011"')
    """
    step = 0.05 if unit == METRIC.gap else unit.size
    return unit.up_beside(math.ceil(tolerance / step - 1e-9) * step)
