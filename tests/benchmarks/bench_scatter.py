"""Standard errors of a sweep's points against the true ones, over many dyno days.

Each day is twelve sweeps of a known curve with waves, noise with memory and without. Printed for each
kind of day: the share of points whose torque lies within 1.96 stated standard errors, and stated over true error,
both over all days, with the least and most of single days. To reach, over all days but the last kind: 90 to 97 %
within, and 0.8 to 1.2. In the last kind noise lasts longer than a bin, which no pull can tell from torque: shown, not
judged.
"""

import sys

import numpy as np
from scipy.signal import lfilter

from phaseopt.torque.curve import sweep_means, sweep_of
from phaseopt.torque.stretches import group_means, sweep_groups

DAYS, SWEEPS, WIDTH = 10, 12, 250.0
# rpm/s, rows a second, memory s, its deviation and that of new noise N m, height N m and length rpm of the waves
KINDS = [
    (300.0, 20.0, 0.0, 2.0, 0.5, 0.0, 1000.0),
    (300.0, 20.0, 0.1, 2.0, 0.5, 5.0, 1000.0),
    (300.0, 50.0, 0.2, 2.0, 1.0, 5.0, 1200.0),
    (200.0, 100.0, 0.3, 2.0, 1.0, 5.0, 1500.0),
    (500.0, 100.0, 0.1, 2.0, 1.0, 4.0, 1100.0),
    (150.0, 20.0, 0.3, 2.0, 0.5, 4.0, 1000.0),
    (340.0, 20.0, 0.5, 1.3, 1.1, 3.0, 2000.0),
    (300.0, 50.0, 2.0, 1.5, 0.5, 5.0, 1200.0),
]


def true(rpm: np.ndarray, height: float, length: float) -> np.ndarray:
    """Known torque: broad, with a dip and waves."""
    dip = 8.0 * np.exp(-(((rpm - 4200.0) / 350.0) ** 2))
    return np.asarray(160.0 + 25.0 * np.sin(rpm / 1500.0) - dip + height * np.sin(2 * np.pi * rpm / length))


def day(kind: tuple[float, ...], seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Torque found less the true, and the stated error, of all points of a day."""
    rate, hertz, memory, slow, new, height, length = kind
    rng, made = np.random.default_rng(seed), []
    for _ in range(SWEEPS):
        rows = int(5000 / rate * hertz)
        rpm = 1500 + rate * np.arange(rows) / hertz + rng.normal(0, 3, rows)
        keep = np.exp(-1 / (memory * hertz)) if memory else 0.0
        steps = rng.normal(0, slow * np.sqrt(1 - keep**2), rows)
        steps[0] = rng.normal(0, slow)
        noise = lfilter([1.0], [1.0, -keep], steps) + rng.normal(0, new, rows)
        group, segment = sweep_groups(rpm, np.ones(rows, dtype=bool), np.zeros(rows, dtype=np.int64), WIDTH)
        torque = true(rpm, height, length) + noise
        made.append((sweep_of(torque, rpm, group, segment, WIDTH, 1 / hertz), group_means(rpm, group)[0]))
    means = sweep_means([sweep for sweep, _ in made])
    found = [mean.torque - true(at, height, length) for mean, (_, at) in zip(means, made, strict=True)]
    return np.concatenate(found), np.concatenate([mean.error for mean in means])


def main() -> int:
    missed = 0
    print("rpm/s  Hz memory s   waves N m  within 1.96 (single days)   stated / true (single days)")
    for kind in KINDS:
        days = [day(kind, seed) for seed in range(DAYS)]
        within = [float(np.mean(np.abs(found) < 1.96 * stated)) for found, stated in days]
        ratio = [float(np.sqrt(np.mean(stated**2) / np.mean(found**2))) for found, stated in days]
        found, stated = (np.concatenate(part) for part in zip(*days, strict=True))
        share = float(np.mean(np.abs(found) < 1.96 * stated))
        over = float(np.sqrt(np.mean(stated**2) / np.mean(found**2)))
        judged = kind is not KINDS[-1]
        well = (0.90 <= share <= 0.97 and 0.8 <= over <= 1.2) or not judged
        missed += not well
        print(
            f"{kind[0]:5.0f} {kind[1]:3.0f} {kind[2]:8.1f} {kind[5]:5.0f}/{kind[6]:.0f}"
            f"     {share:.3f} ({min(within):.2f}-{max(within):.2f})"
            f"      {over:.2f} ({min(ratio):.2f}-{max(ratio):.2f})"
            f"  {'ok' if well and judged else 'MISSED' if judged else 'not judged'}",
            flush=True,
        )
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
