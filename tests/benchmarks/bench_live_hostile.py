"""1,000 hostile requests to the live page of a copied project: nothing outside is read or written, nothing gives way.

Run by itself: `python tests/benchmarks/bench_live_hostile.py`; `--show` prints each request that was not refused as it
should be; `--unguarded` sends a tenth to the same page without its guard and has to miss bars, or they prove nothing.

Requests are written byte by byte to a socket, so that they can be what no client library sends. Outside the project is
a file with a secret. Whether it was read shows in answers, and in the time of its last reading where the system notes
one (checked first on a file that is read). Also measured: seconds from the start to the page, its size, memory at rest.
Exit 1 where a figure misses its bar. POSIX, Linux.
"""

import os

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"

# ruff: noqa: E402
import hashlib
import json
import random
import re
import secrets
import select
import signal
import socket
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from figures import Figure, report
from live.served import served, small_project

SECRET = f"secret-{secrets.token_hex(16)}"
MARKS = ("Traceback", 'File "', ".py", "site-packages", SECRET, "root:x:")  # of the inside, and of outside
OPEN = (
    "import sys, phaseopt.live.server as s\n"
    "class Open:\n"
    "    def __init__(self, app, *rest): self.app, self.sessions = app, rest[0]\n"
    "    async def __call__(self, scope, receive, send):\n"
    "        scope['state'] = {**scope.get('state', {}), 'kind': 'laptop'}\n"
    "        await self.app(scope, receive, send)\n"
    "s.Guard = Open\n"
    "sys.argv[0] = 'phaseopt'\n"
    "from phaseopt.__main__ import main\n"
    "main()\n"
)

Headers = dict[str, str]


class Hostile(NamedTuple):
    """A request as bytes, of a kind, and what may come of it: statuses, 0 for a connection that is closed."""

    kind: str
    request: bytes
    may: frozenset[int]


REFUSED = frozenset({0, 400, 401, 403, 404, 405, 408, 411, 413, 414, 415, 417, 421, 431, 501, 505})


def main() -> int:
    """Send all, and look at what is left."""
    show, unguarded = "--show" in sys.argv, "--unguarded" in sys.argv
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        outside, state = folder / "outside", folder / "state"
        for each in (outside, state, folder / "inside"):
            each.mkdir()
        project = small_project(folder / "inside")
        (outside / "sentinel.txt").write_text(SECRET, encoding="utf-8")
        (outside / "project.toml").write_text(f'name = "{SECRET}"\n[crank]\n', encoding="utf-8")
        starts = [_start_to_page(project, state) for _ in range(3)]
        before = _contents(folder, state)
        notes_reads = _ages(outside)
        command = (sys.executable, "-c", OPEN, "live") if unguarded else None
        with served(project, state, **({"command": command} if command else {})) as server:
            page = server.client.get("/")
            server.until(lambda parts: parts.get("bench", {"stale": True})["stale"] is False)
            resting = _resting(server.process.pid)
            port = int(server.home.rpartition(":")[2])
            cookie = "; ".join(f"{name}={value}" for name, value in server.client.cookies.items())
            requests = list(hostile(port, cookie, outside))
            counts, wrong, shown = (
                _sent(port, requests[::10], show, 1.0) if unguarded else _sent(port, requests, show, 20.0)
            )
            alive = server.client.get("/parts").status_code == 200
            worked = _resting(server.process.pid)
            after = _contents(folder, state)
            process = server.process
            process.send_signal(signal.SIGTERM)
            printed = process.stdout.read() if process.stdout is not None else ""
        read = _was_read(outside) if notes_reads else []
    changed = sorted(before.items() ^ after.items())
    if show:
        print("changed:", changed, "\nread:", read, "\nprinted:", printed[-3000:])
    print(f"the time of the last reading is {'noted' if notes_reads else 'not noted: judged by answers alone'} here")
    figures = [Figure(f"refused: {kind}", count) for kind, count in sorted(counts.items())]
    figures += [
        Figure("requests", sum(counts.values()) + len(wrong), at_least=1000),
        Figure("not refused as they should be", len(wrong), at_most=0),
        Figure("answers that show the inside or the secret", shown, at_most=0),
        Figure("files outside that were read", len(read), at_most=0),
        Figure("files changed or made, in the project and outside", len(changed), at_most=0),
        Figure("tracebacks in the terminal", printed.count("Traceback"), at_most=0),
        Figure("pages answered afterwards", int(alive), at_least=1),
        Figure("start to page", statistics.median(starts), "s", at_most=3.0),
        Figure("page without data", len(page.content) / 1000, "kB", at_most=500),
        Figure("memory at rest, server and child, limits shown", resting, "MB", at_most=400),
        Figure("memory after all requests", worked, "MB"),
    ]
    return report(__file__, figures)


