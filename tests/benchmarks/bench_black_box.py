"""What general black-box search reaches on the search's own problem: the same objective, the same rules, 60 s each.

Optuna's CMA-ES (its separable kind, for the full one tries few tables of so many numbers in a minute) and TPE choose a
label for both cams of each of 16 x 16 cells, those locked at rest left out. Both begin with all cells at rest, which
keeps the rules. A table that fails a rule scores less by how much it breaks it, so that they are led towards tables
that keep the rules; only those count. Held to: no score above the bound or our tables. How far each comes is printed,
with how many tables it tried and kept, and the least by which another broke a rule.
"""

import sys
import time
import warnings

import numpy as np
import optuna
from bench_search import invented

from phaseopt.search import Box, solve
from phaseopt.search.polish import score
from phaseopt.search.problem import Instance, prepare

SECONDS = 60.0
BROKEN = 1000.0  # N·m taken off for each label step of a broken rule


def main() -> int:
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    warnings.filterwarnings("ignore")
    problem = invented(1, 16, 1.0)
    box = Box(0, problem.intake.size - 1, 0, problem.exhaust.size - 1)
    solve(problem, [box])
    begin = time.perf_counter()
    found = solve(problem, [box])
    print(
        f"ours: {found.value:.3f} N·m of at most {found.bound:.3f} in {time.perf_counter() - begin:.2f} s", flush=True
    )
    instance = prepare(problem, box)
    at_rest = np.tile([0, problem.exhaust.size - 1], (16, 16, 1))
    rest = score(instance, at_rest)
    print(f"all at rest: {rest:.3f} N·m; best fixed timing "
          f"(the lock's ramp not asked of it): {found.fixed.value if found.fixed else np.nan:.3f} N·m")  # fmt: skip
    held = True
    for name, sampler in (
        ("CMA-ES", optuna.samplers.CmaEsSampler(seed=1, use_separable_cma=True, x0=numbers_of(at_rest, instance))),
        ("TPE", optuna.samplers.TPESampler(seed=1, multivariate=False)),
    ):
        best, kept, tried, least = tried_by(sampler, instance, at_rest)
        print(
            f"{name}: {best:.3f} N·m in {SECONDS:.0f} s; {kept} of {tried} tables kept the rules; the best of the "
            f"others broke them by {least:.0f} label steps in all",
            flush=True,
        )
        held &= best <= min(found.bound, found.value)
    print(f"neither beats ours: {held}")
    return 0 if held else 1


def numbers_of(table: np.ndarray, instance: Instance) -> dict[str, int]:
    """A table as the numbers that a sampler chooses: both labels of each cell that has a choice."""
    free = np.isfinite(instance.objective).sum(axis=(2, 3)) > 1
    return {
        f"{cam} {r} {k}": int(table[r, k, at])
        for r, k in np.argwhere(free)
        for at, cam in enumerate(("intake", "exhaust"))
    }


def tried_by(
    sampler: optuna.samplers.BaseSampler, instance: Instance, at_rest: np.ndarray
) -> tuple[float, int, int, float]:
    """The best score of tables that keep every rule, how many do, how many were tried, and the fewest steps broken."""
    labels = instance.objective.shape[2:]
    best, kept, least = -np.inf, 0, np.inf
    places = {key: tuple(int(x) for x in key.split()[1:]) for key in numbers_of(at_rest, instance)}

    def objective(trial: optuna.Trial) -> float:
        nonlocal best, kept, least
        table = at_rest.copy()
        for key, (r, k) in places.items():
            cam = int(key.startswith("exhaust"))
            table[r, k, cam] = trial.suggest_int(key, 0, labels[cam] - 1)
        value = score(instance, table)
        if np.isfinite(value):
            best, kept = max(best, value), kept + 1
            return value
        broken = steps_broken(instance, table)
        least = min(least, broken)
        return -BROKEN * broken

    study = optuna.create_study(direction="maximize", sampler=sampler)
    study.enqueue_trial(numbers_of(at_rest, instance))
    study.optimize(objective, timeout=SECONDS)
    return best, kept, len(study.trials), least


def steps_broken(instance: Instance, table: np.ndarray) -> float:
    """Label steps by which a table breaks the caps along speed, and from a label that a cell may take."""
    change = np.diff(table, axis=0)
    low, high = instance.speed.window[:, None, 0::2], instance.speed.window[:, None, 1::2]
    over = np.maximum(low - change, 0) + np.maximum(change - high, 0)
    rows, columns = np.indices(table.shape[:2])
    barred = ~np.isfinite(instance.objective[rows, columns, table[..., 0], table[..., 1]])
    return float(over.sum() + 10 * barred.sum())


if __name__ == "__main__":
    sys.exit(main())
