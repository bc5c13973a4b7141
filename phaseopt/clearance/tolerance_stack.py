"""Beside the worst case: the gap by root-sum-square, and the chance that a rule is broken. Neither is judged by.

What an allowance is, and how it is distributed, is said here and nowhere else:

- An error may stand either way, independently of every other: drop readings, lobe and seat measuring, fitted
  centreline, card flanks, phaser error, chain, overshoot, ageing; of each cam by itself. It is normal about zero and
  its bound is two standard deviations. Its square counts in the root-sum-square, and it is drawn for the chance.
- An amount is there whenever the engine turns: stretch, growth, play and loft at their speed, a pumped-up tappet, what
  a cam card leaves open, what a drop measurement may be too high by to one side, and the timing spread between
  cylinders, whose worst stands off by all of it (to the side on which the errors are). It counts whole in both.

So the root-sum-square gap of errors that act linearly is the one that 97.7 % of engines exceed. Both look at one timing
of the phasers at one speed, not at all that they pass through.

The gap without timing errors comes from `places.py`; the drop's error acts at the angle of the least gap. Both together
are within about 0.002 mm of looking anew for every draw.
"""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.allowances import SPREAD, static_terms
from phaseopt.clearance.contacts import sides_of
from phaseopt.clearance.drop import COVERAGE_SIGMAS
from phaseopt.clearance.model import ContactModel, Gaps
from phaseopt.clearance.nominal_gaps import STEP, place_of, worst_by_place
from phaseopt.values.arrays import FloatArray
from phaseopt.values.numba import njit

SIGMAS = 2.0  # standard deviations that an error's bound stands for
HOW = (
    "Root-sum-square and chance look at one timing and one speed. The root of the sum of squares is taken of the steps "
    "marked either way; the others count whole. For the chance each error is drawn by itself "
    "as normal, its bound two standard deviations. Where errors go together, or a bound is a guess, the true chance "
    "is another. The rules are judged by the worst case alone."
)
DRAWS = 100_000  # a chance of 1 in 1000 is then known to a tenth of itself
SEED = 20_260
_BEYOND = 3.0  # times the errors' root-sum-square: six standard deviations, farther than any draw


