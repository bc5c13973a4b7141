"""Mixture and spark that differ over some speeds of a load."""

import numpy as np
import pytest
import xarray as xr

from phaseopt.job.mixture_and_spark import unlike_air

RPM = np.arange(2000.0, 7001.0, 250.0)
LOADS = np.array([60.0, 100.0])


def points(full: bool = True, **channels: np.ndarray) -> xr.Dataset:
    n = RPM.size
    return xr.Dataset(
        {
            "rpm": ("point", RPM),
            "load": ("point", np.full(n, 100.0 if full else 62.0)),
            "full_throttle": ("point", np.full(n, full)),
        },
        {name: ("point", values) for name, values in channels.items()},
    )


def there(low: float, high: float) -> np.ndarray:
    return (low <= RPM) & (high >= RPM)


@pytest.mark.parametrize(("channel", "usual", "other"), [("mixture", 0.88, 0.95), ("spark_retard", 0.0, 4.0)])
def test_a_channel_that_differs_over_the_dip_is_named(channel: str, usual: float, other: float) -> None:
    values = np.where(there(4000, 5000), other, usual)
    found = unlike_air(points(**{channel: values}), LOADS, 1, (4000.0, 5000.0))
    assert found is not None
    assert (found.channel, found.there, found.elsewhere) == (channel, pytest.approx(other), usual)
    assert np.array_equal(found.points, there(4000, 5000))


def test_what_differs_elsewhere_or_at_another_load_or_was_not_logged_is_not() -> None:
    lean = np.where(there(6000, 7000), 0.95, 0.88)
    assert unlike_air(points(mixture=lean), LOADS, 1, (3000.0, 4000.0)) is None
    assert unlike_air(points(mixture=lean), LOADS, 0, (6000.0, 7000.0)) is None
    assert unlike_air(points(full=False, mixture=lean), LOADS, 0, (6000.0, 7000.0)) is not None
    assert unlike_air(points(mixture=np.full(RPM.size, np.nan)), LOADS, 1, (6000.0, 7000.0)) is None
    assert unlike_air(points(), LOADS, 1, (6000.0, 7000.0)) is None
