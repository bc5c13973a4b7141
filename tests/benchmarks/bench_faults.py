"""What `reduce` finds on dyno days of engines that are none of ours: planted faults, good pulls accused, lags.

    python tests/benchmarks/bench_faults.py [--engines held-out|others|all] [--share 1.0] [--before FOLDER]

Days are made by `tests/outside/dyno_days.py`. A pull counts as named where its name is in what `reduce` says to look at
first, or in the message with which the day is refused; as accused where it is good. `--before` names a checkout of an
older version, judged on the same days in the same run. `--share` judges fewer days, for a quick look.

Bars: 200 faults of ten kinds, 70 % of each and 90 % of all named; of 500 good pulls 2 % accused; 300 days without lag:
0 outside the 95 % interval on 8 %, none shifted by more than 0.1 s; 300 with one: inside the interval on 90 to 98 % of
those that state one. Wrong input (another engine, power, weather, corrected twice) is counted by itself.
"""

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))
sys.path.insert(0, str(Path(__file__).parent))

PULLS, LAG_PULLS = 10, 6


def write_day(day: Any, folder: Path) -> Any:
    """A day as a project; keys that the judged version does not know are left out."""
    from engines import project_of
    from outside.dyno_days import TRAVEL

    from phaseopt.project.logs import LogColumns

    engine = day.engine
    columns = {
        "time": "t_ms", "rpm": "N", "torque": "TRQ", "load": "MAP", "throttle": "TPS", "air_temperature": "IAT",
        "intake_phase": "CAMI", "exhaust_phase": "CAME",
    }  # fmt: skip
    if day.lambda_logged:
        columns["mixture"] = "LAM"
    if "spark" in LogColumns.model_fields:
        columns["spark"] = "SPK"
    top = engine.speeds[-1]
    moves = {"slew": {"advance": 100.0, "retard": 100.0}}
    stated = {"corrected": True} if day.inertia is None else {"engine_inertia": day.inertia}
    pulls = []
    for pull in day.pulls:
        p, t, h = pull.weather
        weather = {"pressure": round(p, 2), "temperature": round(t, 1), "humidity": round(h, 2)}
        pulls.append({"kind": "sweep", "name": pull.name, "files": [f"{pull.name}.csv"], "weather": weather})
    return project_of(
        folder,
        {f"{pull.name}.csv": pull.text(day.lambda_logged) for pull in day.pulls},
        cylinders=engine.cylinders,
        crank={"bore": engine.bore, "stroke": engine.stroke, "rod": engine.rod, "redline": top, "overspeed": top + 800},
        intake={"centreline": 128.0, "offset": 0.0, "phaser": {"travel": [0.0, TRAVEL], **moves}},
        exhaust={"centreline": 128.0, "offset": 0.0, "phaser": {"travel": [-TRAVEL, 0.0], **moves}},
        tables={"rpm": [round(1000.0 + k * (top - 1000) / 6) for k in range(7)], "load": [40, 70, 100]},
        torque={
            "correction": "SAE J1349", "columns": columns, "full_throttle": {"throttle_above": 95},
            "units": {"torque": "lbf ft", "time": "ms"},
            "phases": {"intake": {"sign": 1, "zero": 0.0, "in": "cam deg"},
                       "exhaust": {"sign": -1, "zero": 5.0, "in": "crank deg"}},
            "dyno": {"at": "flywheel", **stated},
            "pulls": pulls,
        },
    )  # fmt: skip


