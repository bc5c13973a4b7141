"""Torque at a hub or roller -> torque at the flywheel.

What a driveline loses, counted at the engine's shaft: a constant, a share of the torque that goes in, and a term that
grows with speed,

    T_out = T_in - (c + s T_in + k N/1000)

so that the flywheel's torque is (T_shaft/i + c + k N/1000)/(1 - s), with i engine turns for one of the shaft. Gears
lose a share, seals and churned oil a constant and a speed term (common practice, no source). Validity: steady torque
at one oil temperature; a tyre that slips loses speed too, which the ratio of both speeds shows.
"""

import numpy as np
import numpy.typing as npt

from phaseopt.project import Driveline

FloatArray = npt.NDArray[np.float64]


def flywheel_torque(at_shaft: FloatArray, rpm: FloatArray, ratio: float, law: Driveline | None) -> FloatArray:
    """Torque that goes into a driveline.

    Parameters: `at_shaft`, torque that comes out [N m], (n,), at the shaft's own speed; `rpm` of the engine (n,);
    `ratio`, engine turns for one turn of the shaft; `law` of the losses, None = none. Returns N m at the engine, (n,).

    >>> law = Driveline(constant=3.0, share=0.05, speed=0.5)
    >>> flywheel_torque(np.array([550.0]), np.array([4000.0]), 4.0, law)  # 150 less 3, 7.5 and 2, times 4
    array([150.])
    """
    out = at_shaft / ratio
    if law is None:
        return np.asarray(out)
    return np.asarray((out + law.constant + law.speed * rpm / 1000.0) / (1.0 - law.share))
