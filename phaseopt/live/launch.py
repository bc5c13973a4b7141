"""A server from its start to its end: sockets, the browser, Ctrl-C."""

import os
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import uvicorn

from phaseopt.live.devices import chosen_address, own_addresses
from phaseopt.live.server import Live
from phaseopt.values.errors import InputError

LOOPBACK = "127.0.0.1"
_HEADERS_MOST = 16_384  # bytes of a request's head
_AT_ONCE = 100  # connections


def serve(place: Path, port: int, phone: str | None, browser: bool, say: Callable[[str], None]) -> None:
    """Serve until Ctrl-C or SIGTERM.

    Parameters
    ----------
    place
        A project's file, or the folder in which one is chosen on the first page.
    port
        On this computer; 0 takes a free one.
    phone
        An address of this computer to show the page at to telephones, "" for its only one, None for none.
    browser
        Whether to open one.
    say
        Takes a line to print.

    Raises
    ------
    InputError
        There is no such file, the port is in use, the address is not ours, or another server has the project.
    """
    if not place.exists():
        raise InputError.one("there is no such file", hint="check the name, or leave it out to choose one", file=place)
    network = "" if phone is None else chosen_address(phone, own_addresses())
    sockets = [_listening(LOOPBACK, port)]
    port = sockets[0].getsockname()[1]
    if network:
        sockets.append(_listening(network, port))
    live = Live(place, port, network)
    address = f"{live.address}?token={live.sessions.address()}"
    say(f"The page is at {address}")
    say("That address opens it once. Ctrl-C ends it; everything is in the project's files.")
    if network:
        say(f"Telephones: {live.telephones.address} with the code that the page shows under Telephones.")
    config = uvicorn.Config(
        live.app(), log_level="error", access_log=False, server_header=False, proxy_headers=False, http="h11",
        ws="none", loop="asyncio", lifespan="on", limit_concurrency=_AT_ONCE, timeout_keep_alive=5,
        timeout_graceful_shutdown=1, h11_max_incomplete_event_size=_HEADERS_MOST,
    )  # fmt: skip
    if browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    for each in (signal.SIGINT, signal.SIGTERM):
        signal.signal(each, _stop)  # what the server raises again once it has ended
    try:
        _Server(config, live.board.close).run(sockets=sockets)
    except KeyboardInterrupt:
        say("Ended.")


class _Server(uvicorn.Server):
    """Ends its streams before it waits for requests to end."""

    def __init__(self, config: uvicorn.Config, close: Callable[[], None]) -> None:
        super().__init__(config)
        self._close = close

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End."""
        self._close()
        await super().shutdown(sockets)


def _stop(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _listening(address: str, port: int) -> socket.socket:
    """A socket that listens; of a port that is in use, what to do."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # a port that a killed server left at once
    try:
        made.bind((address, port))
        made.listen(128)
    except OSError as error:
        made.close()
        problem = f"port {port} at {address} cannot be used ({error.strerror or error})"
        hint = f"end what uses it, perhaps another phaseopt live, or give another, as --port {port % 65535 + 1}"
        raise InputError.one(problem, hint=hint, where="--port") from None
    return made