def hostile(port: int, cookie: str, outside: Path) -> Iterator[Hostile]:
    """All requests, the same each time but for port, cookie and folder."""
    chance = random.Random(8720)
    home = f"127.0.0.1:{port}"
    ours: Headers = {"Host": home, "Cookie": cookie}
    post: Headers = ours | {"Origin": f"http://{home}", "X-Phaseopt": "1", "Content-Type": "application/json"}
    upload = post | {"Content-Type": "application/octet-stream"}

    def made(
        kind: str, line: str, headers: Headers, body: bytes = b"", may: frozenset[int] = REFUSED, length: bool = True
    ) -> Hostile:
        sized = headers | ({"Content-Length": str(len(body))} if length and line.startswith("POST") else {})
        head = "".join(f"{name}: {value}\r\n" for name, value in sized.items())
        return Hostile(kind, f"{line} HTTP/1.1\r\n{head}\r\n".encode("latin-1", "replace") + body, may)

    up = ("../", "..%2f", "%2e%2e/", "%2e%2e%2f", "..%5c", "..\\", "%252e%252e/", "..;/", "....//", "%c0%ae%c0%ae/",
          "%uff0e%uff0e/", ".%00./", "/", "file:///", "%2F%2F", "\\\\localhost\\")  # fmt: skip
    ends = ("etc/passwd", f"{outside}/sentinel.txt".lstrip("/"), "outside/sentinel.txt", "project.toml", ".env", "%00")
    for begin in up:
        for end in ends:
            yield made("paths", f"GET /{begin * chance.randint(1, 8)}{end}", ours)
            yield made("paths", f"POST /do/{begin * chance.randint(1, 4)}{end}", post, b"{}")
    names = [begin * depth + end for begin in ("../", "..\\", "/", "./../") for depth in (1, 5) for end in ends]
    names += [str(outside / "new.csv"), "CON", "a" * 300, "x.csv/..", "..", ".", "", ".hidden.csv", "a\0.csv", "a.sh"]
    for name in names:
        quoted = "".join(f"%{each:02x}" for each in name.encode())
        yield made("file names", f"POST /do/add_log?name={quoted}", upload, b"rpm,torque\n1000,90\n")
        for action, key in (("open", "file"), ("new", "folder"), ("leave_out", "file"), ("note", "file")):
            yield made("file names", f"POST /do/{action}", post, json.dumps({key: name, "text": "x"}).encode())
    hosts = ["evil.test", f"evil.test:{port}", "127.0.0.1", f"127.0.0.1:{port + 1}", f"0.0.0.0:{port}", "", "[::1]",
             f"127.0.0.1:{port}.evil.test", f"user@{home}", f"{home},evil.test", f"127.1:{port}", f"2130706433:{port}",
             f"127.0.0.1.:{port}", f"[::ffff:127.0.0.1]:{port}", "localhost.", f"{home}/x", f"0x7f:{port}"]  # fmt: skip
    for host in hosts:
        for line in ("GET /", "GET /parts", "GET /text", "POST /do/edit"):
            sent = (
                post | {"Host": host, "Origin": f"http://{host}"} if line.startswith("POST") else ours | {"Host": host}
            )
            yield made("hosts", line, sent, b'{"key": "name", "value": "x"}')
    edit = b'{"key": "name", "value": "hostile"}'
    origins = ["http://evil.test", "null", "", f"https://{home}", f"http://localhost:{port}", "http://127.0.0.1", "file://",
               f"http://{home}.evil.test", f"http://{home}/", f"http://evil.test#http://{home}", "*",
               f"http://127.0.0.1:{port + 1}"]  # fmt: skip
    for origin in origins:
        for action in ("do/edit", "do/write", "do/undo", "ask/try", "devices/address"):
            yield made("origins", f"POST /{action}", post | {"Origin": origin}, edit)
    for site in ("cross-site", "same-site", "none", "", "same-origin, cross-site"):
        yield made("origins", "POST /do/edit", post | {"Sec-Fetch-Site": site}, edit)
        yield (
            made("origins", "GET /text", ours | {"Sec-Fetch-Site": site})
            if site != ""
            else made("origins", "POST /do/undo", {k: v for k, v in post.items() if k != "Origin"}, b"{}")
        )
    value = cookie.partition("=")[2]
    tokens = ["", "x", value[:-1], value + "x", value.lower(), value[::-1], hashlib.sha256(value.encode()).hexdigest(),
              "a" * 5000, "%00", "' OR 1=1 --", "../../x", f"{value}; path=/", "null", "true", "{}", "é"]  # fmt: skip
    for token in tokens:
        if token.partition(";")[0] != value:
            for line in ("GET /", "GET /parts", "POST /do/edit", "POST /devices/address"):
                sent = (post if line.startswith("POST") else ours) | {"Cookie": f"phaseopt-{port}={token}"}
                yield made("tokens", line, sent, edit)
        bare = {"Host": home}
        yield made("tokens", f"GET /?token={''.join(f'%{each:02x}' for each in token.encode())}", bare)
        yield made("tokens", f"GET /events?token={value}", bare)
        yield made("tokens", "GET /text", bare | {"Authorization": f"Bearer {value}"})
        yield made("tokens", "POST /enter", {**post, "Cookie": ""}, json.dumps({"code": token}).encode())
    for method in (
        "PUT",
        "DELETE",
        "PATCH",
        "OPTIONS",
        "TRACE",
        "CONNECT",
        "PROPFIND",
        "MOVE",
        "get",
        "G\0T",
        "POST,GET",
    ):
        for path in ("/", "/parts", "/do/edit", "/text", "*"):
            yield made("methods", f"{method} {path}", post, b"")
    kinds = ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/html", "",
             "application/json+x", "application/jsonp", "image/svg+xml")  # fmt: skip
    for kind in kinds:
        for action in ("do/edit", "do/write", "ask/try"):
            yield made("encodings", f"POST /{action}", post | {"Content-Type": kind}, edit)
    for coding in ("gzip", "br", "deflate", "gzip, gzip", "zstd", "x"):
        yield made("encodings", "POST /do/edit", post | {"Content-Encoding": coding}, edit)
    malformed = [b"", b"{", b"[]", b"null", b"1", b'"x"', b"{'a': 1}", b"\xff\xfe{\0}\0", b"[" * 60_000,
                 b'{"a":' * 9_000, b"\0", b'{"key": NaN}', b'{"key": 1e999}', b"{}{}", b"\xef\xbb\xbf{}",
                 b'{"key": "\\ud800"}',
                 b'{"key": {"key": []}}', b'{"key": "name", "value": {"a": 1}, "was": {}}', b'{"changes": "x"}',
                 b'{"changes": [null]}', b'{"key": "__proto__.x", "value": "1"}',
                 b'{"key": "a.b.c.0.-1", "value": "1"}', b'{"key": "crank", "value": "[" }',
                 b'{"key": "' + b"a." * 20_000 + b'", "value": "1"}',
                 b'{"text": 5, "digest": []}', b'{"number": "9999999999999999999999"}',
                 b'{"text": "[crank", "digest": "' + b"0" * 64 + b'"}']  # fmt: skip
    for body in malformed:
        for action in ("do/edit", "do/write", "do/none", "ask/none"):
            if body in (b"\xef\xbb\xbf{}",) and action == "do/undo":
                continue
            yield made("malformed", f"POST /{action}", post, body)
    big = b" " * 64_001
    for action in ("do/edit", "do/write", "ask/try", "devices/code", "enter"):
        yield made("sizes", f"POST /{action}", post, b"{" + big)
        for claimed in ("64001", "99999999999999999999", "-1", "0x10", "1e3", " 5", "5,5", "5 5", "\u00b2"):
            yield made("sizes", f"POST /{action}", post | {"Content-Length": claimed}, b"{}", length=False)
        chunks = b"10000\r\n" + b" " * 0x10000 + b"\r\n0\r\n\r\n"
        yield made("sizes", f"POST /{action}", post | {"Transfer-Encoding": "chunked"}, chunks, length=False)
    yield made("sizes", "POST /do/add_log?name=a.csv", upload | {"Content-Length": "8000001"}, b"", length=False)
    for lines in (
        "Content-Length: 2\r\nContent-Length: 3", "Content-Length: 2\r\nTransfer-Encoding: chunked",
        "Transfer-Encoding: chunked\r\nTransfer-Encoding: identity", "Transfer-Encoding: xchunked",
        "Transfer-Encoding : chunked", "Transfer-Encoding:\tchunked, identity", "Content-Length : 2",
        "X: 1\r\n Content-Length: 2",
        "X\0: 1", "X: a\0b", "X: 1\nContent-Length: 2", ": 1", "X", "X: 1\rY: 2", f"Host: {home}", "Host: evil.test",
        "Origin: http://evil.test", "X-Phaseopt: 1", "Expect: 200-maybe", "Upgrade: websocket\r\nConnection: upgrade",
    ):  # fmt: skip
        for body in (b"0\r\n\r\n", b"{}GET /text HTTP/1.1\r\nHost: x\r\n\r\n"):
            request = made("smuggled", "POST /do/edit", post, body, length="Content-Length" not in lines).request
            head, _, rest = request.partition(b"\r\n\r\n")
            yield Hostile("smuggled", head + b"\r\n" + lines.encode("latin-1") + b"\r\n\r\n" + rest, REFUSED)
    for size in (17_000, 70_000, 1_000_000):
        yield made("headers", "GET /parts", ours | {"X-Long": "a" * size})
        yield made("headers", "GET /" + "a" * size, ours)
        yield made("headers", "GET /parts", ours | {f"X-{n}": "a" for n in range(size // 8)})
        yield made("headers", "GET /parts", ours | {"Cookie": "a=b; " * (size // 5)})
    for line in ("GET / HTTP/9.9", "GET / HTTP/0.9", "GET /", "GET  / HTTP/1.1", "/ HTTP/1.1", "\x16\x03\x01\x02",
                 "PRI * HTTP/2.0", "GET http://evil.test/ HTTP/1.1", "GET / HTTP/1.1 x"):  # fmt: skip
        yield Hostile("headers", f"{line}\r\nHost: {home}\r\n\r\n".encode("latin-1"), REFUSED)
    for path in (
        "/do/edit",
        "/text",
        "/devices",
        "/devices/disconnect",
        "/ask/may",
        "/static/x",
        "/favicon.ico",
        "/.git/config",
    ):
        yield made("strangers", f"GET {path}", {"Host": home})
        yield made("strangers", f"POST {path}", {k: v for k, v in post.items() if k != "Cookie"}, edit)
    for number in range(5):
        yield made("slow", "POST /do/edit", post | {"Content-Length": str(50 + number)}, b"{", length=False)


def _sent(port: int, all_of_them: list[Hostile], show: bool, within: float) -> tuple[Counter[str], list[Hostile], int]:
    """Send each; how many were refused, by kind, those that were not, and answers that show what they should not.

    Parameters: `within`, seconds without an answer, after which one is given up.
    """
    counts: Counter[str] = Counter()
    wrong, shown = [], 0
    slow = [
        (each, _connected(port, each.request)) for each in all_of_them if each.kind == "slow"
    ]  # while all others come
    for each in all_of_them:
        if each.kind == "slow":
            continue
        status, answer = _answer(_connected(port, each.request), within)
        good = status in each.may
        counts[each.kind] += good
        leaks = [mark for mark in MARKS if mark.encode() in answer]
        shown += bool(leaks)
        if not good:
            wrong.append(each)
        if show and (not good or leaks):
            print(each.kind, each.request[:300], "->", status, leaks, answer[-200:], flush=True)
    for each, connection in slow:
        status, answer = _answer(connection, 3 * within)
        counts["slow"] += status in each.may
        wrong += [] if status in each.may else [each]
    return counts, wrong, shown


def _connected(port: int, request: bytes) -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), 20.0)
    with suppress(OSError):  # it may be refused before all is sent
        connection.sendall(request)
    return connection


def _answer(connection: socket.socket, within: float) -> tuple[int, bytes]:
    """The status of what comes back, 0 of a connection closed without, -1 where nothing came; and all of it."""
    found = b""
    with connection:
        connection.settimeout(within)
        try:
            while chunk := connection.recv(65536):
                found += chunk
                if _is_whole(found):
                    break
        except TimeoutError:
            if not found:
                return -1, found
        except OSError:
            pass
        if select.select([connection], [], [], 0.0)[0]:  # a second answer, to what was smuggled in
            with suppress(OSError):
                found += connection.recv(65536)
    statuses = [int(each) for each in re.findall(rb"HTTP/1\.1 (\d{3}) ", found)]
    return (max(statuses, key=lambda each: each < 300) if statuses else 0), found


def _is_whole(found: bytes) -> bool:
    head, mark, body = found.partition(b"\r\n\r\n")
    length = re.search(rb"content-length: (\d+)", head, re.IGNORECASE)
    return bool(mark) and (len(body) >= int(length[1]) if length else b"text/event-stream" in head)


def _contents(folder: Path, state: Path) -> dict[str, str]:
    """All files but what the server keeps of sessions, and what the calculation keeps, with their digests."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
        and state not in path.parents
        and ".phaseopt" not in path.parts
        and "outside" not in path.parts
    } | {str(path.relative_to(folder)): str(path.stat().st_mtime_ns) for path in sorted((folder / "outside").iterdir())}


_MEMORY = ("RssAnon", "RssFile")
_OLD = 1_000_000_000_000_000_000  # ns, in 2001


def _ages(outside: Path) -> bool:
    """Make the last reading of all files outside long ago; whether the system notes when one is read."""
    control = outside.parent / "control"
    control.write_text("x", encoding="utf-8")
    for path in (control, *outside.iterdir()):
        os.utime(path, ns=(_OLD, path.stat().st_mtime_ns))
    control.read_text(encoding="utf-8")
    noted = control.stat().st_atime_ns != _OLD
    control.unlink()
    return noted


def _was_read(outside: Path) -> list[str]:
    return [path.name for path in outside.iterdir() if path.stat().st_atime_ns != _OLD]


def _start_to_page(project: Path, state: Path) -> float:
    """Seconds from the command to the page in a browser's hands."""
    begun = time.perf_counter()
    with served(project, state) as server:
        assert server.client.get("/").status_code == 200
        return time.perf_counter() - begun


def _resting(number: int) -> float:
    """Megabytes of a process and those that it started: what each has alone, and the most libraries that one has."""
    children = Path(f"/proc/{number}/task/{number}/children").read_text().split()
    status = [Path(f"/proc/{each}/status").read_text() for each in (number, *children)]
    alone, shared = ([int(re.findall(rf"{name}:\s+(\d+) kB", each)[0]) for each in status] for name in _MEMORY)
    return (sum(alone) + max(shared)) / 1000


if __name__ == "__main__":
    sys.exit(main())
