"""Before and after: area against scipy, the uncertainty of a mean, and why cells moved."""

import numpy as np
import pytest
from scipy.integrate import trapezoid

from phaseopt.job.build import Build


def test_area_under_the_full_load_curve_is_scipys(hillclimb: Build) -> None:
    """Outside check: scipy.integrate.trapezoid, over the span of speeds."""
    full, found = hillclimb.torque.isel(load=-1), hillclimb.comparison.gains
    rpm = full["rpm"].to_numpy()
    for name, mean in (("torque", found.after), ("torque_before", found.before)):
        assert mean == pytest.approx(trapezoid(full[name].to_numpy(), rpm) / np.ptp(rpm))
    assert found.rpm == (rpm[0], rpm[-1])
    assert 0.0 < found.deviation <= float(full["gain_sd"].max())


def test_the_cells_that_moved_most_come_first_and_say_why(hillclimb: Build) -> None:
    far = np.hypot(*(hillclimb.tables.of_side(s) - hillclimb.baseline.tables.of_side(s) for s in ("intake", "exhaust")))
    shown = [np.hypot(cell.intake, cell.exhaust) for cell in hillclimb.comparison.gains.moved]
    assert shown == sorted(shown, reverse=True)
    assert shown[0] == pytest.approx(float(far.max()))
    for cell in hillclimb.comparison.gains.moved:
        assert (cell.why == "for torque") == (cell.gain > 2.0 * cell.gain_sd)
