"""Which combinations are tried further, on invented torque whose best is known."""

from dataclasses import replace

import numpy as np

from phaseopt.study.parts.order import audit, finalists, next_tasks, promising
from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Outcome

PLAIN = Outcome(
    COARSE, 0.0, np.array([3e3, 5e3]), np.zeros(2), np.zeros(2), np.zeros(2), np.zeros((2, 2)), (0.0, 0.0),
    {"intake_piston": 1.0}, {"intake_piston": 2.0}, 0.2, "", {}, {},
)  # fmt: skip


def outcome(level: int, torque: float) -> Outcome:
    return replace(PLAIN, level=level, torque=torque)


def run(true: dict[str, float], hidden: dict[str, float], refused: tuple[str, ...] = ()) -> dict:
    """Every task done until none is left: coarse torque is the true one plus what is hidden."""
    results: dict[str, dict[int, Outcome | None]] = {}
    while tasks := next_tasks(list(true), results, "now"):
        for key, level in tasks:
            assert level not in results.get(key, {}), "done twice"
            torque = true[key] + (hidden[key] if level == COARSE else 0.0)
            found = None if key in refused and level == WHOLE else outcome(level, torque)
            results.setdefault(key, {})[level] = found
    return results


def engines(count: int, error: float, seed: int) -> tuple[dict[str, float], dict[str, float]]:
    random = np.random.default_rng(seed)
    keys = ["now", *(f"c{k}" for k in range(1, count))]
    true = dict(zip(keys, random.normal(150.0, 4.0, count).tolist(), strict=True))
    return true, dict(zip(keys, random.normal(1.0, error, count).tolist(), strict=True))


def test_the_best_is_found_though_the_coarse_level_hides_some_of_it() -> None:
    found = 0
    for seed in range(40):
        true, hidden = engines(48, 1.5, seed)
        results = run(true, hidden)
        best = max(true, key=lambda key: true[key])
        found += results[best].get(WHOLE) is not None
    assert found >= 39


def test_few_are_tried_finely_where_the_coarse_level_is_right() -> None:
    true, hidden = engines(48, 0.05, 0)
    fine = [key for key, levels in run(true, hidden).items() if FINE in levels]
    assert len(fine) < 20


def test_the_present_engine_is_always_tried_whole() -> None:
    true, hidden = engines(48, 0.5, 3)
    true["now"] = min(true.values()) - 5.0
    assert run(true, hidden)["now"][WHOLE] is not None


def test_one_refused_at_last_makes_room_for_the_next() -> None:
    true, hidden = engines(20, 0.1, 1)
    best = max((key for key in true if key != "now"), key=lambda key: true[key])
    results = run(true, hidden, refused=(best,))
    assert best not in finalists(list(true), results, "now")
    assert sum(levels.get(WHOLE) is not None for levels in results.values()) >= 6


def test_a_tenth_of_those_left_behind_is_tried_all_the_same() -> None:
    true, hidden = engines(60, 0.05, 2)
    results = run(true, hidden)
    found = audit(list(true), results)
    assert found.tried >= 0.1 * found.left_behind > 0
    assert found.surprise < 0.0


def test_one_that_the_audit_finds_better_comes_to_the_end() -> None:
    true, hidden = engines(60, 0.05, 2)
    left = promising(list(true), {k: {COARSE: outcome(COARSE, true[k])} for k in true}, "now")
    audited = left[-2]
    true[audited] += 30.0
    hidden[audited] -= 30.0  # which the coarse level does not see
    results = run(true, hidden)
    assert results[audited].get(WHOLE) is not None
