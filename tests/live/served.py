"""The live page as a user starts it: `phaseopt live` in a process of its own, and a browser's side of it."""

import asyncio
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Coroutine, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
from hillclimb import ROOT

PROGRAM = (sys.executable, "-m", "phaseopt", "live")
WITHIN = 100.0  # seconds after which a test gives up; nothing takes a fraction of it on a quiet machine


@dataclass
class Served:
    """A server that runs, and a browser that it let in."""

    process: subprocess.Popen[str]
    home: str
    client: httpx.Client

    def post(self, path: str, **body: Any) -> httpx.Response:
        """What the page posts."""
        return self.client.post(path, json=body)

    def events(self) -> Iterator[list[dict[str, Any]]]:
        """Parts as the page's stream brings them, for so long as a test may wait."""
        until = time.monotonic() + WITHIN
        with self.client.stream("GET", "/events") as answer:
            assert answer.status_code == 200
            for line in answer.iter_lines():
                assert time.monotonic() < until
                if line.startswith("data: "):
                    yield json.loads(line.removeprefix("data: "))

    def until(self, found: Callable[[dict[str, dict[str, Any]]], Any]) -> dict[str, dict[str, Any]]:
        """Follow the stream until the page's parts, by name, are as asked for."""
        parts: dict[str, dict[str, Any]] = {}
        for sent in self.events():
            parts |= {each["name"]: each for each in sent}
            if found(parts):
                return parts
        raise AssertionError(f"the stream ended with {sorted(parts)}")

    @property
    def children(self) -> list[int]:
        """Processes that the server started, by number; Linux."""
        number = self.process.pid
        return [int(each) for each in Path(f"/proc/{number}/task/{number}/children").read_text().split()]


@contextmanager
def served(
    place: Path,
    state: Path,
    port: int = 0,
    cookies: httpx.Cookies | None = None,
    command: Sequence[str] = PROGRAM,
) -> Iterator[Served]:
    """Start a server of a project or folder, and let a browser in, with cookies that it has from before or by the
    address that is printed. Parameters: `state`, a folder for what the server keeps of sessions; `command`, another."""
    command = [*command, str(place), "--no-browser", "--port", str(port)]
    variables = os.environ | {"XDG_STATE_HOME": str(state)}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=variables)
    try:
        assert process.stdout is not None
        first = process.stdout.readline()
        address = re.search(r"(http://127\.0\.0\.1:\d+)(/\?token=\S+)", first)
        assert address is not None, first + process.stdout.read()
        ours = {"X-Phaseopt": "1", "Origin": address[1]}
        with httpx.Client(base_url=address[1], headers=ours, timeout=WITHIN, cookies=cookies) as client:
            if cookies is None:
                client.get(address[2])
            yield Served(process, address[1], client)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        process.wait(WITHIN)
        assert process.stdout is not None
        process.stdout.close()


def small_project(folder: Path) -> Path:
    """A copy of the example that needs no simulation; its file."""
    shutil.copytree(ROOT / "examples" / "intake_only", folder / "intake_only")
    shutil.copytree(ROOT / "maps", folder / "maps")
    return folder / "intake_only" / "project.toml"


def awaited(work: Coroutine[Any, Any, None]) -> None:
    """Do it to its end, in a thread of its own: a browser that another test opened has a loop in this one."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, work).result()
