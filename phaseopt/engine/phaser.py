"""What phases a phaser can be set to hold."""

import numpy as np

from phaseopt.project import Phaser
from phaseopt.values.arrays import FloatArray

_LEAST_SHARE = 1e-9  # of a step; travel that is a whole number of steps must not lose its end to rounding


def phase_grid(phaser: Phaser | None) -> FloatArray:
    """The phases a table cell may hold: whole steps of the resolution from rest, inside the travel.

    Parameters
    ----------
    phaser : Phaser or None
        None for a fixed cam.

    Returns
    -------
    array (k,)
        Increasing [crank degrees], + = advanced, rest (0) among them; [0] for a fixed cam.

    Examples
    --------
    >>> from phaseopt.project import Slew
    >>> phase_grid(Phaser(travel=(-2.5, 2.0), resolution=1.0, slew=Slew(advance=80, retard=80)))
    array([-2., -1.,  0.,  1.,  2.])
    >>> phase_grid(None)
    array([0.])
    """
    if phaser is None:
        return np.zeros(1)
    least, most = (float(end) / phaser.resolution for end in phaser.travel)
    steps = np.arange(np.ceil(least - _LEAST_SHARE), np.floor(most + _LEAST_SHARE) + 1)
    return np.asarray(np.clip(np.round(steps * phaser.resolution, 9), *phaser.travel) + 0.0)