def judged(task: dict[str, Any]) -> dict[str, Any]:
    """One day by the version of phaseopt on the path."""
    from outside.dyno_days import make_day, plant

    import phaseopt.torque_model as models
    from phaseopt.torque import reduce_logs
    from phaseopt.values.errors import InputError

    logged_day = getattr(models, "read_logged_day", None) or models.read_day  # as it is called now, and as it was
    day = make_day(task["engine"], task["seed"], task["lag"], LAG_PULLS if task["what"] == "lag" else PULLS)
    if task["fault"]:
        day = plant(day, task["fault"], task["seed"])
    with tempfile.TemporaryDirectory() as folder:
        project = write_day(day, Path(folder))
        names = [pull.name for pull in day.pulls]
        try:
            if task["what"] == "lag":
                reduction = reduce_logs(project)
                return task | {"lag": day.lag, "found": lag_found(reduction)}
            from phaseopt.report.subjects.reduce import look_first

            lines = look_first(logged_day(project))
        except Exception as error:  # a traceback names nothing
            lines = [str(error)] if isinstance(error, InputError) else []
            if not isinstance(error, InputError):
                print(task, repr(error), file=sys.stderr)
            if task["what"] == "lag":
                return task | {"lag": day.lag, "found": None, "lines": lines}
    found = [name for name in names if any(name in line for line in lines)]
    return task | {"faulty": day.faulty, "named": found, "lines": lines, "kinds": {p.name: p.kind for p in day.pulls}}


def lag_found(reduction: Any) -> dict[str, Any]:
    """Intervals and shifts, of the day or, in versions that look at each pull, of each."""
    lag = getattr(reduction, "lag", None)
    if lag is not None:
        return {"intervals": [[lag.least, lag.most]] if lag.known else [], "applied": [lag.applied]}
    late = re.compile(r"torque is logged (\d.\d+) s late \((-?\d.\d+) to (-?\d.\d+)\)")
    found = [late.search(note) for note in reduction.notes]
    three = [[float(each) for each in one.groups()] for one in found if one]
    return {"intervals": [each[1:] for each in three], "applied": [each[0] for each in three]}


def tasks(which: str, share: float) -> list[dict[str, Any]]:
    """All days to judge."""
    from outside.dyno_days import FAULTS, WRONG_INPUT, engines, held_out

    names = [n for n in engines() if which == "all" or held_out(n) == (which == "held-out")]
    made: list[dict[str, Any]] = []

    def add(what: str, count: int, fault: str = "", lag: float | None = None) -> None:
        for _ in range(max(1, round(count * share))):
            seed = len(made)
            drawn = 0.05 + 0.65 * ((seed * 0.618) % 1.0) if lag == -1.0 else lag
            name = names[(seed * 7) % len(names)]
            made.append({"what": what, "engine": name, "seed": seed, "fault": fault, "lag": drawn})

    add("good", 50)
    for fault in FAULTS:
        add("fault", 20, fault)
    for fault in WRONG_INPUT:
        add("wrong input", 10, fault)
    add("lag", 300, lag=0.0)
    add("lag", 300, lag=-1.0)
    return made


