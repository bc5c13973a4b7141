"""A pull against a prediction: differences by speed with their uncertainty, judged all at once.

What is measured at the points of one pull is torque + the pull's own offset + noise, so the differences from the
prediction have the covariance

    S = C + p² 1 1ᵀ + diag(n² + s²)         C of predicted torque, p of a pull's offset, n noise, s scatter; (N·m)²

Two statistics, each right in 95 % of pulls where the prediction is: the mean difference over speed, by its own
interval; and for the shape at each point its difference less that mean (in which the pull's offset drops out) over its
deviation. The largest of these in absolute value is compared with what the largest stays below in 95 % of pulls. So a
verdict on the speeds does not become wrong more often because there are many of them. (The largest of several
correlated normal deviates, by draws from their joint distribution; Hsu, Multiple Comparisons, 1996, chapter 1, from
memory.)
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.interval import INTERVAL

SHARE = float(ndtr(INTERVAL) - ndtr(-INTERVAL))  # of pulls for which an interval holds: 95 %
_DRAWS, _SEED = 20_000, 20


@dataclass(frozen=True, eq=False)
class Differences:
    """Measured less predicted, N·m.

    `difference` (n,) and its 95 % half-widths `within`; `mean` difference and `mean_within`; `shape` (n,) each point
    less the mean, in deviations; `critical` what the largest of `shape` stays below in 95 % of right predictions.
    """

    difference: FloatArray
    within: FloatArray
    mean: float
    mean_within: float
    shape: FloatArray
    critical: float

    @property
    def level(self) -> int:
        """-1 where the mean is less than predicted, +1 where it is more, 0 where its interval holds the prediction."""
        return 0 if abs(self.mean) <= self.mean_within else 1 if self.mean > 0 else -1

    @property
    def less(self) -> BoolArray:
        """(n,) points that are less than predicted, and farther below the pull's mean than chance allows."""
        return np.asarray((self.shape < -self.critical) & (self.difference < 0.0))

    @property
    def more(self) -> BoolArray:
        """(n,) points that are more than predicted, and farther above the pull's mean than chance allows."""
        return np.asarray((self.shape > self.critical) & (self.difference > 0.0))


def judge_differences(difference: FloatArray, covariance: FloatArray, share: FloatArray) -> Differences:
    """Judge differences (n,) that a right prediction would scatter about zero with a covariance (n, n).

    Parameters: `share` (n,) that each point has in the mean, 1 in all.

    >>> c = judge_differences(np.array([1.0, -1.0, 6.0]), np.eye(3) + 4.0, np.full(3, 1 / 3))
    >>> round(c.mean, 3), round(c.mean_within, 2), c.more.tolist()  # 2 √(4 + 1/3); the third stands out
    (2.0, 4.16, [False, False, True])
    """
    contrasts = np.eye(difference.size) - share
    spread = contrasts @ covariance @ contrasts.T
    # A single point has no shape: its contrast is zero, and so is its deviation.
    deviation = np.sqrt(np.maximum(np.diag(spread), 0.0))
    scale = np.where(deviation > 1e-6 * np.sqrt(np.diag(covariance).max()), deviation, np.inf)
    return Differences(
        difference,
        INTERVAL * np.sqrt(np.diag(covariance)),
        float(share @ difference),
        INTERVAL * float(np.sqrt(share @ covariance @ share)),
        (contrasts @ difference) / scale,
        _critical(spread / np.outer(scale, scale)),
    )


def _critical(correlation: FloatArray) -> float:
    """What the largest of normal deviates with this correlation, in absolute value, stays below 95 % of the time."""
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = np.random.default_rng(_SEED).standard_normal((_DRAWS, len(root)))
    return float(np.quantile(np.abs(drawn @ root.T).max(axis=1), SHARE))