@dataclass(frozen=True, eq=False)
class Spread:
    """One contact without errors and the drop's own, by place (k,): `low` the gap with the drop two standard deviations
    down, `uncertainty` those two, mm."""

    place: FloatArray
    low: FloatArray
    uncertainty: FloatArray

    def at(self, place: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`low` and `uncertainty` at places, mm."""
        return np.interp(place, self.place, self.low), np.interp(place, self.place, self.uncertainty)


def spread_of(model: ContactModel, contact: str, pairs: FloatArray) -> Spread:
    """The gaps of a contact over all places that draws around pairs of phases (n, 2) can reach."""
    found = worst_by_place(
        model, contact, pairs, _BEYOND * _root(*model.turns[contact]) + _amount(model.turns[contact][0])
    )
    if contact == "valve_valve":
        return Spread(found.place, found.gap, np.zeros_like(found.gap))
    (side,) = sides_of(contact)
    law = model.drops[side]
    sigmas = COVERAGE_SIGMAS * law.deviation(found.angle)[int(law.at_tdc.argmin())]
    return Spread(found.place, found.gap, np.minimum(sigmas, law.fitted(found.angle) - law.low(found.angle)))


def root_sum_squares(
    model: ContactModel, pairs: FloatArray, gaps: Gaps, speeds: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Static and running gaps (n, c) by root-sum-square, mm.

    ::

        gap without errors - amounts - sqrt(sum of squares of what each error takes by itself)

    What timing errors take together, as the rules count it, is shared among them in proportion to their degrees.

    Parameters: `pairs` of phases (n, 2); `gaps` of just those; `speeds` (n,) rpm.
    """
    static, running = np.empty_like(gaps.static), np.empty_like(gaps.static)
    for c, contact in enumerate(model.contacts):
        terms = static_terms(model.project, contact, model.closing)
        low, uncertainty = spread_of(model, contact, pairs).at(place_of(model, contact, pairs))
        by_hand, by_speed = model.turns[contact]
        turned = np.maximum(low - sum(terms.values()) - gaps.static[:, c], 0.0)
        first = turned * _share(by_hand)
        then = (gaps.static[:, c] - gaps.swept[:, c]) * _share(by_speed)
        squares = uncertainty**2 + terms["lobe"] ** 2 + terms["seats"] ** 2 + first**2
        whole = low + uncertainty - terms["pump_up"] - turned * _amount(by_hand) / max(sum(by_hand.values()), 1e-9)
        static[:, c] = whole - np.sqrt(squares)
        running[:, c] = whole - model.running_mm(speeds)[:, c] - np.sqrt(squares + then**2)
    # Gaps are read between half degrees: where that says otherwise, a root is never more than the sum.
    return np.maximum(static, gaps.static), np.maximum(running, gaps.swept - model.running_mm(speeds))


def chances(
    model: ContactModel, pairs: FloatArray, speeds: FloatArray, *, draws: int = DRAWS, seed: int = SEED
) -> FloatArray:
    """(n, 2, c) the chance that the static and the running rule is broken at pairs of phases and speeds, 0 to 1.

    A seeded Monte Carlo, the same for the same project: each error is drawn as this module's docstring says, and the
    engines outside a rule are counted. The static rule is that of an engine turned by hand.

    Parameters: `pairs` of phases (n, 2); `speeds` (n,) rpm; `draws`, engines drawn for each contact.
    """
    found = np.empty((len(pairs), 2, len(model.contacts)))
    for c, contact in enumerate(model.contacts):
        terms = static_terms(model.project, contact, model.closing)
        by_hand, by_speed = model.turns[contact]
        random = np.random.default_rng([seed, c])
        normal = random.standard_normal((4, draws))
        turned = normal[0] * _root(by_hand) / SIGMAS
        turned += np.copysign(_amount(by_hand), turned)
        running = turned + normal[1] * _root(by_speed) / SIGMAS
        off = normal[2] * math.hypot(terms["lobe"], terms["seats"]) / SIGMAS + terms["pump_up"]
        curve = spread_of(model, contact, pairs)
        rows = np.column_stack([curve.low + curve.uncertainty, curve.uncertainty / SIGMAS])
        running_least = model.reserve + model.running_mm(speeds)[:, c]
        least = np.column_stack([np.full(len(pairs), model.required[c]), running_least])
        at = (place_of(model, contact, pairs) - curve.place[0]) / STEP
        each, back = np.unique(np.column_stack([at, least]), axis=0, return_inverse=True)
        broken = _broken(rows, each, turned / STEP, running / STEP, normal[3], off)
        found[:, :, c] = broken[back.reshape(-1)] / draws
    return found


@njit
def _broken(
    rows: FloatArray, cells: FloatArray, turned: FloatArray, running: FloatArray, drop: FloatArray, off: FloatArray
) -> FloatArray:
    """(n, 2) how many draws break each rule; `cells` (n, 3) place in steps and the least of either gap, mm.

    `rows` (k, 2) gap without errors and the drop's standard deviation at each step; `turned` and `running` in steps.
    """
    found = np.zeros((cells.shape[0], 2))
    for i in range(cells.shape[0]):
        for j in range(drop.size):
            if _gap(rows, cells[i, 0] + turned[j], drop[j]) - off[j] < cells[i, 1]:
                found[i, 0] += 1.0
            if _gap(rows, cells[i, 0] + running[j], drop[j]) - off[j] < cells[i, 2]:
                found[i, 1] += 1.0
    return found


@njit
def _gap(rows: FloatArray, place: float, drop: float) -> float:
    """The gap between two steps with the drop so many standard deviations low."""
    k = min(max(int(place), 0), rows.shape[0] - 2)
    along = min(max(place - k, 0.0), 1.0)
    start = rows[k, 0] - drop * rows[k, 1]
    end = rows[k + 1, 0] - drop * rows[k + 1, 1]
    return float(start + along * (end - start))


def chance_words(chance: float, draws: int = DRAWS) -> str:
    """A chance in words; where no draw broke the rule, what 95 % of such counts leave possible.

    >>> chance_words(0.25), chance_words(0.00123), chance_words(0.0)
    ('25 %', '0.12 %', 'less than 1 in 33,000')
    """
    if chance == 0.0:
        return f"less than 1 in {draws // 3000},000"
    return f"{100.0 * chance:.2g} %"


def _root(*errors: dict[str, float]) -> float:
    """Root of the sum of squares of errors; an amount is none."""
    return math.hypot(*(error for each in errors for name, error in each.items() if not name.startswith(SPREAD)))


def _amount(turns: dict[str, float]) -> float:
    """Crank degrees that some cylinder surely stands off by, in the sum of its cams."""
    return sum(degrees for name, degrees in turns.items() if name.startswith(SPREAD))


def _share(errors: dict[str, float]) -> float:
    """Root-sum-square of errors over the sum of all; 0 where there are none."""
    total = sum(errors.values())
    return _root(errors) / total if total else 0.0
