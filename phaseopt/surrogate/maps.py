"""A torque model over a table as a labelled data set."""

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from phaseopt.surrogate.surface import TorqueSurface


def predict_map(
    model: TorqueSurface, rpm: ArrayLike, load: ArrayLike, icl: ArrayLike, ecl: ArrayLike, load_unit: str
) -> xr.Dataset:
    """`TorqueSurface.predict_grid` as a labelled data set, with units in the manner of the CF conventions.

    Returns: `torque` and `torque_deviation` in N m over (rpm, load, intake_label, exhaust_label), with the centrelines
    `icl` [degrees after TDC] and `ecl` [degrees before TDC] as coordinates of the two label dimensions.
    """
    mean, deviation = model.predict_grid(rpm, load, icl, ecl)
    dims = ("rpm", "load", "intake_label", "exhaust_label")
    return xr.Dataset(
        {
            "torque": (dims, mean, {"units": "N m", "long_name": "expected torque"}),
            "torque_deviation": (
                dims, deviation, {"units": "N m", "long_name": "standard deviation of expected torque"},
            ),
        },
        coords={
            "rpm": ("rpm", np.asarray(rpm, float), {"units": "rpm", "long_name": "engine speed"}),
            "load": ("load", np.asarray(load, float), {"units": load_unit, "long_name": "engine load"}),
            "icl": ("intake_label", np.asarray(icl, float),
                    {"units": "degree", "long_name": "intake centreline after gas-exchange TDC"}),
            "ecl": ("exhaust_label", np.asarray(ecl, float),
                    {"units": "degree", "long_name": "exhaust centreline before gas-exchange TDC"}),
        },
    )  # fmt: skip
