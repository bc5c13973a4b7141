"""What is said where an engine is not safe with its phasers at rest: no table is then, and something must be opened."""

import numpy as np

from phaseopt.clearance.bounds import IN_HAND
from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.full_travel import fitted_words, needed_words, offset_words
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import least_sentence, margins, running_gaps
from phaseopt.clearance.shifts import REACH, least_changes, offset_change
from phaseopt.project import Side
from phaseopt.values.errors import InputError


def rest_unsafe(model: ContactModel, held: float | None) -> InputError:
    """That no table is safe, why, and what opens it; `held`, the highest speed looked at up to which rest is safe."""
    gaps = model.gaps(np.zeros((1, 4)))
    broken = [contact for contact in model.contacts if not _holds_at_rest(model, contact)]
    # A piston that comes too near asks for its own cam; valves alone may be parted by either.
    pistons = [contact for contact in broken if contact != "valve_valve"]
    ways = [(side, contact) for contact in pistons or broken for side in sides_of(contact)]
    opens = [_opening(model, side, contact) for side, contact in ways]
    touching = ", ".join(WORDS[contact] for contact in broken)
    up_to = f"at any speed up to {model.top_speed:.0f} rpm" if held is None else f"above {held:.0f} rpm"
    slower = "" if held is None else f", or never turn it above {held:.0f} rpm and say so (crank.overspeed, tables.rpm)"
    return InputError.one(
        f"not safe with its phasers at rest {up_to} ({touching}), so no table is; "
        f"least: {least_sentence(model, gaps, model.top_speed)}",
        hint="fit " + (", and " if pistons else ", or ").join(dict.fromkeys(opens)) + slower,
        file=model.project.file,
        where=", ".join(dict.fromkeys(f"{side}.offset" for side, _ in ways)),
    )


def _opening(model: ContactModel, side: Side, contact: str) -> str:
    fitted = model.engine.cam(side).offset
    change = offset_change(
        model, side, np.zeros((1, 4)), model.top_speed, static_too=True, contacts=[model.contacts.index(contact)]
    )
    (offset,) = least_changes(model, [change])
    if offset is None:
        way = "valves that stand farther apart" if contact == "valve_valve" else "deeper pockets"
        return f"{way} or another {side} lobe (no {side} offset within {REACH:g}° of {offset_words(fitted)} does it)"
    return f"the {side} cam with {needed_words(side, offset)} ({fitted_words(fitted, offset)})"


def _holds_at_rest(model: ContactModel, contact: str) -> bool:
    gaps = model.gaps(np.zeros((1, 4)))
    margin = margins(model, gaps.static, running_gaps(model, gaps, model.top_speed))
    return bool((margin[0, :, model.contacts.index(contact)] >= IN_HAND).all())
