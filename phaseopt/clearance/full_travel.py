"""The full travel of the phasers, which a fault can reach: what would happen, and the offsets that make it safe."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, HITS, least_sentence, running_gaps, verdicts, without_float
from phaseopt.clearance.shifts import REACH, least_changes, offset_change
from phaseopt.project import SIDES, Side


@dataclass(frozen=True)
class FullTravel:
    """What the whole travel of the phasers does, any intake phase with any exhaust phase, up to the top speed.

    Attributes
    ----------
    verdict, sentence : str
        In one word, and in a sentence.
    static, running : dict of str to float
        Least gaps by contact [mm], worst case.
    offset_for_reserve, offset_for_clear : dict of side to float or None
        The installed offset [crank degrees, + = advanced, to 0.1° on the safe side] at which full travel has enough
        running clearance, and at which both rules hold, for the contacts of that cam with the other cam as fitted; the
        fitted offset where that is so already, None where no offset within 60° does it.
    needs : tuple of str
        What each cam would need to be clear, in words.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> from phaseopt.clearance.limits import phase_limits
    >>> found = phase_limits(model).full_travel
    >>> found.verdict, sorted(found.static) == sorted(model.contacts)
    ('clear', True)
    """

    verdict: str
    static: dict[str, float]
    running: dict[str, float]
    offset_for_reserve: dict[Side, float | None]
    offset_for_clear: dict[Side, float | None]
    sentence: str
    needs: tuple[str, ...]


@lru_cache(maxsize=4)  # limits and every pair of tables ask for the same
def full_travel(model: ContactModel) -> FullTravel:
    """What the whole travel of the phasers does, by bound.

    Parameters
    ----------
    model : ContactModel

    Returns
    -------
    FullTravel
    """
    gaps = model.gaps_of(_travel_box(model))
    running = running_gaps(model, gaps, model.top_speed)
    verdict = str(without_float(verdicts(model, gaps.static, running), model.held(model.top_speed))[0])
    pieces = model.pieces(_travel_box(model))
    changes = [
        offset_change(model, side, pieces, model.top_speed, static_too=static_too)
        for static_too in (False, True)
        for side in SIDES
    ]
    offsets = least_changes(model, changes)
    reserve, clear = (dict(zip(SIDES, each, strict=True)) for each in (offsets[:2], offsets[2:]))
    sentence = _sentence(model, running[0], verdict, least_sentence(model, gaps, model.top_speed))
    asking = [side for side in SIDES if clear[side] != _fitted(model, side)]
    needs = tuple(_need(model, side, reserve[side], clear[side]) for side in asking)
    each_static = dict(zip(model.contacts, gaps.static[0].tolist(), strict=True))
    each_running = dict(zip(model.contacts, running[0].tolist(), strict=True))
    return FullTravel(verdict, each_static, each_running, reserve, clear, sentence, needs)


def offset_words(offset: float) -> str:
    """An installed offset in words.

    >>> offset_words(-19.0), offset_words(3.5), offset_words(0.0)
    ('19° retarded', '3.5° advanced', '0°')
    """
    if offset == 0:
        return "0°"
    return f"{abs(offset):g}° {'advanced' if offset > 0 else 'retarded'}"


def _travel_box(model: ContactModel) -> tuple[float, float, float, float]:
    """The travel of both phasers, the wider one where nobody says which degrees it is in."""
    found: list[float] = []
    for side in SIDES:
        found += model.project.likely_travel(side)
    return found[0], found[1], found[2], found[3]


def _sentence(model: ContactModel, running: np.ndarray, verdict: str, least: str) -> str:
    if verdict == CLEAR:
        return f"full travel is CLEAR up to {model.top_speed:.0f} rpm. Closest: {least}"
    hits = [WORDS[c] for c, gap in zip(model.contacts, running, strict=True) if gap <= 0]
    what = f"HITS ({', '.join(hits)})" if verdict == HITS else f"is TIGHT: {least}"
    return f"full travel {what}. The tables are the only guard"


def _fitted(model: ContactModel, side: Side) -> float:
    return model.engine.cam(side).offset


def _need(model: ContactModel, side: Side, reserve: float | None, clear: float | None) -> str:
    """What a cam would need for full travel to be clear, and for enough running clearance where that is less."""
    fitted = _fitted(model, side)
    needs = f"the {side} cam needs {needed_words(side, clear)} to clear ({fitted_words(fitted, clear)})"
    if reserve == clear:
        return needs
    if reserve == fitted:
        return f"{needs}; running clearance is enough as fitted"
    return f"{needs}; {needed_words(side, reserve)} gives enough running clearance"


def needed_words(side: Side, offset: float | None) -> str:
    """The installed offset that a cam needs, to a degree on the safe side: later for intake, earlier for exhaust.

    >>> needed_words("intake", -35.7), needed_words("exhaust", -4.4), needed_words("exhaust", None)
    ('36° retard', '4° retard or less', 'more than 60° of offset')
    """
    if offset is None:
        return f"more than {REACH:g}° of offset"
    way = -1 if side == "intake" else 1
    safe = way * math.ceil(way * offset - 1e-6)
    return f"{_turned(safe)} or less" if way * safe < 0 else _turned(safe)


def fitted_words(fitted: float, needed: float | None) -> str:
    """The installed offset that a cam has, beside the one that it needs.

    >>> fitted_words(-20.0, -36.0), fitted_words(3.0, -2.5), fitted_words(0.0, 4.0)
    ('you have 20°', 'you have 3° advance', 'you have none')
    """
    same = needed is not None and fitted * needed > 0
    return f"you have {f'{abs(fitted):g}°' if same else _turned(fitted)}"


def _turned(offset: float) -> str:
    return f"{abs(offset):g}° {'advance' if offset > 0 else 'retard'}" if offset else "none"
