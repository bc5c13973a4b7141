"""The full travel of the phasers, which a fault can reach: what would happen, and the offsets that make it safe."""

from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, HITS, least_sentence, running_gaps, verdicts
from phaseopt.clearance.shifts import REACH, least_changes, offset_change
from phaseopt.project import SIDES, Side


@dataclass(frozen=True)
class FullTravel:
    """What the whole travel of the phasers does, any intake phase with any exhaust phase, up to the top speed.

    `static` and `running` gaps by contact, mm. `offset_for_reserve` and `offset_for_clear` by cam: the installed offset
    (crank degrees, + = advanced, to 0.1° on the safe side) at which full travel keeps the running reserve, and at which
    both rules hold, for the contacts of that cam with the other cam as fitted; the fitted offset where that holds
    already, None where no offset within 60° does.
    """

    verdict: str
    static: dict[str, float]
    running: dict[str, float]
    offset_for_reserve: dict[Side, float | None]
    offset_for_clear: dict[Side, float | None]
    sentence: str


def full_travel(model: ContactModel) -> FullTravel:
    """What the whole travel of the phasers does, by bound."""
    gaps = model.gaps_of(_travel_box(model))
    running = running_gaps(model, gaps, model.top_speed)
    verdict = str(verdicts(model, gaps.static, running)[0])
    pieces = model.pieces(_travel_box(model))
    changes = [
        offset_change(model, side, pieces, model.top_speed, static_too=static_too)
        for static_too in (False, True)
        for side in SIDES
    ]
    offsets = least_changes(model, changes)
    reserve, clear = (dict(zip(SIDES, each, strict=True)) for each in (offsets[:2], offsets[2:]))
    sentence = _sentence(model, running[0], verdict, least_sentence(model, gaps, model.top_speed), reserve, clear)
    each_static = dict(zip(model.contacts, gaps.static[0].tolist(), strict=True))
    each_running = dict(zip(model.contacts, running[0].tolist(), strict=True))
    return FullTravel(verdict, each_static, each_running, reserve, clear, sentence)


def offset_words(offset: float) -> str:
    """An installed offset in words.

    >>> offset_words(-19.0), offset_words(3.5), offset_words(0.0)
    ('19° retarded', '3.5° advanced', '0°')
    """
    if offset == 0:
        return "0°"
    return f"{abs(offset):g}° {'advanced' if offset > 0 else 'retarded'}"


def _travel_box(model: ContactModel) -> tuple[float, float, float, float]:
    return (*model.travel("intake"), *model.travel("exhaust"))


def _sentence(
    model: ContactModel,
    running: np.ndarray,
    verdict: str,
    least: str,
    reserve: dict[Side, float | None],
    clear: dict[Side, float | None],
) -> str:
    if verdict == CLEAR:
        return f"full travel is CLEAR up to {model.top_speed:.0f} rpm; closest: {least}"
    touching = [WORDS[c] for c, gap in zip(model.contacts, running, strict=True) if gap <= 0]
    what = f"HITS ({', '.join(touching)})" if verdict == HITS else f"is TIGHT: {least}"
    parts = [f"full travel {what}: the tables are the only guard"]
    for side in SIDES:
        fitted = model.engine.cam(side).offset
        if clear[side] != fitted:
            parts.append(_cam_sentence(side, fitted, reserve[side], clear[side]))
    return "; ".join(parts)


def _cam_sentence(side: Side, fitted: float, reserve: float | None, clear: float | None) -> str:
    """Where a cam would have to be fitted for full travel.

    >>> _cam_sentence("exhaust", 10.0, 24.8, 24.8)
    'it is clear with the exhaust cam fitted 24.8° advanced or earlier (now 10° advanced)'
    """
    if reserve == clear:
        told = f"it is clear with the {side} cam fitted {_beyond(side, clear)}"
    elif reserve == fitted:
        told = f"it keeps the running reserve, and is clear with the {side} cam fitted {_beyond(side, clear)}"
    else:
        told = (
            f"it keeps the running reserve with the {side} cam fitted {_beyond(side, reserve)}, "
            f"is clear with it {_beyond(side, clear)}"
        )
    return f"{told} (now {offset_words(fitted)})"


def offset_and_beyond(side: Side, offset: float) -> str:
    """An installed offset and all that leave more room, in words: later for an intake cam, earlier for an exhaust cam.

    >>> offset_and_beyond("intake", 5.0), offset_and_beyond("exhaust", -4.0)
    ('5° advanced or later', '4° retarded or earlier')
    """
    return f"{offset_words(offset)} or {'later' if side == 'intake' else 'earlier'}"


def _beyond(side: Side, offset: float | None) -> str:
    return f"at no offset within {REACH:g}°" if offset is None else offset_and_beyond(side, offset)
