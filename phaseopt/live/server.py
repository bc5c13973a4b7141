"""The server: one page, one stream of its parts, actions on files, questions to the child process."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from phaseopt.live.actions import ACTIONS, ASKED_FIRST
from phaseopt.live.board import Board, Part
from phaseopt.live.desk import Desk
from phaseopt.live.page_parts import filled
from phaseopt.report.page import policy
from phaseopt.report.palette import style_sheet
from phaseopt.values.errors import InputError

BEAT = 2.0  # seconds between signs of life; a page without one for three times as long is out of date
POLICY = "the policy of this page"


class Live:
    """One project served. Parameters: `project`, its file."""

    def __init__(self, project: Path) -> None:
        self.board = Board()
        self.project, self.desk = project, Desk(project, self.board)
        self._writing = asyncio.Lock()
        self.page = _page()

    def app(self) -> Starlette:
        """What answers a browser, without the guard in front of it."""
        routes = [
            Route("/", self._index),
            Route("/events", self._events),
            Route("/parts", self._parts),
            Route("/do/{action}", self._do, methods=["POST"]),
            Route("/ask/{what}", self._ask, methods=["POST"]),
        ]
        return Starlette(routes=routes, lifespan=self._alive)

    @asynccontextmanager
    async def _alive(self, _app: Starlette) -> AsyncIterator[None]:
        self.desk.start()
        try:
            yield
        finally:
            self.desk.close()

    async def _index(self, _request: Request) -> Response:
        return HTMLResponse(self.page, headers={"Content-Security-Policy": _served_policy(self.page)})

    async def _events(self, _request: Request) -> Response:
        async def stream() -> AsyncIterator[str]:
            async for parts in self.board.follow(BEAT):
                if parts:
                    yield f"data: {json.dumps([as_json(part) for part in parts])}\n\n"
                else:
                    yield ": alive\nevent: beat\ndata:\n\n"

        return StreamingResponse(stream(), media_type="text/event-stream")

    async def _parts(self, _request: Request) -> Response:
        return JSONResponse([as_json(part) for part in self.board.since(0)])

    async def _do(self, request: Request) -> Response:
        if request.path_params["action"] not in ACTIONS:
            return JSONResponse({"messages": ["there is no such action"]}, 404)
        body = await _body(request)
        async with self._writing:
            return await _answered(self._done(request.path_params["action"], body), self.desk.look)

    async def _done(self, name: str, body: dict[str, Any]) -> dict[str, Any]:
        """An action on files; the child process has judged before what it has to judge."""
        if name in ASKED_FIRST:
            await self.desk.ask(ASKED_FIRST[name], body)
        return await run_in_threadpool(ACTIONS[name], self.project, body)

    async def _ask(self, request: Request) -> Response:
        return await _answered(self.desk.ask(request.path_params["what"], await _body(request)), lambda: None)


async def _body(request: Request) -> dict[str, Any]:
    try:
        found = await request.json()
    except ValueError:
        found = None
    return found if isinstance(found, dict) else {}


async def _answered(work: Any, then: Any) -> Response:
    try:
        found = await work
    except InputError as error:
        return JSONResponse({"messages": list(error.messages)}, 400)
    then()
    return JSONResponse(found)


def as_json(part: Part) -> dict[str, Any]:
    """A part as it travels."""
    return part._asdict()


def _page() -> str:
    return filled("live.html.j2", palette=style_sheet(), policy=POLICY, beat=BEAT)


def _served_policy(page: str) -> str:
    return policy(page).replace("default-src 'none'", "default-src 'none'; connect-src 'self'")
