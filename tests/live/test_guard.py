"""The guard in front of the live page: who is answered, and what is refused.

Items of OWASP's Application Security Verification Standard 4.0 are named beside the checks, from memory.
"""

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

import pytest
from starlette.responses import PlainTextResponse
from starlette.testclient import TestClient

from phaseopt.live.devices import Telephones
from phaseopt.live.guard import JSON_MOST, UPLOAD, UPLOAD_MOST, Guard
from phaseopt.live.sessions import Sessions

from .served import awaited

PORT = 8720
HOME, NETWORK = f"http://127.0.0.1:{PORT}", f"http://192.0.2.7:{PORT}"  # the second is RFC 5737's, for documentation
OURS = {"Origin": HOME, "X-Phaseopt": "1", "Content-Type": "application/json"}


class Behind:
    """What the guard stands before: it counts what gets through, and fails when asked to."""

    def __init__(self) -> None:
        self.got: list[tuple[str, str, bytes]] = []

    async def __call__(self, scope: MutableMapping[str, Any], receive: Any, send: Any) -> None:
        body = (await receive())["body"] if scope["method"] == "POST" else b""
        self.got.append((scope["method"], scope["path"], body))
        if scope["path"] == "/fault":
            raise RuntimeError("secret of the inside")
        await PlainTextResponse(scope["state"]["kind"])(scope, receive, send)


@pytest.fixture
def behind() -> Behind:
    return Behind()


@pytest.fixture
def guard(behind: Behind) -> Guard:
    sessions = Sessions(None)
    return Guard(behind, sessions, Telephones(sessions, f"{NETWORK}/"), PORT, "192.0.2.7")


@pytest.fixture
def laptop(guard: Guard) -> TestClient:
    """A browser on this computer that was let in."""
    client = TestClient(guard, base_url=HOME, follow_redirects=False)
    assert client.get(f"/?token={guard._sessions.address()}").status_code == 303
    return client


@pytest.fixture
def stranger(guard: Guard) -> TestClient:
    return TestClient(guard, base_url=HOME, follow_redirects=False)


@pytest.fixture
def telephone(guard: Guard) -> TestClient:
    """A browser on the network that typed the code."""
    client = TestClient(guard, base_url=NETWORK, follow_redirects=False)
    code = guard._telephones.new_code()
    assert client.post("/enter", json={"code": code}, headers=OURS | {"Origin": NETWORK}).status_code == 200
    return client


