"""Cam cards: durations met, nothing impossible made, and a bound that no other profile breaks."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PPoly

from phaseopt.engine.cam_card import card_lobe
from phaseopt.engine.lobe import Lobe
from phaseopt.project import CamCard, Duration, Side, TdcLift
from phaseopt.values.errors import InputError

from .profiles import ALL, Profile, cycloidal, half_duration, polynomial_345

X = np.linspace(-250.0, 250.0, 5001)
TWO = [(0.4, 252.0), (1.0, 230.0)]


def card(
    lift: float,
    durations: list[tuple[float, Any]],
    at: str = "tappet",
    tdc: TdcLift | None = None,
    asymmetry: float = 0.0,
) -> CamCard:
    """A card; a duration is degrees, or a pair of before and after."""
    lines = [
        Duration(at=a, before=d[0], after=d[1]) if isinstance(d, tuple) else Duration(at=a, degrees=d)
        for a, d in durations
    ]
    return CamCard(lift=lift, durations=tuple(lines), measured_at=at, lift_at_tdc=tdc, asymmetry=asymmetry)


class Real:
    """A lobe of two textbook flanks, and the card its maker would print."""

    def __init__(self, peak: float, flanks: tuple[float, float], profiles: tuple[Profile, Profile]) -> None:
        self.peak, self.flanks, self.profiles = peak, flanks, profiles

    def lift(self, x: np.ndarray) -> np.ndarray:
        before, after = (self.peak * p(x / f) for p, f in zip(self.profiles, self.flanks, strict=True))
        return np.where(x < 0, before, after)

    def card(self, shares: list[float], tdc: TdcLift | None = None) -> CamCard:
        ends = [
            tuple(f * half_duration(p, share) for p, f in zip(self.profiles, self.flanks, strict=True))
            for share in shares
        ]
        return card(self.peak, [(share * self.peak, end) for share, end in zip(shares, ends, strict=True)], tdc=tdc)


@st.composite
def reals(draw: st.DrawFn) -> tuple[Real, list[float]]:
    """A lobe whose flanks may be of different families and lengths, and two to six check lifts as shares."""
    profiles = draw(st.sampled_from(ALL)), draw(st.sampled_from(ALL))
    flanks = draw(st.floats(125.0, 180.0)), draw(st.floats(125.0, 180.0))
    lowest = draw(st.integers(2, 12))
    rest = draw(st.lists(st.integers(lowest + 4, 85), min_size=1, max_size=5, unique_by=lambda share: share // 4))
    return Real(draw(st.floats(7.0, 13.0)), flanks, profiles), [lowest / 100, *(share / 100 for share in sorted(rest))]


@given(reals())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_no_profile_with_the_same_card_lifts_higher(drawn: tuple[Real, list[float]]) -> None:
    """Source: 3-4-5 and cycloidal (Norton, Cam Design, from memory), harmonic, dwelling and constant-acceleration
    flanks, in any pairing: each is below `most` of its own card everywhere, and so is the nominal profile."""
    real, shares = drawn
    nominal, most = card_lobe(real.card(shares), ratio=1.0, lash=0.2, side="intake", centreline_error=0.0)
    assert (most.lift(X) - real.lift(X)).min() > -1e-9
    assert (most.lift(X) - nominal.lift(X)).min() > -1e-9


@given(reals())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_the_nominal_profile_has_the_cards_durations_and_is_smooth(drawn: tuple[Real, list[float]]) -> None:
    """Source: the card itself, on each flank, to 0.05 crank degrees (each half of it); calculus for the rest."""
    real, shares = drawn
    made = real.card(shares)
    lobe, _ = card_lobe(made, ratio=1.0, lash=0.2, side="intake", centreline_error=0.0)
    for line in made.durations:
        assert lobe.span(line.at) == pytest.approx((-line.flanks[0], line.flanks[1]), abs=0.025)
    polynomial = PPoly(lobe.coeffs, lobe.breaks)
    for order, limit in ((0, 1e-6), (1, 1e-7), (2, 1e-8)):
        derivative = polynomial.derivative(order) if order else polynomial
        inside = lobe.breaks[1:-1]
        assert np.abs(derivative(inside) - derivative(np.nextafter(inside, -1e9))).max() < limit
        assert np.abs(derivative(lobe.breaks[[0, -1]])).max() < limit
    assert lobe.peak == pytest.approx(real.peak, abs=1e-9)
    rising = np.diff(lobe.lift(np.linspace(lobe.breaks[0], 0.0, 2001)))
    falling = np.diff(lobe.lift(np.linspace(0.0, lobe.breaks[-1], 2001)))
    assert rising.min() > -1e-7
    assert falling.max() < 1e-7
    assert float(lobe.lift(lobe.breaks[0] - 1.0)) == 0.0


def test_the_nominal_profile_is_like_a_textbook_lobe() -> None:
    """Source: 3-4-5 and cycloidal lobes (Norton, Cam Design, from memory): within the uncertainty stated."""
    for profile in (polynomial_345, cycloidal):
        real = Real(10.0, (150.0, 150.0), (profile, profile))
        nominal, most = card_lobe(
            real.card([0.05, 0.12, 0.5]), ratio=1.0, lash=0.0, side="intake", centreline_error=0.0
        )
        assert np.abs(nominal.lift(X) - real.lift(X)).max() < (most.lift(X) - nominal.lift(X)).max()


def test_a_card_leaves_half_a_millimetre_open_near_tdc() -> None:
    """Source: common practice, no source: with two check lifts, lift at TDC is known to half a millimetre at best."""
    nominal, most = card_lobe(card(9.6, TWO), ratio=1.0, lash=0.25, side="exhaust", centreline_error=0.0)
    for angle in (80.0, 90.0, 100.0):
        assert 0.5 < float(most.lift(angle) - nominal.lift(angle)) < 2.0


@pytest.mark.parametrize("side", ["intake", "exhaust"])
def test_a_reading_at_tdc_narrows_the_uncertainty(side: Side) -> None:
    """Source: a reading bounds lift where it was taken: reading plus lash plus error. Around it, less uncertainty."""
    sign = -1.0 if side == "intake" else 1.0
    at_tdc = TdcLift(lift=2.3, centreline=98.0, error=0.05)
    _, wide = card_lobe(card(9.6, TWO), ratio=1.0, lash=0.25, side=side, centreline_error=0.0)
    nominal, narrow = card_lobe(card(9.6, TWO, tdc=at_tdc), ratio=1.0, lash=0.25, side=side, centreline_error=0.0)
    assert 2.5 <= float(nominal.lift(sign * 98.0)) <= 2.6
    assert float(narrow.lift(sign * 98.0)) == pytest.approx(2.6, abs=1e-5)
    assert (wide.lift(X) - narrow.lift(X)).min() > -1e-9
    assert float(wide.lift(sign * 90.0) - narrow.lift(sign * 90.0)) > 0.3
    other = X[sign * X < 0]
    np.testing.assert_allclose(narrow.lift(other), wide.lift(other), atol=0.02)


@given(reals(), st.floats(0.45, 0.9))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_a_true_reading_never_lowers_the_bound_below_the_truth(drawn: tuple[Real, list[float]], share: float) -> None:
    """Source: the textbook lobes as above, read at TDC with lash set, on the flank where TDC lies."""
    real, shares = drawn
    at = share * real.flanks[1]
    lash = 0.2
    read = max(float(real.lift(np.asarray(at))) - lash, 0.0)
    tdc = TdcLift(lift=read, centreline=at, error=0.05)
    nominal, most = card_lobe(real.card(shares, tdc=tdc), ratio=1.0, lash=lash, side="exhaust", centreline_error=0.0)
    _, wide = card_lobe(real.card(shares), ratio=1.0, lash=lash, side="exhaust", centreline_error=0.0)
    assert (most.lift(X) - real.lift(X)).min() > -1e-9
    assert (most.lift(X) - nominal.lift(X)).min() > -1e-9
    assert (wide.lift(X) - most.lift(X)).min() > -2e-6


@given(reals(), st.floats(0.45, 0.9), st.sampled_from([-1.0, 0.5, 1.0]), st.sampled_from([-1.0, 0.5, 1.0]))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_a_reading_at_a_centreline_known_so_far_never_lowers_the_bound_below_the_truth(
    drawn: tuple[Real, list[float]], share: float, astray: float, skew: float
) -> None:
    """Source: the textbook lobes as above. The cam stood up to 2° from its stated centreline as the gauge was read, and
    the middle of the card's durations up to 3° from where the cam was dialled; the bound is over the lobe itself."""
    real, shares = drawn
    real = Real(real.peak, (real.flanks[1], real.flanks[1]), (real.profiles[1], real.profiles[1]))
    at, lash = share * real.flanks[1], 0.2
    lines = [(share * real.peak, 2 * real.flanks[1] * half_duration(real.profiles[1], share)) for share in shares]
    read = max(float(real.lift(np.asarray(at + 2.0 * astray + 3.0 * skew))) - lash, 0.0)
    made = card(real.peak, lines, tdc=TdcLift(lift=read, centreline=at, error=0.05), asymmetry=3.0)
    nominal, most = card_lobe(made, ratio=1.0, lash=lash, side="exhaust", centreline_error=2.0)
    assert (most.lift(X) - real.lift(X)).min() > -1e-9
    assert (most.lift(X) - nominal.lift(X)).min() > -1e-9


