"""The server: one page, one stream of its parts, actions on files, questions to the child process."""

import asyncio
import json
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from phaseopt.live.actions import ACTIONS, ASKED_FIRST
from phaseopt.live.board import Board, PagePart
from phaseopt.live.desk import Desk
from phaseopt.live.devices import OVERHEARD, Telephones
from phaseopt.live.guard import UPLOAD, App, Guard, served_policy
from phaseopt.live.history import digest_of, text_now
from phaseopt.live.lock import hold
from phaseopt.live.page_parts import filled
from phaseopt.live.sessions import Sessions, state_file
from phaseopt.live.start import chosen_project, new_project, projects_below
from phaseopt.live.studies import study_page
from phaseopt.report.cautions import BEFORE_TURNING_SHORT, STRIP, cautions
from phaseopt.report.page import policy
from phaseopt.report.palette import style_sheet
from phaseopt.values.errors import InputError

BEAT = 2.0  # seconds between signs of life; a page without one for three times as long is out of date
_STREAMS = 40  # at once


class Live:
    """One project served, or a folder in which one is to be chosen.

    Parameters: `place`, the project's file or the folder; `port`; `network`, the address that telephones use, "" for
    none; `sessions`, by default those of the place. Raises `InputError` where another server has the project.
    """

    def __init__(self, place: Path, port: int, network: str = "", sessions: Sessions | None = None) -> None:
        self.board = Board()
        self.folder = place if place.is_dir() else place.parent
        self.address = f"http://127.0.0.1:{port}/"
        self.sessions = sessions or Sessions(state_file(place, ".json"))
        self.telephones = Telephones(self.sessions, f"http://{network}:{port}/" if network else "")
        self._port, self._network = port, network
        self._writing = asyncio.Lock()
        self._streams = 0
        self._devices_changed = 0
        self.sessions.changed = self._show_devices
        self.project: Path | None = None
        self.desk: Desk | None = None
        if not place.is_dir():
            self._take(place)

    def app(self) -> App:
        """What answers a browser: the guard, and the pages behind it."""
        routes = [
            Route("/", self._index),
            Route("/events", self._events),
            Route("/parts", self._parts),
            Route("/text", self._text),
            Route("/sheet", self._sheet),
            Route("/study/{name:path}", self._study),
            Route("/devices", self._devices),
            Route("/devices/{what}", self._let, methods=["POST"]),
            Route("/do/{action}", self._do, methods=["POST"]),
            Route("/ask/{what}", self._ask, methods=["POST"]),
        ]
        inner = Starlette(routes=routes, lifespan=self._alive, exception_handlers={HTTPException: _nothing_here})
        inner.router.redirect_slashes = False
        return Guard(inner, self.sessions, self.telephones, self._port, self._network)

    def _take(self, project: Path) -> None:
        """Serve a project from now on."""
        self._held = hold(project, self.address)
        self.project, self.desk = project, Desk(project, self.board)
        if not os.access(project.parent, os.W_OK):
            text = "This page shows, and changes nothing: the project's folder may not be written to."
            self.board.put("notice", f'<p class="warning">{text}</p>', {"notice": text})

    @asynccontextmanager
    async def _alive(self, _app: Starlette) -> AsyncIterator[None]:
        if self.desk is not None:
            self.desk.start()
        try:
            yield
        finally:
            if self.desk is not None:
                self.desk.close()

    async def _index(self, request: Request) -> Response:
        page = filled(
            "live.html.j2",
            palette=style_sheet(),
            beat=BEAT,
            kind=request.state.kind,
            project=self.project and self.project.name,
            projects=[] if self.project else await run_in_threadpool(projects_below, self.folder),
            folder=self.folder.resolve().name,
            cautions=cautions(),
            in_short=STRIP,
            before=BEFORE_TURNING_SHORT,
        )
        return HTMLResponse(page, headers={"Content-Security-Policy": served_policy(page)})

    async def _events(self, _request: Request) -> Response:
        if self._streams >= _STREAMS:
            return JSONResponse({"messages": ["Too many pages are open. Close one."]}, 503)

        async def stream() -> AsyncIterator[str]:
            self._streams += 1
            try:
                yield "retry: 1000\n\n"
                async for parts in self.board.follow(BEAT):
                    if parts:
                        yield f"data: {json.dumps([as_json(part) for part in parts])}\n\n"
                    else:
                        yield "event: beat\ndata:\n\n"
            finally:
                self._streams -= 1

        return StreamingResponse(stream(), media_type="text/event-stream")

    async def _parts(self, _request: Request) -> Response:
        return JSONResponse([as_json(part) for part in self.board.since(0)])

    async def _text(self, _request: Request) -> Response:
        async def read() -> dict[str, str]:
            project, _ = self._opened()
            text = await run_in_threadpool(text_now, project)
            return {"text": text.decode("utf-8-sig", "replace"), "digest": digest_of(text)}

        return await _answered(read())

    async def _do(self, request: Request) -> Response:
        name, body = request.path_params["action"], await _body(request)
        async with self._writing:
            if self.project is None:
                return await _answered(self._chosen(name, body))
            return await _answered(self._done(name, body))

    async def _done(self, name: str, body: dict[str, Any]) -> dict[str, Any]:
        """Let an action change files, which the child judged before where it has to, and the child look at them."""
        project, desk = self._opened()
        if name not in ACTIONS:
            raise HTTPException(404)
        if name != "look":
            _require_writable(project.parent)
        if name in ASKED_FIRST:
            await desk.ask(ASKED_FIRST[name], body)
        found = await run_in_threadpool(ACTIONS[name], project, body)
        desk.look()
        return found

    async def _chosen(self, name: str, body: dict[str, Any]) -> dict[str, Any]:
        """Open a project, or begin one; the page then loads anew."""
        if name not in ("open", "new"):
            raise HTTPException(404)
        work = (chosen_project, body.get("file")) if name == "open" else (new_project, body.get("folder"))
        project = await run_in_threadpool(work[0], self.folder, work[1])
        self._take(project)
        self.sessions.move(state_file(project, ".json"))
        self._opened()[1].start()
        return {"reload": True}

    async def _ask(self, request: Request) -> Response:
        async def asked() -> dict[str, Any]:
            (project, desk), what = self._opened(), request.path_params["what"]
            if what == "write_tables":
                _require_writable(project.parent)
            return await desk.ask(what, await _body(request))

        return await _answered(asked())

    async def _sheet(self, _request: Request) -> Response:
        """The measuring sheet, a page of its own to print."""
        try:
            page = (await self._opened()[1].ask("sheet", {}))["html"]
        except InputError as error:
            return JSONResponse({"messages": list(error.messages)}, 400)
        return HTMLResponse(page, headers={"Content-Security-Policy": policy(page)})

    async def _study(self, request: Request) -> Response:
        """A page of a study, shut off: no name of this server counts in it."""
        try:
            page = await run_in_threadpool(study_page, self._opened()[0], request.path_params["name"])
        except InputError as error:
            return JSONResponse({"messages": list(error.messages)}, 404)
        return HTMLResponse(
            page, headers={"Content-Security-Policy": f"{policy(page)}; frame-ancestors 'none'; sandbox allow-scripts"}
        )

    async def _devices(self, _request: Request) -> Response:
        return JSONResponse({"html": self._devices_html()})

    async def _let(self, request: Request) -> Response:
        """Make a code or an address, or end a telephone's session."""

        async def let() -> dict[str, Any]:
            what, body = request.path_params["what"], await _body(request)
            if what == "code":
                self.telephones.new_code()
            elif what == "address":
                return {"html": self._devices_html(f"{self.address}?token={self.sessions.address()}")}
            elif what == "disconnect":
                for each in self.sessions.of("telephone"):
                    if each.digest == body.get("digest"):
                        self.sessions.end(each.digest)
            else:
                raise HTTPException(404)
            return {"html": self._devices_html()}

        return await _answered(let())

    def _show_devices(self) -> None:
        """Say on every page that a browser or telephone came or went; who, is asked for by a laptop's page alone."""
        self._devices_changed += 1
        self.board.put("devices", "", {"changes": self._devices_changed})

    def _devices_html(self, address: str = "") -> str:
        return filled(
            "devices.html.j2",
            overheard=OVERHEARD,
            telephones=self.telephones,
            connected=self.sessions.of("telephone"),
            address=address,
        )

    def _opened(self) -> tuple[Path, Desk]:
        if self.project is None or self.desk is None:
            raise InputError.one("no project is open", hint="open one on the first page")
        return self.project, self.desk


def _require_writable(folder: Path) -> None:
    """Refuse a change at once where nothing may be written."""
    if not os.access(folder, os.W_OK):
        hint = "copy the project to a folder of your own and start phaseopt live there"
        raise InputError.one("may not be written to; nothing was changed", hint=hint, file=folder)


async def _body(request: Request) -> dict[str, Any]:
    """What a page sent: an object of JSON; or a file, as "content", with what its address says of it."""
    if request.headers["content-type"].startswith(UPLOAD):
        return {**request.query_params, "content": await request.body()}
    try:
        found = await request.json()
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise HTTPException(400, "Send one object of JSON.")
    return found


async def _answered(work: Any) -> Response:
    """What work comes to; what it refuses as messages."""
    try:
        return JSONResponse(await work)
    except InputError as error:
        return JSONResponse({"messages": list(error.messages)}, 400)


async def _nothing_here(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    sentence = "There is nothing at this address." if error.status_code == 404 else error.detail
    return JSONResponse({"messages": [sentence]}, error.status_code)


def as_json(part: PagePart) -> dict[str, Any]:
    """A part as it travels."""
    return part._asdict()