def test_an_address_lets_one_browser_in_once(guard: Guard, stranger: TestClient, behind: Behind) -> None:
    """V3.2.1, V3.4, V3.1.1: a new token, HttpOnly, SameSite=Strict, path, name by the port; not in the address."""
    token = guard._sessions.address()
    answer = stranger.get(f"/?token={token}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"phaseopt-{PORT}=")
    assert {each.strip().lower() for each in cookie.split(";")[1:]} == {"httponly", "path=/", "samesite=strict"}
    assert token not in cookie
    assert stranger.get("/").text == "laptop"
    stranger.cookies.clear()
    assert stranger.get(f"/?token={token}").status_code == 401
    assert behind.got == [("GET", "/", b"")]


def test_a_look_ahead_uses_no_address_up(guard: Guard, stranger: TestClient) -> None:
    """HEAD changes nothing (RFC 9110, 9.2.1)."""
    token = guard._sessions.address()
    assert stranger.head(f"/?token={token}").status_code == 401
    assert stranger.get(f"/?token={token}").status_code == 303


@pytest.mark.parametrize("token", ["", "x", "é", "a" * 43, "..", "\0"])
def test_a_guess_lets_nobody_in(guard: Guard, stranger: TestClient, behind: Behind, token: str) -> None:
    """V3.2.2: tokens of 256 bits; V2.2: a guess is no token."""
    guard._sessions.address()
    assert stranger.get("/", params={"token": token}).status_code == 401
    stranger.cookies.set(f"phaseopt-{PORT}", "guess")
    assert stranger.get("/").status_code == 401
    assert "phaseopt live" in stranger.get("/").text  # says what to do
    assert behind.got == []


@pytest.mark.parametrize(
    "host",
    ["evil.test", f"evil.test:{PORT}", "127.0.0.1", "127.0.0.1:80", f"127.0.0.1.evil.test:{PORT}", f"192.0.2.7:{PORT}",
     f"127.0.0.1:{PORT}@evil.test", f"0.0.0.0:{PORT}", ""],
)  # fmt: skip
def test_other_names_of_this_computer_are_not_answered(laptop: TestClient, behind: Behind, host: str) -> None:
    """A stranger's name that leads here (DNS rebinding) gets nothing, with our cookie too."""
    assert laptop.get("/", headers={"Host": host}).status_code == 421
    assert (
        laptop.post("/do/edit", json={}, headers=OURS | {"Host": host, "Origin": f"http://{host}"}).status_code == 421
    )
    assert behind.got == []


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST", "127.0.0.1", "[::1]"])
def test_names_of_the_loopback_are(laptop: TestClient, host: str) -> None:
    assert laptop.get("/", headers={"Host": f"{host}:{PORT}"}).text == "laptop"


@pytest.mark.parametrize(
    ("changed", "status"),
    [
        ({"Origin": "http://evil.test"}, 403),
        ({"Origin": f"http://localhost:{PORT}"}, 403),  # one of ours, but not the one that was asked
        (
            {"Origin": "http://127.0.0.1:3000"},
            403,
        ),  # another program on this computer: the same site, not the same origin
        ({"Origin": "null"}, 403),
        ({"Origin": ""}, 403),
        ({"Origin": None}, 403),
        ({"Origin": None, "Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"X-Phaseopt": None}, 403),
        ({"X-Phaseopt": "2"}, 403),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Type": None}, 415),
        ({"Content-Encoding": "gzip"}, 415),
        ({"Origin": None, "Sec-Fetch-Site": "same-origin"}, 200),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({}, 200),
    ],
)
def test_a_change_comes_from_our_page(
    laptop: TestClient, behind: Behind, changed: dict[str, str | None], status: int
) -> None:
    """V4.2.2, V13.2.3 (forged requests), V13.2.5 (content type), V14.5.3 (origins)."""
    headers = {name: value for name, value in (OURS | changed).items() if value is not None}
    assert laptop.post("/do/edit", content=b"{}", headers=headers).status_code == status
    assert len(behind.got) == (status == 200)


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "PROPFIND"])
def test_other_methods_are_refused(laptop: TestClient, behind: Behind, method: str) -> None:
    """V14.5.1."""
    assert laptop.request(method, "/").status_code == 405
    assert behind.got == []


@pytest.mark.parametrize(
    "path", ["/%2e%2e/x", "/do/..%2f..%2fx", "/a/%2e/b", "/x%00", "/x%0d%0ay", "/a%5cb", "/" + "a" * 3000]
)
def test_strange_paths_are_refused(laptop: TestClient, behind: Behind, path: str) -> None:
    """V12.3.1."""
    assert laptop.get(path).status_code == 404
    assert behind.got == []


def test_another_page_reads_nothing(laptop: TestClient, behind: Behind) -> None:
    """Fetch Metadata (W3C): what is asked in the background is asked by our page; it may be opened from anywhere."""
    for site in ("cross-site", "same-site", "none"):
        assert laptop.get("/parts", headers={"Sec-Fetch-Site": site}).status_code == 403
    assert laptop.get("/", headers={"Sec-Fetch-Site": "none"}).status_code == 200
    assert len(behind.got) == 1


@pytest.mark.parametrize(("kind", "most"), [("application/json", JSON_MOST), (UPLOAD, UPLOAD_MOST)])
def test_bodies_are_limited_as_they_come(laptop: TestClient, behind: Behind, kind: str, most: int) -> None:
    """V12.1.1, V13.1: by the bytes that come, not only by what their length claims."""
    headers = OURS | {"Content-Type": kind}
    whole = b" " * most
    assert laptop.post("/do/x", content=whole, headers=headers).status_code == 200
    assert behind.got[0][2] == whole
    assert laptop.post("/do/x", content=whole + b" ", headers=headers).status_code == 413

    def pieces() -> Any:
        yield from (whole, b" ")

    assert laptop.post("/do/x", content=pieces(), headers=headers).status_code == 413
    assert len(behind.got) == 1


@pytest.mark.parametrize("lengths", [[b"5", b"6"], [b"-1"], [b"+2"], [b"0x2"], [b""], ["²".encode()]])
def test_a_length_that_is_not_clear_is_refused(guard: Guard, behind: Behind, lengths: list[bytes]) -> None:
    """RFC 9112, section 6.3: two lengths, or none that is a number, may be read in two ways."""
    headers = [(b"content-length", each) for each in lengths]
    assert answered(guard, "POST", "/do/x", headers)["status"] == 400
    framed = [(b"content-length", b"2"), (b"transfer-encoding", b"chunked")]
    assert answered(guard, "POST", "/do/x", framed)["status"] == 400
    assert answered(guard, "GET", "/", [(b"content-length", b"2")])["status"] == 400
    assert behind.got == []


def answered(guard: Guard, method: str, path: str, headers: list[tuple[bytes, bytes]]) -> dict[str, Any]:
    """The start of an answer to a request made by hand, as no client library would send it."""
    sent: list[Any] = []
    own = [(name.lower().encode(), value.encode()) for name, value in OURS.items()]
    cookie = f"{guard.cookie}={guard._sessions.begin('laptop', 'Laptop')}".encode()
    scope = {
        "type": "http", "method": method, "path": path, "query_string": b"", "server": ("127.0.0.1", PORT),
        "headers": [(b"host", f"127.0.0.1:{PORT}".encode()), (b"cookie", cookie), *own, *headers],
    }  # fmt: skip

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"{}", "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    awaited(guard(scope, receive, send))
    found: dict[str, Any] = sent[0]
    return found


@pytest.mark.parametrize("headers", [[(b"x", b"a" * 17_000)], [(b"x", b"a")] * 200])
def test_a_head_is_limited(guard: Guard, behind: Behind, headers: list[tuple[bytes, bytes]]) -> None:
    """RFC 6585, section 5: 431."""
    assert answered(guard, "GET", "/", headers)["status"] == 431
    assert behind.got == []


def test_two_hosts_are_none(guard: Guard, behind: Behind) -> None:
    assert answered(guard, "GET", "/", [(b"host", b"127.0.0.1:8720")])["status"] == 421
    assert behind.got == []


TELEPHONES_READ = ("/", "/events", "/parts", "/study/offsets/offsets.html")


def test_a_telephone_reads_and_changes_nothing(telephone: TestClient, behind: Behind) -> None:
    """V4.1.1: decided by the server."""
    ours = OURS | {"Origin": NETWORK}
    assert [telephone.get(path).text for path in TELEPHONES_READ] == ["telephone"] * len(TELEPHONES_READ)
    for path in ("/text", "/devices", "/do/edit", "/%64o/edit", "/study", "/studyx/offsets.html"):
        assert telephone.get(path).status_code == 403
    for path in ("/do/edit", "/ask/try", "/devices/code", *TELEPHONES_READ):
        assert telephone.post(path, json={}, headers=ours).status_code == 403
    assert telephone.get("/study/../text").status_code in (403, 404)  # a client may make "/text" of it
    assert telephone.get("/study/%2e%2e/text").status_code in (403, 404)
    assert len(behind.got) == len(TELEPHONES_READ)


def test_each_door_has_its_own_sessions(
    guard: Guard, laptop: TestClient, telephone: TestClient, behind: Behind
) -> None:
    """A token heard on the network opens no door on this computer; an address lets in nobody from the network."""
    heard, own = telephone.cookies[guard.cookie], laptop.cookies[guard.cookie]
    for home, token in ((HOME, heard), (NETWORK, own)):
        client = TestClient(guard, base_url=home, cookies={guard.cookie: token}, follow_redirects=False)
        assert client.get("/").status_code == 401
    client = TestClient(guard, base_url=NETWORK, follow_redirects=False)
    assert client.get(f"/?token={guard._sessions.address()}").status_code == 401
    assert behind.got == []


def test_the_door_says_that_it_can_be_overheard(guard: Guard) -> None:
    """V9.1 (TLS) is not met on the network, and the page says so."""
    page = TestClient(guard, base_url=NETWORK).get("/")
    assert page.status_code == 401
    assert "overhear" in page.text


def test_a_fault_shows_a_sentence_and_nothing_of_the_inside(
    laptop: TestClient, capsys: pytest.CaptureFixture[str]
) -> None:
    """V7.4.1; the terminal has what a developer needs."""
    answer = laptop.get("/fault")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert "secret of the inside" in capsys.readouterr().err


def test_every_answer_has_the_headers(laptop: TestClient, stranger: TestClient, telephone: TestClient) -> None:
    """V14.4 and V8.2.1: policy, nosniff, referrer, frames, no copies kept; also where it is refused or fails."""
    answers = [laptop.get("/"), laptop.get("/fault"), laptop.get("/\\"), laptop.put("/"), stranger.get("/")]
    answers += [stranger.post("/do/x"), stranger.get("/", headers={"Host": "evil.test"}), telephone.get("/text")]
    for answer in answers:
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["cross-origin-opener-policy"] == "same-origin"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert "camera=()" in answer.headers["permissions-policy"]
        assert "access-control-allow-origin" not in answer.headers
        assert "charset=utf-8" in answer.headers["content-type"] or "json" in answer.headers["content-type"]


def test_a_socket_is_closed(guard: Guard) -> None:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    receive: Callable[[], Awaitable[Any]] = asyncio.Event().wait
    awaited(guard({"type": "websocket", "path": "/", "headers": []}, receive, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]


def test_a_body_that_never_ends_is_given_up(guard: Guard, behind: Behind, monkeypatch: pytest.MonkeyPatch) -> None:
    """Slow bodies hold no place: the limit of time is made none here, so nothing is waited for."""
    monkeypatch.setattr("phaseopt.live.guard.SLOWEST", 0.0)
    sent: list[Any] = []
    client_headers = [(name.lower().encode(), value.encode()) for name, value in OURS.items()]
    scope = {
        "type": "http", "method": "POST", "path": "/do/x", "query_string": b"", "server": ("127.0.0.1", PORT),
        "headers": [(b"host", f"127.0.0.1:{PORT}".encode()), *client_headers],
    }  # fmt: skip

    async def send(message: Any) -> None:
        sent.append(message)

    receive: Callable[[], Awaitable[Any]] = asyncio.Event().wait  # never comes
    awaited(guard(scope, receive, send))
    assert sent[0]["status"] == 408
    assert behind.got == []
