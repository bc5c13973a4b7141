"""The full travel of the phasers, which a fault can reach: what would happen, and the offsets that make it safe."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, CONTACT, least_sentence, running_gaps, verdicts
from phaseopt.project import SIDES, Side

STEP = 0.1  # crank degrees to which an offset is told, rounded to the safe side
REACH = 60.0  # crank degrees an offset is sought beyond the one fitted
_STRIDE = 4.0  # crank degrees between offsets tried before halving


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
    reserve = {side: offset_where(model, side, partial(_keeps_reserve, side)) for side in SIDES}
    clear = {side: offset_where(model, side, partial(_is_clear, side)) for side in SIDES}
    sentence = _sentence(model, running[0], verdict, least_sentence(model, gaps, model.top_speed), reserve, clear)
    each_static = dict(zip(model.contacts, gaps.static[0].tolist(), strict=True))
    each_running = dict(zip(model.contacts, running[0].tolist(), strict=True))
    return FullTravel(verdict, each_static, each_running, reserve, clear, sentence)


def offset_where(model: ContactModel, side: Side, holds: Callable[[ContactModel], bool]) -> float | None:
    """The offset nearest the fitted one, the way that opens gaps, at which something holds.

    Opening is retarding an intake cam and advancing an exhaust cam. Offsets are tried outwards from the fitted one,
    the last stride is halved, and the answer is moved to the next 0.1° at which it holds by the bound itself.

    Parameters: `holds`, true of a model that will do. Returns crank degrees, or None within 60°.
    """
    fitted = model.engine.cam(side).offset
    opening = -1.0 if side == "intake" else 1.0
    if holds(model):
        return fitted
    beyond = next(
        (
            step
            for step in np.arange(_STRIDE, REACH + _STRIDE, _STRIDE)
            if _at(model, side, fitted + opening * step, holds)
        ),
        None,
    )
    if beyond is None:
        return None
    short, enough = float(beyond) - _STRIDE, float(beyond)
    while enough - short > STEP / 4:
        middle = (short + enough) / 2
        short, enough = (short, middle) if _at(model, side, fitted + opening * middle, holds) else (middle, enough)
    tenths = math.floor((fitted - enough) / STEP) if opening < 0 else math.ceil((fitted + enough) / STEP)
    while not _at(model, side, tenths * STEP, holds):
        tenths += int(opening)
    return round(tenths * STEP, 1)


def offset_words(offset: float) -> str:
    """An installed offset in words.

    >>> offset_words(-19.0), offset_words(3.5), offset_words(0.0)
    ('19° retarded', '3.5° advanced', '0°')
    """
    if offset == 0:
        return "0°"
    return f"{abs(offset):g}° {'advanced' if offset > 0 else 'retarded'}"


def _at(model: ContactModel, side: Side, offset: float, holds: Callable[[ContactModel], bool]) -> bool:
    return holds(model.with_offset(side, offset))


def _travel_box(model: ContactModel) -> tuple[float, float, float, float]:
    return (*model.travel("intake"), *model.travel("exhaust"))


def _own(model: ContactModel, side: Side) -> list[int]:
    return [i for i, contact in enumerate(model.contacts) if side in sides_of(contact)]


def _keeps_reserve(side: Side, model: ContactModel) -> bool:
    return _holds(side, model, static_too=False)


def _is_clear(side: Side, model: ContactModel) -> bool:
    return _holds(side, model, static_too=True)


def _holds(side: Side, model: ContactModel, *, static_too: bool) -> bool:
    gaps, own = model.gaps_of(_travel_box(model)), _own(model, side)
    static = bool((gaps.static[0, own] >= model.required[own]).all()) or not static_too
    return static and bool((running_gaps(model, gaps, model.top_speed)[0, own] >= model.reserve).all())


def _sentence(
    model: ContactModel,
    running: np.ndarray,
    verdict: str,
    least: str,
    reserve: dict[Side, float | None],
    clear: dict[Side, float | None],
) -> str:
    if verdict == CLEAR:
        return f"full travel is clear up to {model.top_speed:.0f} rpm; closest: {least}"
    touching = [WORDS[c] for c, gap in zip(model.contacts, running, strict=True) if gap <= 0]
    what = f"would TOUCH ({', '.join(touching)})" if verdict == CONTACT else f"does not keep the rules: {least}"
    parts = [f"full travel {what}: the tables are the only guard"]
    for side in SIDES:
        fitted = model.engine.cam(side).offset
        if clear[side] != fitted:
            parts.append(_cam_sentence(side, fitted, reserve[side], clear[side]))
    return "; ".join(parts)


def _cam_sentence(side: Side, fitted: float, reserve: float | None, clear: float | None) -> str:
    """Where a cam would have to be fitted for full travel.

    >>> _cam_sentence("exhaust", 10.0, 24.8, 24.8)
    'it is clear with the exhaust cam fitted 24.8° advanced or more (now 10° advanced)'
    """
    if reserve == clear:
        told = f"it is clear with the {side} cam fitted {_or_more(clear)}"
    elif reserve == fitted:
        told = f"it keeps the running reserve, and is clear with the {side} cam fitted {_or_more(clear)}"
    else:
        told = (
            f"it keeps the running reserve with the {side} cam fitted {_or_more(reserve)}, "
            f"is clear with it {_or_more(clear)}"
        )
    return f"{told} (now {offset_words(fitted)})"


def _or_more(offset: float | None) -> str:
    return f"at no offset within {REACH:g}°" if offset is None else f"{offset_words(offset)} or more"