def run(tree: Path, todo: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Judge by the version in a tree, in two processes."""
    environment = os.environ | {"PYTHONPATH": f"{tree}:{ROOT / 'tests'}", "PHASEOPT_BENCH_WORKER": "1"}

    def worker(part: list[dict[str, Any]]) -> list[dict[str, Any]]:
        done = subprocess.run(
            [sys.executable, __file__],
            input=json.dumps(part),
            capture_output=True,
            text=True,
            env=environment,
            cwd=tree,
        )
        if done.returncode:
            raise RuntimeError(done.stderr[-3000:])
        print(done.stderr, end="", file=sys.stderr, flush=True)
        return [json.loads(line) for line in done.stdout.splitlines()]

    with ThreadPoolExecutor(2) as pool:
        return [each for part in pool.map(worker, [todo[0::2], todo[1::2]]) for each in part]


def figures(found: list[dict[str, Any]]) -> dict[str, float]:
    """What is judged, by name."""
    result: dict[str, float] = {}
    kinds, accused, beside = defaultdict(list), [], []
    for one in found:
        if one["what"] == "lag":
            continue
        good = [name for name in one["kinds"] if name != one["faulty"]]
        (accused if one["what"] == "good" else beside).extend(name in one["named"] for name in good)
        if one["fault"]:
            kinds[one["fault"]].append(one["faulty"] in one["named"])
    ten = [
        hit
        for fault, hits in kinds.items()
        for hit in hits
        if any(o["fault"] == fault and o["what"] == "fault" for o in found)
    ]
    result |= {f"{fault}, % named of {len(hits)}": 100 * sum(hits) / len(hits) for fault, hits in kinds.items()}
    result[f"ten kinds, % named of {len(ten)}"] = 100 * sum(ten) / max(1, len(ten))
    result[f"good pulls, % accused of {len(accused)}"] = 100 * sum(accused) / max(1, len(accused))
    result[f"good pulls beside a fault, % named of {len(beside)}"] = 100 * sum(beside) / max(1, len(beside))
    for true in (False, True):
        days = [o for o in found if o["what"] == "lag" and (o["lag"] > 0) == true and o["found"] is not None]
        many = len(days)
        held = [lo <= o["lag"] <= hi for o in days for lo, hi in o["found"]["intervals"]]
        days_missed = sum(any(not lo <= o["lag"] <= hi for lo, hi in o["found"]["intervals"]) for o in days)
        word = "days with a lag" if true else "days without lag"
        result[f"{word}: % with an interval of {many}"] = (
            100 * sum(bool(o["found"]["intervals"]) for o in days) / max(1, many)
        )
        result[f"{word}: % whose interval misses it"] = 100 * days_missed / max(1, many)
        result[f"{word}: % of {len(held)} intervals that hold it"] = 100 * sum(held) / max(1, len(held))
        result[f"{word}: most applied, s"] = max((a for o in days for a in o["found"]["applied"]), default=0.0)
        widths = sorted(hi - lo for o in days for lo, hi in o["found"]["intervals"])
        result[f"{word}: middle width, s"] = widths[len(widths) // 2] if widths else 0.0
    return result


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--engines", default="all", choices=["all", "others", "held-out"])
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--before", type=Path)
    parser.add_argument("--only", default="", help="good, fault, wrong input, lag, or part of the name of a fault")
    parser.add_argument("--say", action="store_true", help="print what was missed and who was accused")
    asked = parser.parse_args()
    todo = [
        t
        for t in tasks(asked.engines, asked.share)
        if asked.only in t["what"] or (asked.only and asked.only in t["fault"])
    ]
    after = run(ROOT, todo)
    if asked.say:
        for one in after:
            if one["what"] == "lag":
                print(one)
            elif (one["fault"] and one["faulty"] not in one["named"]) or set(one["named"]) - {one["faulty"]}:
                print(
                    one["fault"] or "good", one["engine"], one["seed"], "faulty", one["faulty"], "named", one["named"]
                )
                print("    ", *one["lines"], sep="\n     ")
    sides = [figures(after)] if asked.before is None else [figures(run(asked.before.resolve(), todo)), figures(after)]
    keys = list(dict.fromkeys(key for side in reversed(sides) for key in side))
    print(f"{'':62}{'before':>9}{'now':>9}" if len(sides) == 2 else "")
    for key in keys:
        print(f"{key:62}" + "".join(f"{side[key]:9.2f}" if key in side else f"{'-':>9}" for side in sides))
    last, missed = sides[-1], []
    for key, value in last.items():
        if "% named of" in key and "good" not in key:
            missed += [key] if value < (90 if key.startswith("ten") else 70) else []
        if ("accused" in key and value > 2) or ("without lag: % whose" in key and value > 8):
            missed.append(key)
        if ("without lag: most applied" in key and value > 0.1) or (
            "with a lag: % of" in key and not 90 <= value <= 98
        ):
            missed.append(key)
    print("\n".join(f"MISSED: {key}" for key in missed) or "all bars reached")
    return 1 if missed else 0


if __name__ == "__main__":
    if os.environ.get("PHASEOPT_BENCH_WORKER"):
        for each in json.loads(sys.stdin.read()):
            print(json.dumps(judged(each)), flush=True)
        sys.exit(0)
    sys.exit(main())
