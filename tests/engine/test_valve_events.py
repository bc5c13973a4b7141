"""When valves open and close, and overlap."""

import numpy as np
import pytest
from scipy.integrate import quad

from phaseopt.engine.camshaft import Camshaft
from phaseopt.engine.valve_events import Events, events, overlap
from phaseopt.values.errors import InputError

from .test_camshaft import FLANK, PEAK, cam


def at(camshaft: Camshaft, phase: float, check_lift: float = 1.0) -> Events:
    return events(camshaft, camshaft.centre(phase), check_lift)


def test_events_of_an_analytic_lobe() -> None:
    """Source: the 3-4-5 polynomial passes half its lift half way along its flank (Norton, Cam Design, from memory)."""
    for side, centre in (("intake", 108.0), ("exhaust", -108.0)):
        found = at(cam(side), 0.0, PEAK / 2)
        assert float(found.opens) == pytest.approx(centre - FLANK / 2, abs=1e-3)
        assert float(found.closes) == pytest.approx(centre + FLANK / 2, abs=1e-3)
        assert found.duration == pytest.approx(FLANK, abs=2e-3)


def test_signs_of_the_events() -> None:
    """Source: common practice, no source: at a small check lift IVO lies before TDC and EVC after it, IVC after BDC and
    EVO before BDC; advancing moves all events of a cam earlier, degree for degree."""
    intake, exhaust = at(cam("intake"), 0.0, 0.3), at(cam("exhaust"), 0.0, 0.3)
    assert float(intake.opens) < 0 < 180 < float(intake.closes)
    assert float(exhaust.opens) < -180 < 0 < float(exhaust.closes)
    for side in ("intake", "exhaust"):
        rest, advanced = at(cam(side), 0.0), at(cam(side), 10.0)
        assert float(advanced.opens) == pytest.approx(float(rest.opens) - 10.0)
        assert float(advanced.closes) == pytest.approx(float(rest.closes) - 10.0)
        fitted = at(cam(side, offset=10.0), 0.0)
        assert float(fitted.opens) == pytest.approx(float(advanced.opens))


def test_lash_delays_and_shortens() -> None:
    """Source: kinematics: with lash the valve is at 1.0 mm where a lobe without lash is at 1.2 mm."""
    tight, loose = cam("intake"), cam("intake", lash=0.2)
    assert float(at(loose, 0.0, 1.0).opens) == pytest.approx(float(at(tight, 0.0, 1.2).opens))
    assert float(tight.lift(60.0, 108.0, lash=0.2)) == pytest.approx(float(tight.lift(60.0, 108.0)) - 0.2)
    assert float(tight.lift(-60.0, 108.0, lash=0.2)) == 0.0


def test_a_check_lift_out_of_reach_is_refused() -> None:
    """Source: none; the valve never lifts so far with its lash."""
    with pytest.raises(InputError, match=r"intake valve lifts 9\.800 mm"):
        at(cam("intake", lash=0.2), 0.0, 9.9)


def test_overlap_in_degrees_and_area() -> None:
    """Source: the definitions: EVC less IVO, and the lesser lift integrated between them (by quadrature)."""
    intake, exhaust = cam("intake", lash=0.2), cam("exhaust", lash=0.25, peak=9.0)
    centres_i, centres_e = np.array([[104.0], [80.0]]), np.array([-108.0, -85.0, -70.0])
    found = overlap(intake, exhaust, centres_i, centres_e, 1.0)
    assert found.degrees.shape == found.area.shape == (2, 3)
    for i, e in np.ndindex(2, 3):
        ci, ce = float(centres_i[i, 0]), float(centres_e[e])
        ivo, evc = float(events(intake, ci, 1.0).opens), float(events(exhaust, ce, 1.0).closes)
        assert float(found.degrees[i, e]) == pytest.approx(evc - ivo)

        def lesser(theta: float, ci: float = ci, ce: float = ce) -> float:
            return float(min(intake.lift(theta, ci, 0.2), exhaust.lift(theta, ce, 0.25)))

        expected = quad(lesser, ivo, evc, points=[(ci + ce) / 2], limit=200)[0] if evc > ivo else 0.0
        assert float(found.area[i, e]) == pytest.approx(expected, abs=1e-3)


def test_cams_far_apart_have_negative_overlap_and_no_area() -> None:
    """Source: common practice, no source: negative overlap is the time for which both valves are closed."""
    found = overlap(cam("intake"), cam("exhaust"), 150.0, -150.0, 1.0)
    assert float(found.degrees) < 0
    assert float(found.area) == 0.0
