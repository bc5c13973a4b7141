"""A day on the live page, as loggers, people and power cuts make it: no log lost or taken twice, both pages right.

Twenty logs of the engine of `tests/outside/engine` (those of `examples/dirty_day`, and nine more by its generator) come
into the folder in five forms: copied at once, appended slowly, renamed into place, locked while it is there (a lease:
whoever opens it is refused), and with half a line that is ended later. Two pages are open in Chromium all day, one is
loaded again in the middle. The server is killed with SIGKILL at twenty moments. Once the disk is full: the server's
`RLIMIT_FSIZE` is set to one byte, and a change is refused, nothing half-written. Held to: both pages and a view that
finds all files at once show the same; each log once; the project's bytes as they were; `phaseopt build` of it gives the
bytes of a build that had all logs from the start.

Then, on the simulation of the hill-climb example, the seconds from a log's last byte to its verdict and to the next
plan, the pulls before it at least twelve. The first calibration takes minutes and is not timed.

    python tests/benchmarks/bench_live_day.py [--day] [--simulated] [--lose]

`--lose` takes one log away at the end: the bench must fail then.
"""

import fcntl
import importlib.util
import json
import os
import resource
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests")]

import httpx  # noqa: E402
import numpy as np  # noqa: E402
import tomlkit  # noqa: E402
from browser import launched  # noqa: E402
from figures import Figure, report  # noqa: E402
from live.served import Served, served  # noqa: E402

from phaseopt.live.day import DayView  # noqa: E402
from phaseopt.live.watch import PATIENCE, Watch  # noqa: E402

LOGS, KILLS = 20, 20
FORMS = ("copied at once", "appended slowly", "renamed into place", "locked", "half a line")
WAIT = 180.0  # s, after which something that should have come has not


def day_logs(folder: Path) -> dict[str, bytes]:
    """The example's logs, and more of the same engine on the same dyno."""
    place = ROOT / "examples" / "dirty_day" / "generate.py"
    spec = importlib.util.spec_from_file_location("dirty_day", place)
    assert spec is not None and spec.loader is not None  # noqa: PT018
    made = importlib.util.module_from_spec(spec)
    sys.modules["dirty_day"] = made
    spec.loader.exec_module(made)
    found = {log.name: log.read_bytes() for log in sorted((place.parent / "dyno").iterdir())}
    asked = [("first", k) for k in range(1, 5)] + [("", 0)] + [("second", k) for k in range(1, 4)] + [("", 0)]
    engine = made.engine()
    for number, (sheet, pull) in enumerate(asked, len(found) + 1):
        planned = made.Planned(f"{number:02d}", 15.5 + 0.15 * (number - 11), sheet, pull)
        log = folder / f"{planned.name}.txt"
        made.write_log(log, planned, made.make(planned, engine))
        found[log.name] = log.read_bytes()
    assert len(found) == LOGS
    return found


@contextmanager
def locked(log: Path) -> Iterator[None]:
    """A lease on a file: who opens it without waiting is refused, also root."""
    handle = os.open(log, os.O_RDONLY)
    try:
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_WRLCK)
        yield
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    finally:
        os.close(handle)


def arrive(form: str, log: Path, content: bytes) -> None:
    """Bring a log into its folder."""
    if form == "appended slowly":
        for part in np.array_split(np.frombuffer(content, np.uint8), 6):
            with log.open("ab") as file:
                file.write(part.tobytes())
            time.sleep(0.6)
    elif form == "renamed into place":
        part = log.with_name(f"{log.name}.part")
        part.write_bytes(content)
        time.sleep(2.5)
        part.rename(log)
    elif form == "locked":
        log.write_bytes(content)
        with locked(log):
            time.sleep(5.0)
    elif form == "half a line":
        log.write_bytes(content[:-7])
        time.sleep(PATIENCE - 2.0)
        with log.open("ab") as file:
            file.write(content[-7:])
    else:
        log.write_bytes(content)


