"""The server's addresses: the page, questions, uploads, files, and the live line."""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
from collections.abc import AsyncIterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket

from whichcore.web.child import Child, Refused
from whichcore.web.guard import Guard, Guarded
from whichcore.web.live import Hub

LONGEST_QUESTION = 2_000_000
LONGEST_UPLOAD = 12_000_000
UPLOADS = {
    ".toml": "text/plain",
    ".csv": "text/csv",
    ".s1p": "text/plain",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".webp": "image/webp",
}
STATUS = {
    "input": 400,
    "usage": 400,
    "library": 400,
    "analysis": 422,
    "record": 409,
    "busy": 409,
    "refused": 403,
}
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox"
)
AT_BENCH = frozenset({"calibrate", "sweep"})
DRIVING = frozenset({"fitted", "stop", "bench.state"})


class Desks:
    """The child processes behind the page."""

    def __init__(self) -> None:
        self.hub = Hub("whichcore.web.bench")
        self.desk = Child("whichcore.web.desk")
        self.judge = Child("whichcore.web.judge")
        self._verdicts: dict[str, asyncio.Task[dict[str, Any]]] = {}  # being worked out, by what was asked

    async def ask(self, call: str, page: str, args: dict[str, Any]) -> dict[str, Any]:
        """Pass a question to the child it is for; raises Refused."""
        if call in AT_BENCH:
            return await self.hub.start(call, page, args)
        if call in DRIVING:
            return await self.hub.drive(call, page, args)
        if call == "judge.identify":
            return await self._verdict(call, args)
        child = self.judge if call.startswith("judge.") else self.desk
        return await child.ask(call, args)

    async def _verdict(self, call: str, args: dict[str, Any]) -> dict[str, Any]:
        """Pass a case on; who asks the same meanwhile, as after a reload, gets the same verdict."""
        question = json.dumps(args, sort_keys=True)
        if question not in self._verdicts:
            verdict = asyncio.create_task(self.judge.ask(call, args))
            self._verdicts[question] = verdict
            verdict.add_done_callback(lambda _: self._verdicts.pop(question))
        return await asyncio.shield(self._verdicts[question])

    async def stop(self) -> None:
        """End all of them; the bench first, its output goes off."""
        await self.hub.bench.stop()
        await asyncio.gather(self.desk.stop(), self.judge.stop())


def make_app(rules: Guarded) -> Guard:
    """Return the whole application."""
    desks = Desks()

    @contextlib.asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        yield
        await desks.stop()

    folder = Path(str(files("whichcore.web") / "static"))
    routes = [
        Route("/", lambda _request: FileResponse(folder / "index.html")),
        Route("/ask/{call}", _ask, methods=["POST"]),
        Route("/upload/{name}", _upload, methods=["PUT"]),
        Route("/file/{record}", _file),
        Route("/report/{record}.{form:str}", _report),
        WebSocketRoute("/live", _live),
        Mount("/static", StaticFiles(directory=folder)),
    ]
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers={404: _nothing, 405: _nothing})
    app.state.desks = desks
    return Guard(app, rules)


async def _ask(request: Request) -> Response:
    """Answer one question of a page."""
    try:
        body = await _body(request, LONGEST_QUESTION)
        asked = json.loads(body or b"{}")
        if not isinstance(asked, dict):
            raise ValueError("an object was expected")
    except (ValueError, RecursionError) as error:
        return _error(_wrong("the question cannot be read", str(error)[:200]))
    except Refused as error:
        return _error(error.fields)
    page = request.headers.get("x-page", "")
    try:
        answer = await _desks(request).ask(request.path_params["call"], page, asked)
    except Refused as error:
        return _error(error.fields)
    return JSONResponse({"result": answer["result"], "warnings": answer.get("warnings", [])})


async def _upload(request: Request) -> Response:
    """Take a file in; it gets a name of our own and is looked at by a child process alone."""
    suffix = Path(request.path_params["name"]).suffix.lower()
    if suffix not in UPLOADS:
        return _error(_wrong("files of this kind are not taken", suffix or "no ending", ", ".join(UPLOADS)))
    try:
        body = await _body(request, LONGEST_UPLOAD)
        args = {"name": secrets.token_hex(12) + suffix, "content": body.hex()}
        answer = await _desks(request).desk.ask("upload", args)
    except Refused as error:
        return _error(error.fields)
    return JSONResponse({"result": answer["result"], "warnings": answer.get("warnings", [])})


async def _file(request: Request) -> Response:
    """Hand out the file of a record, to be saved and never shown in place."""
    try:
        answer = await _desks(request).desk.ask("records.file", {"record": request.path_params["record"]})
    except Refused as error:
        return _error(error.fields)
    found = answer["result"]
    headers = {"content-disposition": f'attachment; filename="{found["name"]}"'}
    return Response(bytes.fromhex(found["content"]), media_type="application/octet-stream", headers=headers)


async def _report(request: Request) -> Response:
    """Make the report of a verdict, as a page or for printing."""
    form = request.path_params["form"]
    if form not in {"html", "pdf"}:
        return _error(_wrong("there is no such kind of report", form, "html, pdf"))
    try:
        args = {"record": request.path_params["record"], "form": form}
        answer = await _desks(request).judge.ask("judge.report", args)
    except Refused as error:
        return _error(error.fields)
    found = answer["result"]
    content = bytes.fromhex(found["content"])
    if form == "html":
        return Response(content, media_type="text/html", headers={"content-security-policy": REPORT_POLICY})
    headers = {"content-disposition": f'inline; filename="{found["name"]}"'}
    return Response(content, media_type="application/pdf", headers=headers)


async def _live(socket: WebSocket) -> None:
    desks: Desks = socket.app.state.desks
    asked = socket.query_params
    await desks.hub.join(socket, asked.get("page", ""), asked.get("before", ""))


async def _nothing(_request: Request, _exception: Exception) -> Response:
    return JSONResponse({"error": _wrong("there is nothing at this address", "")}, 404)


async def _body(request: Request, longest: int) -> bytes:
    """Read a body up to a length; raises Refused beyond it."""
    parts, size = [], 0
    try:
        async for part in request.stream():
            size += len(part)
            if size > longest:
                raise Refused(_wrong("this is too large", f"more than {longest // 1_000_000} MB"))
            parts.append(part)
    except ClientDisconnect:
        raise Refused(_wrong("the upload broke off", f"{size} bytes")) from None
    return b"".join(parts)


def _desks(request: Request) -> Desks:
    desks: Desks = request.app.state.desks
    return desks


def _wrong(what: str, got: str, allowed: str = "") -> dict[str, str]:
    return {"code": "input", "what": what, "where": "page", "got": got, "allowed": allowed, "next": ""}


def _error(fields: dict[str, str]) -> Response:
    return JSONResponse({"error": fields}, STATUS.get(fields.get("code", ""), 500))
