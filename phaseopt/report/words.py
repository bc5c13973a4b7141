"""Phases, ranges and sentences as a person reads them."""

from phaseopt.clearance.limits import SafeBox
from phaseopt.project import SIDES, Project, Side


def capital(sentence: str) -> str:
    """A sentence with a capital letter."""
    return sentence[:1].upper() + sentence[1:]


def sentence(words: str) -> str:
    """Words as a whole sentence: a capital letter, a full stop.

    >>> sentence("no cell hits"), sentence("It is so.")
    ('No cell hits.', 'It is so.')
    """
    return f"{capital(words).rstrip('.')}."


def phase_text(degrees: float) -> str:
    """A phase with its sign, crank degrees from rest.

    >>> phase_text(21.0), phase_text(-0.0), phase_text(-12.5)
    ('+21°', '0°', '-12.5°')
    """
    return f"{degrees:+g}°" if degrees else "0°"


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
