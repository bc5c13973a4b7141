"""Who may ask the server what: in front of everything else, and the only place where that is decided.

A request comes in by one of two doors, known by the address it was made to. At the loopback door only a laptop's
session counts, at the network's only a telephone's, which reads and changes nothing. Before that: the Host header must
be ours, so that no name that a stranger points at this computer gets in (DNS rebinding). What changes files needs a
header that other pages cannot set, our own origin, JSON or an upload, and a size within limits, counted as it comes.

Sources, from memory: OWASP ASVS 4.0 (the tests name its items); Fetch Metadata and Content Security Policy 3, W3C;
RFC 9110 and 9112 (HTTP).
"""

import asyncio
import sys
import traceback
from collections.abc import Awaitable, Callable, MutableMapping
from contextlib import suppress
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from phaseopt.live.devices import OVERHEARD, Telephones
from phaseopt.live.page_parts import filled
from phaseopt.live.sessions import Kind, Session, Sessions
from phaseopt.report.page import policy
from phaseopt.values.errors import InputError

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[MutableMapping[str, Any], Receive, Send], Awaitable[None]]

JSON_MOST, UPLOAD_MOST = 64_000, 8_000_000  # bytes
UPLOAD = "application/octet-stream"
SLOWEST = 20.0  # seconds that a body may take
_PATH_MOST, _HEADERS_MOST, _HEADERS_AT_ONCE = 2_000, 16_000, 100
_TELEPHONES_READ = frozenset({"/", "/events", "/parts"})
_STUDY = "/study/"  # pages that telephones read too: each is shut off from this server
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), usb=(), serial=(), payment=()",
}
_FAULT = "This could not be done: a fault in phaseopt, not in your files. Nothing was changed by half."


class Refused(Exception):
    """A request that is not answered: a status of HTTP, and a sentence that says what to do."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence = status, sentence


class Guard:
    """An ASGI application in front of another, which gets only what may be asked.

    Parameters: `app`, the other; `sessions` and `telephones`, who may look; `port`, where it is served; `network`, the
    one other address that it is served at, "" for none.
    """

    def __init__(self, app: App, sessions: Sessions, telephones: Telephones, port: int, network: str = "") -> None:
        self._app, self._sessions, self._telephones = app, sessions, telephones
        self.cookie, self._network = f"phaseopt-{port}", network
        self._hosts: dict[Kind, frozenset[str]] = {
            "laptop": frozenset(f"{name}:{port}" for name in ("localhost", "127.0.0.1", "[::1]")),
            "telephone": frozenset({f"{network}:{port}"} if network else ()),
        }

    async def __call__(self, scope: MutableMapping[str, Any], receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        out = _Out(send)
        try:
            await self._serve(scope, receive, out)
        except Refused as refused:
            answer = _refusal(scope, refused.status, refused.sentence)
        except Exception:
            traceback.print_exc(file=sys.stderr)  # for the terminal; a browser is sent a sentence
            answer = _refusal(scope, 500, _FAULT)
        else:
            return
        if not out.started:
            with suppress(Exception):  # who broke the protocol may not be reached any more
                await answer(scope, receive, out)

    async def _serve(self, scope: MutableMapping[str, Any], receive: Receive, send: "_Out") -> None:
        kind = self._kind(scope)
        request = Request(scope)
        _check_form(scope, request)
        if request.method == "POST":
            _check_origin(request)
            receive = await _body(request, receive)
            if kind == "telephone" and scope["path"] == "/enter":
                await (await self._enter(Request(scope, receive)))(scope, receive, send)
                return
        elif scope["path"] != "/" and request.headers.get("sec-fetch-site", "same-origin") != "same-origin":
            raise Refused(403, "Other pages may not ask for this.")
        if kind == "laptop" and scope["path"] == "/" and request.method == "GET" and "token" in request.query_params:
            await self._let_in(request.query_params["token"])(scope, receive, send)
            return
        session = self._session(request, kind)
        if session is None:
            answer = self._door(request) if kind == "telephone" else _refusal(scope, 401, _NOT_IN)
            await answer(scope, receive, send)
            return
        read = scope["path"] in _TELEPHONES_READ or scope["path"].startswith(_STUDY)
        if kind == "telephone" and (request.method == "POST" or not read):
            raise Refused(403, "A telephone may look and change nothing. Change it on the laptop.")
        scope["state"] = {**scope.get("state", {}), "kind": kind}
        await self._until_ended(session, self._app(scope, receive, send), send)

    def _kind(self, scope: MutableMapping[str, Any]) -> Kind:
        """By which door a request came; its Host must be of that door."""
        at = (scope.get("server") or ("", 0))[0]
        kind: Kind = "telephone" if self._network and at == self._network else "laptop"
        hosts = [value.decode("latin-1").lower() for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1 or hosts[0] not in self._hosts[kind]:
            raise Refused(421, "This page has another address. Use the one that phaseopt live printed.")
        return kind

    def _let_in(self, token: str) -> Response:
        """The token of an address for a cookie, and the address without it."""
        if not self._sessions.redeem(token):
            return _page(401, _NOT_IN)
        answer = RedirectResponse("/", 303)
        self._set_cookie(answer, self._sessions.begin("laptop", "Laptop"))
        return answer

    async def _enter(self, request: Request) -> Response:
        """A telephone's code for a cookie."""
        try:
            typed = (await request.json())["code"]
            token = self._telephones.enter(str(typed), request.client.host if request.client else "")
        except InputError as error:
            return JSONResponse({"messages": list(error.messages)}, 403)
        except (ValueError, KeyError, TypeError, RecursionError):
            raise Refused(400, "Send the code that the laptop shows.") from None
        answer = JSONResponse({})
        self._set_cookie(answer, token)
        return answer

    def _set_cookie(self, answer: Response, token: str) -> None:
        answer.set_cookie(self.cookie, token, path="/", httponly=True, samesite="strict")

    def _session(self, request: Request, kind: Kind) -> Session | None:
        token = request.cookies.get(self.cookie, "")
        return self._sessions.find(token, kind) if token else None

    def _door(self, request: Request) -> Response:
        """What a telephone that is not in is shown: a field for the code."""
        if request.scope["path"] != "/" or request.method == "POST":
            return _refusal(request.scope, 401, "This telephone is not let in. Load the page and type the code.")
        text = filled("enter.html.j2", overheard=OVERHEARD)
        headers = {"Content-Security-Policy": served_policy(text)}
        return HTMLResponse(text, 401, headers)

    async def _until_ended(self, session: Session, answer: Any, send: "_Out") -> None:
        """Send an answer, at most until its session ends."""
        sending = asyncio.ensure_future(answer)
        with self._sessions.end_of(session) as ended:
            end = asyncio.ensure_future(ended.wait())
            try:
                left = self._sessions.left(session)
                await asyncio.wait({sending, end}, timeout=left, return_when=asyncio.FIRST_COMPLETED)
                if sending.done():
                    await sending
                    return
                sending.cancel()
                with suppress(asyncio.CancelledError):
                    await sending
                if send.started:
                    await send({"type": "http.response.body", "body": b"", "more_body": False})
            finally:
                sending.cancel()
                end.cancel()


