"""Telephones: a code lets one in, once; it may read, and is shown the door from the laptop.

A code is short enough to type and lasts five minutes and five wrong tries. It is shown on the laptop's page alone, as
text and as a picture to scan. The picture holds an address with the code behind a "#": a browser keeps that part to
itself, so no log and no preview of the address uses the code up (RFC 3986, section 3.5, from memory).
"""

import hmac
import secrets
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from ipaddress import IPv4Address
from typing import NamedTuple

import segno

from phaseopt.live.sessions import Sessions
from phaseopt.values.errors import InputError

LASTS = 300.0  # seconds of a code
TRIES = 5  # wrong ones
LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"  # none that look alike
_LONG = 6
OVERHEARD = (
    "This goes over the workshop network as plain HTTP: others on it can overhear it. Use a network that you know. "
    "A telephone here may look, and change nothing."
)


class _Code(NamedTuple):
    letters: str
    until: float
    wrong: int


class Telephones:
    """The code that lets the next telephone in, and those that are in.

    Parameters: `sessions`, where theirs begin; `address`, of the page on the network ("" where there is none);
    `clock`, in seconds, that nobody sets.

    >>> telephones = Telephones(Sessions(None), "http://192.0.2.7:8720/")
    >>> code = telephones.new_code()
    >>> len(code), telephones.enter(code.lower(), "192.0.2.9") is not None
    (7, True)
    """

    def __init__(self, sessions: Sessions, address: str, clock: Callable[[], float] = time.monotonic) -> None:
        self.sessions, self.address, self._clock = sessions, address, clock
        self._code: _Code | None = None
        self._count = len(sessions.of("telephone"))

    def new_code(self) -> str:
        """A code in place of the one before. Raises `InputError` where the network is not served."""
        if not self.address:
            raise InputError.one(
                "this page is on this computer alone", hint="start phaseopt live with --phone to show it on a telephone"
            )
        letters = "".join(secrets.choice(LETTERS) for _ in range(_LONG))
        self._code = _Code(letters, self._clock() + LASTS, 0)
        return self.code

    @property
    def code(self) -> str:
        """The code that counts now, in two halves; nothing where there is none."""
        if self._code is None or self._clock() >= self._code.until:
            return ""
        half = _LONG // 2
        return f"{self._code.letters[:half]}-{self._code.letters[half:]}"

    def picture(self) -> str:
        """The address with the code, as a QR code (ISO/IEC 18004) to scan: an SVG element."""
        link = f"{self.address}#{self.code}"
        return str(segno.make(link, error="m", micro=False).svg_inline(scale=5, border=4, dark="#000", light="#fff"))

    def enter(self, typed: str, where: str) -> str:
        """The token of a new session, for the code as typed. Raises `InputError` where it does not count.

        Parameters: `where`, the address that it was typed at.
        """
        if self._code is None or not self.code:
            raise InputError.one("there is no code now", hint="ask for a new one on the laptop, under Telephones")
        letters = "".join(each for each in typed.upper()[:64] if each.isalnum())
        if not hmac.compare_digest(letters.encode(), self._code.letters.encode()):
            self._code = self._code._replace(wrong=self._code.wrong + 1)
            left = TRIES - self._code.wrong
            if left <= 0:
                self._code = None
                raise InputError.one("five wrong codes", hint="make a new code on the laptop, under Telephones")
            raise InputError.one(
                "this is not the code on the laptop",
                hint=f"type it again; {left} {'tries' if left > 1 else 'try'} left",
            )
        self._code = None
        self._count += 1
        return self.sessions.begin("telephone", f"Telephone {self._count}, {time.strftime('%H:%M')}, at {where}")


def own_addresses() -> list[str]:
    """Addresses of this computer's network adapters, without the loopback."""
    found: dict[str, None] = {}
    with suppress(OSError, ImportError):
        import fcntl

        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            for _, name in socket.if_nameindex():
                with suppress(OSError):  # SIOCGIFADDR of Linux
                    answer = fcntl.ioctl(asked.fileno(), 0x8915, name.encode()[:15].ljust(256, b"\0"))
                    found[socket.inet_ntoa(answer[20:24])] = None
    with suppress(OSError):
        for each in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET):
            found[str(each[4][0])] = None
    return [each for each in found if not IPv4Address(each).is_loopback]


def chosen_address(asked: str, own: list[str]) -> str:
    """The address to show the page at, as asked for with --phone.

    Parameters: `asked`, an address, or "" for the only one; `own`, the addresses of this computer.
    Raises `InputError` for one that is not this computer's, and where there are several to choose from.

    >>> chosen_address("", ["192.0.2.7"])
    '192.0.2.7'
    >>> chosen_address("", ["192.0.2.7", "198.51.100.4"])
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: --phone: this computer has 2 addresses. Fix: give one of 192.0.2.7, 198.51.100.4.
    """
    choice = f"give one of {', '.join(own)}" if own else "join the workshop network first"
    if not asked:
        if len(own) == 1:
            return own[0]
        problem = f"this computer has {len(own)} addresses" if own else "this computer is on no network"
        raise InputError.one(problem, hint=choice, where="--phone")
    if asked in own:
        return asked
    problem = f"{asked!r} is not an address of this computer"
    if asked in ("0.0.0.0", "::", "0"):
        problem = f"{asked} would show the page on every network"
    raise InputError.one(problem, hint=choice, where="--phone")
