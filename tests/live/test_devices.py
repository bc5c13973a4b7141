"""Telephones: the code, its end, and being shown the door. ASVS items from memory."""

import asyncio
from pathlib import Path
from typing import Any

import pytest
import segno
from starlette.testclient import TestClient

from phaseopt.live.devices import LASTS, LETTERS, TRIES, Telephones, chosen_address
from phaseopt.live.guard import Guard
from phaseopt.live.sessions import TELEPHONE, Sessions
from phaseopt.values.errors import InputError

from .served import awaited

NETWORK = "http://192.0.2.7:8720"


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def telephones(clock: Clock) -> Telephones:
    return Telephones(Sessions(None, clock), f"{NETWORK}/", clock)


def wrong(code: str) -> str:
    """Another code of the same letters."""
    return ("3" if code[0] == "2" else "2") + code[1:]


def test_a_code_counts_once(telephones: Telephones) -> None:
    """V2.7.3; typed in small letters, with or without the dash."""
    code = telephones.new_code()
    token = telephones.enter(f" {code.lower().replace('-', ' ')} ", "192.0.2.9")
    found = telephones.sessions.find(token, "telephone")
    assert found is not None
    assert "192.0.2.9" in found.name
    with pytest.raises(InputError, match="there is no code now"):
        telephones.enter(code, "192.0.2.9")


def test_a_code_ends_after_five_minutes(telephones: Telephones, clock: Clock) -> None:
    """V2.7.2 asks for ten at most."""
    code = telephones.new_code()
    clock.now += LASTS - 1.0
    assert telephones.code == code
    clock.now += 1.0
    assert telephones.code == ""
    with pytest.raises(InputError, match="there is no code now"):
        telephones.enter(code, "")
    assert LASTS == 300.0


def test_five_wrong_codes_end_it(telephones: Telephones) -> None:
    """V2.2.1: at most five guesses a code, of 30 to the power of 6."""
    code = telephones.new_code()
    for left in range(TRIES - 1, 0, -1):
        with pytest.raises(InputError, match=f"{left} tr"):
            telephones.enter(wrong(code), "")
    with pytest.raises(InputError, match="five wrong codes"):
        telephones.enter(wrong(code), "")
    with pytest.raises(InputError, match="there is no code now"):
        telephones.enter(code, "")
    assert telephones.enter(telephones.new_code(), "")  # a new one counts
    assert len(set(LETTERS)) == 30
    assert not set(LETTERS) & set("01OILU")


@pytest.mark.parametrize("typed", ["", " ", "é" * 6, "-", "A" * 100_000, "\0"])
def test_what_is_no_code_is_a_wrong_one(telephones: Telephones, typed: str) -> None:
    telephones.new_code()
    with pytest.raises(InputError, match="not the code"):
        telephones.enter(typed, "")


def test_a_new_code_ends_the_one_before(telephones: Telephones) -> None:
    first, second = telephones.new_code(), telephones.new_code()
    assert first != second
    with pytest.raises(InputError, match="not the code"):
        telephones.enter(first, "")
    assert telephones.enter(second, "")


def test_the_picture_holds_the_address_and_the_code(telephones: Telephones) -> None:
    """The same symbol as segno makes of that text: the code is behind a "#", which a browser sends nowhere."""
    code = telephones.new_code()
    picture = telephones.picture()
    again = segno.make(f"{NETWORK}/#{code}", error="m", micro=False)
    assert picture.startswith("<svg")
    assert picture == again.svg_inline(scale=5, border=4, dark="#000", light="#fff")
    assert "style=" not in picture


def test_a_session_lasts_a_day_and_a_clock_set_back_makes_none_longer(telephones: Telephones, clock: Clock) -> None:
    """V3.3.2: it ends by itself."""
    token = telephones.enter(telephones.new_code(), "")
    session = telephones.sessions.find(token, "telephone")
    assert session is not None
    clock.now -= 10 * TELEPHONE
    assert telephones.sessions.left(session) == TELEPHONE
    clock.now += 11 * TELEPHONE
    assert telephones.sessions.find(token, "telephone") is None


def test_a_telephone_that_is_disconnected_is_sent_no_more(telephones: Telephones) -> None:
    """V3.3.4: sessions are listed and ended; the stream of events ends at once, and nothing more is answered."""
    token = telephones.enter(telephones.new_code(), "")
    (session,) = telephones.sessions.of("telephone")
    sent: list[Any] = []

    async def endless(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"data", "more_body": True})
        telephones.sessions.end(session.digest)
        await asyncio.Event().wait()

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        await asyncio.Event().wait()

    guard = Guard(endless, telephones.sessions, telephones, 8720, "192.0.2.7")
    scope = {
        "type": "http", "method": "GET", "path": "/events", "query_string": b"", "server": ("192.0.2.7", 8720),
        "headers": [(b"host", b"192.0.2.7:8720"), (b"cookie", f"{guard.cookie}={token}".encode())],
    }  # fmt: skip
    awaited(asyncio.wait_for(guard(scope, receive, send), 30.0))
    assert [each.get("more_body") for each in sent] == [None, True, False]
    client = TestClient(guard, base_url=NETWORK, cookies={guard.cookie: token})
    assert client.get("/events").status_code == 401


def test_sessions_outlive_the_server_and_their_tokens_are_not_on_the_disk(tmp_path: Path) -> None:
    """A killed server lets the same pages in again; V2.10, V6.4: the file holds digests alone."""
    file = tmp_path / "state" / "sessions.json"
    tokens = [Sessions(file).begin("laptop", "Laptop"), Sessions(file).begin("telephone", "Telephone 1")]
    after = Sessions(file)
    assert after.find(tokens[0], "laptop")
    assert after.find(tokens[1], "telephone")
    assert not any(token in file.read_text(encoding="utf-8") for token in tokens)
    for text in ("", "{", "[1]", '[{"digest": 1, "kind": "laptop", "name": "", "until": "x"}]', "[" * 100_000):
        file.write_text(text, encoding="utf-8")
        assert Sessions(file).of("laptop") == []


def test_the_oldest_of_many_sessions_makes_room() -> None:
    sessions = Sessions(None)
    tokens = [sessions.begin("telephone", str(number)) for number in range(20)]
    assert [sessions.find(token, "telephone") is not None for token in tokens] == [False] * 4 + [True] * 16


def test_an_adapter_is_chosen_by_its_address() -> None:
    """Nothing is shown on every network; addresses are those of RFC 5737."""
    own = ["192.0.2.7", "198.51.100.4"]
    assert chosen_address("198.51.100.4", own) == "198.51.100.4"
    for asked, problem in (
        ("", "2 addresses"),
        ("0.0.0.0", "every network"),
        ("203.0.113.9", "not an address of this computer"),
        ("here", "not an address"),
    ):
        with pytest.raises(InputError, match=problem) as refused:
            chosen_address(asked, own)
        assert "192.0.2.7, 198.51.100.4" in str(refused.value)
    with pytest.raises(InputError, match="on no network"):
        chosen_address("", [])