_NOT_IN = (
    "This browser is not let in, or the address was used before. Use the address that phaseopt live prints when it "
    "starts: end it with Ctrl-C and start it again. For a second browser, make an address on the first one's page."
)


class _Out:
    """Sends an answer with the headers that all have, and knows whether it has begun."""

    def __init__(self, send: Send) -> None:
        self._send, self.started = send, False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.started = True
            own = {name.lower() for name, _ in message["headers"]}
            added = [(name.encode(), value.encode()) for name, value in _HEADERS.items()]
            message["headers"] = [*message["headers"], *(each for each in added if each[0].lower() not in own)]
        await self._send(message)


def served_policy(page: str) -> str:
    """What a browser may do with a page of this server: as with a page from a file, and ask the server itself."""
    own = policy(page).replace("default-src 'none'", "default-src 'none'; connect-src 'self'")
    return f"{own}; frame-ancestors 'none'"


def _check_form(scope: MutableMapping[str, Any], request: Request) -> None:
    """Refuse what no page of ours asks: other methods, strange paths, a body of two lengths."""
    if request.method not in ("GET", "HEAD", "POST"):
        raise Refused(405, "Only GET, HEAD and POST are answered.")
    path = scope["path"]
    parts = path.split("/")
    if len(path) > _PATH_MOST or not path.isprintable() or "\\" in path or not {".", ".."}.isdisjoint(parts):
        raise Refused(404, "There is nothing at this address.")
    sizes = [len(name) + len(value) for name, value in scope["headers"]]
    if len(sizes) > _HEADERS_AT_ONCE or sum(sizes) > _HEADERS_MOST:
        raise Refused(431, "The head of this request is too large.")
    names = [name for name, _ in scope["headers"]]
    framed = names.count(b"content-length") + names.count(b"transfer-encoding")
    if framed > 1 or (framed and request.method != "POST"):
        raise Refused(400, "The length of this request is not clear.")


def _check_origin(request: Request) -> None:
    """Refuse a change that did not come from a page of ours."""
    headers = request.headers
    site, origin = headers.get("sec-fetch-site"), headers.getlist("origin")
    from_us = origin == [f"http://{headers['host'].lower()}"] if origin else site == "same-origin"
    if not from_us or site not in (None, "same-origin"):
        raise Refused(403, "Only this server's own page may change anything.")
    if headers.getlist("x-phaseopt") != ["1"]:
        raise Refused(403, "A change needs the header X-Phaseopt: 1.")


async def _body(request: Request, receive: Receive) -> Receive:
    """The body of a request, read whole within the limits of its kind; what hands it on."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in ("application/json", UPLOAD) or request.headers.get("content-encoding"):
        raise Refused(415, "Send JSON, or a file as it is.")
    most = JSON_MOST if kind == "application/json" else UPLOAD_MOST
    too_large = Refused(413, f"This is larger than {most // 1000} kB.")
    length = request.headers.get("content-length", "0")
    if not (length.isascii() and length.isdigit()):
        raise Refused(400, "The length of this request is not clear.")
    if int(length) > most:
        raise too_large
    body = bytearray()
    try:
        async with asyncio.timeout(SLOWEST):
            more = True
            while more:
                message = await receive()
                if message["type"] != "http.request":
                    raise Refused(400, "The request ended early.")
                body += message.get("body", b"")
                more = message.get("more_body", False)
                if len(body) > most:
                    raise too_large
    except TimeoutError:
        raise Refused(408, "The request took too long.") from None
    handed = False

    async def whole() -> Message:
        nonlocal handed
        if handed:
            return await receive()
        handed = True
        return {"type": "http.request", "body": bytes(body), "more_body": False}

    return whole


def _refusal(scope: MutableMapping[str, Any], status: int, sentence: str) -> Response:
    """A refusal as who asked can read it: a page for an address, JSON for what a page asks."""
    if scope["method"] == "GET" and scope["path"] == "/":
        return _page(status, sentence)
    return JSONResponse({"messages": [sentence]}, status)


def _page(status: int, sentence: str) -> Response:
    text = filled("refused.html.j2", sentence=sentence)
    return HTMLResponse(text, status, {"Content-Security-Policy": served_policy(text)})