class Server:
    """A server that is killed and begun again at one address, with the sessions that it had."""

    def __init__(self, project: Path, state: Path) -> None:
        self.project, self.state = project, state
        self.cookies: httpx.Cookies | None = None
        self._port = 0
        self._begin()

    def _begin(self) -> None:
        self._context = served(self.project, self.state, self._port, self.cookies)
        self.now: Served = self._context.__enter__()
        self.cookies, self._port = self.now.client.cookies, int(self.now.home.rpartition(":")[2])

    def kill(self) -> None:
        self.now.process.send_signal(signal.SIGKILL)
        self.close()
        self._begin()

    def close(self) -> None:
        self._context.__exit__(None, None, None)

    def parts(self) -> dict[str, Any]:
        try:
            return {each["name"]: each for each in self.now.client.get("/parts").json()}
        except httpx.TransportError:
            return {}

    def until(self, found: Callable[[dict[str, Any]], bool]) -> tuple[dict[str, Any], float]:
        """The parts once they are as asked for, and when that was."""
        until = time.perf_counter() + WAIT
        while time.perf_counter() < until:
            parts = self.parts()
            if parts and found(parts):
                return parts, time.perf_counter()
            time.sleep(0.05)
        raise AssertionError(f"never came: { ({name: (p['stale'], p['facts']) for name, p in self.parts().items()}) }")


def planned_for(pulls: int) -> Callable[[dict[str, Any]], bool]:
    """Whether the page shows the plan after so many pulls, and what the last one added."""

    def found(parts: dict[str, Any]) -> bool:
        ready = all(name in parts and not parts[name]["stale"] for name in ("pulls", "pull", "next", "gain"))
        return ready and parts["next"]["facts"].get("number") == pulls + 1 and bool(parts["pull"]["facts"].get("added"))

    return found


def full_disk(server: Server, names: str) -> bool:
    """Whether a change on a full disk is refused whole, and the same change later is made and taken back."""
    project, process = server.project, server.now.process.pid
    before, client = project.read_bytes(), server.now.client
    size = resource.prlimit(process, resource.RLIMIT_FSIZE)
    resource.prlimit(process, resource.RLIMIT_FSIZE, (1, size[1]))
    refused = client.post("/do/leave_out", json={"names": names})
    note = client.post("/do/note", json={"names": names, "note": "hot"})
    resource.prlimit(process, resource.RLIMIT_FSIZE, size)
    good = refused.status_code == note.status_code == 400 and project.read_bytes() == before
    good &= client.post("/do/leave_out", json={"names": names}).status_code == 200
    good &= client.post("/do/note", json={"names": names, "note": "hot"}).status_code == 200
    good &= client.post("/do/undo", json={}).status_code == 200
    return good and project.read_bytes() == before


def seen_at_once(project: Path) -> dict[str, Any]:
    """What a view shows that finds all files as they are."""
    now, found = [0.0], dict[str, Any]()
    watch = Watch(project, lambda: now[0])
    watch.scan()
    now[0] = PATIENCE
    DayView(project, frozenset()).look(
        lambda name, html, facts: found.update({name: json.loads(json.dumps(facts))}),
        lambda log: None,
        lambda share, text: None,
        watch.scan().complete,
    )
    return found


