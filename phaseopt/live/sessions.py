"""Who may look: addresses that let a browser in once, and the sessions that they begin.

A session is a random token in a cookie; the server keeps its digest alone, in the user's own state folder, so that an
open page goes on after the server was killed. A session is of one kind: a laptop's may change files, a telephone's may
read. Sources: OWASP ASVS 4.0, V3 (sessions), and RFC 6265, section 4.1 (cookies), both from memory.
"""

import hashlib
import hmac
import json
import secrets
import time
from asyncio import Event
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal, NamedTuple

from platformdirs import user_state_path

from phaseopt.io.atomic import write_file
from phaseopt.values.errors import InputError

Kind = Literal["laptop", "telephone"]
LAPTOP = 30 * 86_400.0  # seconds that a session lasts
TELEPHONE = 12 * 3_600.0  # a day at the dyno
_MOST = 16  # sessions of a kind; the oldest makes room


class Session(NamedTuple):
    """A browser that was let in: the SHA-256 digest of its token, what it may do, a name, its end in Unix seconds."""

    digest: str
    kind: Kind
    name: str
    until: float


class Sessions:
    """The sessions of one project.

    Parameters: `file`, which holds them between runs (none: memory alone); `clock`, in Unix seconds.

    >>> sessions = Sessions(None)
    >>> token = sessions.begin("telephone", "Telephone 1")
    >>> sessions.find(token, "telephone").name, sessions.find(token, "laptop"), sessions.find("guess", "telephone")
    ('Telephone 1', None, None)
    """

    def __init__(self, file: Path | None, clock: Callable[[], float] = time.time) -> None:
        self._file, self._clock = file, clock
        self._all = _read(file)
        self._ends: list[tuple[str, Event]] = []  # digests, and what waits for their end
        self._addresses: list[str] = []
        self.changed: Callable[[], None] = lambda: None  # what is done when one begins or ends

    def begin(self, kind: Kind, name: str) -> str:
        """A new session's token, for its cookie."""
        token = secrets.token_urlsafe(32)
        lasts = LAPTOP if kind == "laptop" else TELEPHONE
        self._all.append(Session(_digest(token), kind, name, self._clock() + lasts))
        for oldest in self.of(kind)[:-_MOST]:
            self.end(oldest.digest)
        self._write()
        self.changed()
        return token

    def find(self, token: str, kind: Kind) -> Session | None:
        """The session of a token, where it is of that kind and has not ended."""
        digest = _digest(token)
        return next((each for each in self.of(kind) if hmac.compare_digest(each.digest, digest)), None)

    def of(self, kind: Kind) -> list[Session]:
        """Sessions of a kind, oldest first."""
        return [each for each in self._all if each.kind == kind and self.left(each) > 0]

    def left(self, session: Session) -> float:
        """Seconds that a session still lasts; a clock that was set back makes none longer than it was to be."""
        return min(session.until - self._clock(), LAPTOP if session.kind == "laptop" else TELEPHONE)

    def end(self, digest: str) -> None:
        """End a session, and the answer that it is still being sent."""
        self._all = [each for each in self._all if each.digest != digest]
        self._write()
        for waits_for, end in self._ends:
            if waits_for == digest:
                end.set()
        self.changed()

    @contextmanager
    def end_of(self, session: Session) -> Iterator[Event]:
        """What is set when a session is ended."""
        waits = session.digest, Event()
        self._ends.append(waits)
        try:
            yield waits[1]
        finally:
            self._ends.remove(waits)

    def address(self) -> str:
        """A token for an address that lets one browser in."""
        self._addresses = [*self._addresses[-3:], secrets.token_urlsafe(32)]
        return self._addresses[-1]

    def redeem(self, token: str) -> bool:
        """Whether a token is one of an address, which is then used up."""
        found = [each for each in self._addresses if hmac.compare_digest(each.encode(), token.encode())]
        self._addresses = [each for each in self._addresses if each not in found]
        return bool(found)

    def move(self, file: Path) -> None:
        """Keep the sessions, and those that another file has, in that file from now on."""
        self._all += [each for each in _read(file) if each not in self._all]
        self._file = file
        self._write()

    def _write(self) -> None:
        if self._file is None:
            return
        with suppress(OSError, InputError):  # without a file they last as long as the server does
            self._file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            alive = [each for each in self._all if self.left(each) > 0]
            write_file(self._file, json.dumps([each._asdict() for each in alive]).encode())


def state_file(project: Path, suffix: str) -> Path:
    """Where the user's own state folder has what concerns a project and is none of its files."""
    name = hashlib.sha256(str(project.resolve()).encode("utf-8", "surrogateescape")).hexdigest()[:32]
    return user_state_path("phaseopt") / "live" / f"{name}{suffix}"


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()


def _read(file: Path | None) -> list[Session]:
    """Sessions in a file; none where it cannot be read as such."""
    if file is None:
        return []
    try:
        found = [Session(**each) for each in json.loads(file.read_bytes())]
        return [each for each in found if isinstance(each.digest, str) and isinstance(each.until, float)]
    except (OSError, ValueError, TypeError, RecursionError):
        return []