def test_tappet_lifts_take_the_ratio_and_valve_lifts_the_lash() -> None:
    """Source: kinematics: a rocker multiplies tappet lift; a valve with lash moves lash less than its tappet."""
    at_tappet, _ = card_lobe(card(8.0, TWO), ratio=1.5, lash=0.2, side="intake", centreline_error=0.0)
    assert at_tappet.peak == pytest.approx(12.0)
    assert at_tappet.span(1.5) == pytest.approx((-115.0, 115.0), abs=1e-4)
    at_valve, _ = card_lobe(card(9.6, TWO, at="valve"), ratio=1.5, lash=0.2, side="intake", centreline_error=0.0)
    assert at_valve.peak == pytest.approx(9.8)
    assert at_valve.span(1.2) == pytest.approx((-115.0, 115.0), abs=1e-4)


def test_every_piece_of_the_bound_is_monotone() -> None:
    """Source: what `Lobe.highest` needs to be exact."""
    tdc = TdcLift(lift=2.3, centreline=98.0)
    for lobe in card_lobe(card(9.6, TWO, tdc=tdc), ratio=1.0, lash=0.25, side="exhaust", centreline_error=0.0):
        for a, b in pairwise(lobe.breaks):
            steps = np.diff(lobe.lift(np.linspace(a, b, 50)[1:-1]))
            assert steps.min() > -1e-9 or steps.max() < 1e-9
    assert isinstance(lobe, Lobe)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (card(9.6, [(0.4, 90.0), (1.0, 80.0)]), "four-stroke"),
        (card(9.6, [(0.4, 460.0), (1.0, 430.0)]), "four-stroke"),
        (card(9.6, [(0.4, 252.0), (1.0, 230.0), (5.0, 60.0)]), "steepens once and eases once"),
        (card(9.6, [(0.4, 252.0), (5.0, 251.0)]), "steepens once and eases once"),
        (card(9.6, TWO, tdc=TdcLift(lift=5.0, centreline=112.0)), "contradict"),
        (card(9.6, TWO, tdc=TdcLift(lift=0.2, centreline=90.0)), "contradicts"),
        (card(9.6, TWO, tdc=TdcLift(lift=9.9, centreline=90.0)), "contradicts"),
        (card(9.6, TWO, tdc=TdcLift(lift=2.0, centreline=-90.0)), "centreline is -90"),
        (card(9.6, TWO, tdc=TdcLift(lift=2.0, centreline=115.0)), "contradicts"),
    ],
)
def test_a_card_that_cannot_be_is_refused(made: CamCard, says: str) -> None:
    """Source: none; no single-peaked lobe has these numbers. The message names the key and the fix."""
    with pytest.raises(InputError) as caught:
        card_lobe(made, ratio=1.0, lash=0.25, side="exhaust", centreline_error=0.0)
    assert says in str(caught.value)
    assert str(caught.value).startswith("exhaust.card")
    assert "Fix:" in str(caught.value)
