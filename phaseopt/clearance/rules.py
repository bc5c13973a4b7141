"""The two rules, and the words a verdict is given in."""

import math

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.contacts import WORDS
from phaseopt.clearance.model import ContactModel, Gaps
from phaseopt.values.arrays import FloatArray, TextArray

CLEAR, TIGHT, HITS = "clear", "tight", "hits"
RULES = ("static", "running")
FLOAT = "valve control"  # what limits a speed at which the springs do not hold the valves


def running_gaps(model: ContactModel, gaps: Gaps, rpm: npt.ArrayLike) -> FloatArray:
    """(n, c) running gaps at one speed, or at a speed for each of the n, mm."""
    return gaps.swept - model.running_mm(rpm)


def verdicts(model: ContactModel, static: FloatArray, running: FloatArray) -> TextArray:
    """`clear` where both rules hold for every contact, `hits` where a gap is zero or less, else `tight`.

    Parameters: `static` and `running` gaps (..., c), mm. Returns (...) words.
    """
    holds = ((static >= model.required) & (running >= model.reserve)).all(axis=-1)
    hits = (running <= 0.0).any(axis=-1) | (static <= 0.0).any(axis=-1)
    return np.where(hits, HITS, np.where(holds, CLEAR, TIGHT))


def without_float(words: TextArray, held: npt.ArrayLike) -> TextArray:
    """Verdicts, none of them `clear` where a speed is beyond what the springs hold."""
    return np.where(np.asarray(held) | (words != CLEAR), words, TIGHT)


def margins(model: ContactModel, static: FloatArray, running: FloatArray) -> FloatArray:
    """(..., 2, c) what is left above each rule, static first, mm; below 0 the rule is broken."""
    return np.stack([static - model.required, running - model.reserve], axis=-2)


def limiting_rule(model: ContactModel, margin: FloatArray) -> TextArray:
    """(...) the rule and contact with the least margin (..., 2, c), in words."""
    names = np.array([f"{WORDS[contact]}, {rule}" for rule in RULES for contact in model.contacts])
    return np.asarray(names[margin.reshape(*margin.shape[:-2], -1).argmin(axis=-1)])


def place(angle: float) -> str:
    """A crank angle in words.

    >>> place(7.2), place(-8.6), place(0.2), place(352.0)
    ('7° after TDC', '9° before TDC', 'at TDC', '8° before firing TDC')
    """
    tdc = "TDC" if abs(angle) <= 180 else "firing TDC"
    from_it = angle if abs(angle) <= 180 else angle - math.copysign(360.0, angle)
    whole = round(abs(from_it))
    return f"at {tdc}" if whole == 0 else f"{whole}° {'after' if from_it > 0 else 'before'} {tdc}"


def static_words(model: ContactModel, contact: int, gap: float, angle: float, more: str = "") -> str:
    """A static gap of a contact beside its rule, in words that promise no more than was found.

    Parameters: `contact` by number, `gap` mm, `angle` crank degrees, what `more` stands with the rule.
    """
    unit, wants = model.project.display_units.gap, model.required[contact]
    return (
        f"{WORDS[model.contacts[contact]]} at least {unit.down_text(gap)}, static, {place(angle)} "
        f"(required {unit.up_beside(wants)}{more})"
    )


def running_words(model: ContactModel, contact: int, gap: float, rpm: float, angle: float, more: str = "") -> str:
    """The same of a running gap at a speed."""
    unit = model.project.display_units.gap
    return (
        f"{WORDS[model.contacts[contact]]} at least {unit.down_text(gap)} running at {rpm:.0f} rpm, "
        f"{place(angle)} (required {unit.up_beside(model.reserve)}{more})"
    )


def least_sentence(model: ContactModel, gaps: Gaps, rpm: float) -> str:
    """The rule that limits one box (gaps (1, c)) at a speed, with its gap, angle and requirement, in words."""
    running = running_gaps(model, gaps, rpm)
    margin = margins(model, gaps.static, running)[0]
    rule, contact = (int(i) for i in np.unravel_index(int(margin.argmin()), margin.shape))
    if rule == 0:
        return static_words(model, contact, gaps.static[0, contact], gaps.static_angle[0, contact])
    return running_words(model, contact, running[0, contact], rpm, gaps.swept_angle[0, contact])
