"""Chemical equilibrium of combustion products: which species, at a given temperature and pressure.

Least Gibbs energy under conserved atoms, solved for element potentials by Newton's method (the method of Gordon and
McBride, NASA RP-1311, from memory).
"""

import numpy as np

from phaseopt.cycle.species import ATOMS, GAS_CONSTANT, enthalpy, entropy
from phaseopt.values.arrays import FloatArray

ATMOSPHERE = 101325.0  # Pa, the pressure at which `entropy` is tabulated


def equilibrium(atoms: FloatArray, t: float, p: float) -> FloatArray:
    """Moles of each of `species.NAMES` at least Gibbs energy.

    Parameters
    ----------
    atoms : array (4,)
        Moles of C, H, O and N present; all above zero. [mol]
    t, p : float
        Temperature [K] and pressure [Pa]; 1000-3500 K.

    >>> n = equilibrium(np.array([3.0, 8.0, 10.0, 37.6]), 1200.0, 1e5)
    >>> [round(float(x), 2) for x in n[:3]]  # propane burned in just enough air: CO2, H2O, N2
    [3.0, 4.0, 18.8]
    """
    g = enthalpy(t) / (GAS_CONSTANT * t) - entropy(t) / GAS_CONSTANT + np.log(p / ATMOSPHERE)
    n = np.full(len(g), atoms.sum() / 20.0)
    total = float(n.sum())
    for _ in range(300):
        potential = g + np.log(n / total)
        matrix = np.zeros((5, 5))
        matrix[:4, :4] = ATOMS.T @ (n[:, None] * ATOMS)
        matrix[:4, 4] = matrix[4, :4] = ATOMS.T @ n
        matrix[4, 4] = n.sum() - total
        right = np.append(atoms - ATOMS.T @ n + ATOMS.T @ (n * potential), total - n.sum() + n @ potential)
        solution = np.linalg.lstsq(matrix, right, rcond=None)[0]
        change = ATOMS @ solution[:4] + solution[4] - potential
        # damped so that no species grows by more than e^2 at once
        step = min(
            1.0,
            2.0 / max(5.0 * abs(solution[4]), float(np.max(np.where(n > 1e-8 * total, abs(change), change))), 1e-300),
        )
        n = np.maximum(n * np.exp(np.clip(step * change, -60.0, 60.0)), 1e-30)
        total *= float(np.exp(step * solution[4]))
        if step == 1.0 and float(np.max(n * abs(change))) < 1e-11 * total:
            return np.asarray(n)
    raise ArithmeticError(f"no equilibrium at {t:.0f} K and {p:.0f} Pa")