def built(project: Path) -> dict[str, bytes]:
    """The files of a build."""
    out = project.parent / "out"
    command = [sys.executable, "-m", "phaseopt", "build", str(project), "--out", str(out)]
    subprocess.run(command, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return {str(file.relative_to(out)): file.read_bytes() for file in sorted(out.rglob("*")) if file.is_file()}


def a_day(lose: bool) -> list[Figure]:
    """Twenty logs, twenty kills, two pages, a full disk."""
    signal.signal(signal.SIGIO, signal.SIG_IGN)  # what a lease is broken with
    rng = np.random.default_rng(11)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        logs = day_logs(folder)
        for place in ("live", "whole"):
            shutil.copytree(ROOT / "examples" / "dirty_day", folder / place / "day")
            shutil.rmtree(folder / place / "day" / "dyno")
            (folder / place / "day" / "dyno").mkdir()
        project, whole = (folder / place / "day" / "project.toml" for place in ("live", "whole"))
        for log, content in logs.items():
            (whole.parent / "dyno" / log).write_bytes(content)
        text = project.read_bytes()
        kills = sorted(rng.permutation(LOGS * 3)[:KILLS].tolist())  # of three moments for each log
        server = Server(project, folder / "state")
        full = False
        with launched() as browser:
            pages = []
            for _ in range(2):
                context = browser.new_context()
                assert server.cookies is not None
                jar = [{"name": c.name, "value": c.value or "", "url": server.now.home} for c in server.cookies.jar]
                context.add_cookies(jar)  # type: ignore[arg-type]
                pages.append(context.new_page())
                pages[-1].goto(f"{server.now.home}/#day")
            done = 0
            for number, (log, content) in enumerate(logs.items()):
                moments = [k for k in kills if k // 3 == number]
                for moment in (k for k in moments if k % 3 == 0):
                    server.kill()
                    done += moment >= 0
                form = FORMS[number % len(FORMS)]
                arrive(form, project.parent / "dyno" / log, content)
                for moment in (k for k in moments if k % 3):
                    time.sleep(float(rng.uniform(0.0, 4.0)))  # while it waits, is read, or is planned after
                    server.kill()
                    done += moment >= 0
                if number == LOGS // 2:
                    full = full_disk(server, json.dumps([f"dyno/{log}"]))
                    pages[0].reload()
                print(f"{log} {form}, {len(moments)} kills", flush=True)
            if lose:
                (project.parent / "dyno" / "07.txt").unlink()
            parts, _ = server.until(planned_for(LOGS - lose))
            shown = []
            for page in pages:
                page.wait_for_function("n => document.querySelectorAll('#day .rows li').length === n", arg=LOGS - lose)
                page.wait_for_function("!document.querySelector('#day .stale') && !document.body.matches('.out')")
                shown.append([page.locator(f"[data-part={each}]").inner_text() for each in ("pulls", "pull", "next")])
        server.close()
        at_once = seen_at_once(whole)
        names = [pull["log"] for pull in parts["pulls"]["facts"]["pulls"]]
        notes = [{**pull, "note": ""} for pull in parts["pulls"]["facts"]["pulls"]]
        same = notes == at_once["pulls"]["pulls"] and all(
            parts[each]["facts"] == at_once[each] for each in ("gain", "next")
        )
        keys = tomlkit.parse(project.read_text(encoding="utf-8")).unwrap()
        intact = project.read_bytes() == text and keys == tomlkit.parse(text.decode()).unwrap()
        built_alike = built(project) == (other := built(whole)) and bool(other)
    return [
        Figure("logs that came", LOGS, at_least=LOGS),
        Figure("servers killed", done, at_least=KILLS),
        Figure("logs lost", len({log.removesuffix(".txt") for log in logs} - set(names)), at_most=0),
        Figure("logs taken twice", len(names) - len(set(names)), at_most=0),
        Figure("both pages show the same", float(shown[0] == shown[1]), at_least=1),
        Figure("and what a view of all files at once shows", float(same), at_least=1),
        Figure("a full disk: refused whole, then made and taken back", float(full), at_least=1),
        Figure("the project as it was", float(intact), at_least=1),
        Figure("a build of it: the bytes of one with all logs from the start", float(built_alike), at_least=1),
    ]


def on_a_simulation() -> list[Figure]:
    """Seconds from the last byte of a log, at least twelve pulls before it."""
    verdicts, plans = [], []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("examples", "maps"):
            shutil.copytree(ROOT / part, folder / part)
        project = folder / "examples" / "hillclimb" / "project.toml"
        later = sorted((project.parent / "dyno").glob("sweep-*.csv"))[6:]
        contents = [log.read_bytes() for log in later]
        for log in later:
            log.unlink()
        server = Server(project, folder / "state")
        begun = time.perf_counter()
        global WAIT
        WAIT = 3600.0
        pulls = 12
        server.until(planned_for(pulls))
        print(f"the morning's calibration and grid: {time.perf_counter() - begun:.0f} s", flush=True)
        for log, content in zip(later, contents, strict=True):
            log.write_bytes(content)
            written = time.perf_counter()
            pulls += 1

            def judged(parts: dict[str, Any], name: str = log.stem) -> bool:
                listed = {pull["log"]: pull["verdict"] for pull in parts["pulls"]["facts"].get("pulls", [])}
                return listed.get(name) in ("KEEP", "REPEAT")

            def planned(parts: dict[str, Any], number: int = pulls + 1) -> bool:
                return not parts["next"]["stale"] and parts["next"]["facts"].get("number") == number

            _, verdict = server.until(judged)
            _, plan = server.until(planned)
            verdicts.append(verdict - written)
            plans.append(plan - written)
            print(f"{log.name}: verdict {verdicts[-1]:.2f} s, next plan {plans[-1]:.2f} s", flush=True)
            server.until(planned_for(pulls))
        server.close()
    return [
        Figure("last byte to verdict, median", statistics.median(verdicts), "s"),
        Figure("last byte to verdict, worst", max(verdicts), "s", at_most=4.0),  # two to be complete, two to judge
        Figure("last byte to the next plan, median", statistics.median(plans), "s"),
        Figure("last byte to the next plan, worst", max(plans), "s", at_most=10.0),
    ]


def main() -> int:
    asked = {each for each in ("--day", "--simulated") if each in sys.argv} or {"--day", "--simulated"}
    figures = a_day("--lose" in sys.argv) if "--day" in asked else []
    figures += on_a_simulation() if "--simulated" in asked else []
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
