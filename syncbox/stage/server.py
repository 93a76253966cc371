"""The page's own process: a small web server that only reads what the host says.

Nothing that comes in over the network is more than read and, if the code was given, passed to
the host as a press. The process ends with its host, however that ends.
"""

from __future__ import annotations

import asyncio
import io
import json
import os
import pickle
import queue
import signal
import socket
import sys
import threading
from collections.abc import Awaitable, Callable, MutableMapping
from importlib import resources
from typing import Any

import segno
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket

from syncbox import __version__
from syncbox.drivers import system
from syncbox.engine.leaving import told_to_leave
from syncbox.engine.process import answer
from syncbox.errors import SyncboxError
from syncbox.stage.addresses import listening_socket, own_addresses
from syncbox.stage.door import Door, is_own_host, is_own_page
from syncbox.stage.host import PageJob
from syncbox.stage.hub import Hub
from syncbox.stage.presses import NOTE_BYTES_MAX

ALIVE_S = 1.0
PING_S, PONG_S = 5.0, 8.0  # a phone that has walked off is forgotten after both
CONNECTIONS_MAX = 200
_REPORTS_MAX = 64
_WATCHFUL_MS = 10_000  # TCP gives up a connection that takes nothing for so long
_POLICY = 1008  # RFC 6455, 7.4.1

_TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}
_FILES = ("stage.css", "contact.js", "stage.js", "learn.js", "fit.js", "mark.svg")

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


def page_file(name: str) -> bytes:
    """One of the page's files, as it lies in the package."""
    return (resources.files("syncbox.stage") / "page" / name).read_bytes()


def policy(host: str) -> str:
    """Content-Security-Policy: everything comes from here, and nothing is written inline."""
    return (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        f"connect-src 'self' ws://{host}; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )


class Guard:
    """Around the app: refuses names that are not ours, and sets what every answer carries."""

    def __init__(self, app: Starlette, own_name: str) -> None:
        self._app, self._own_name = app, own_name

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        headers = dict(scope.get("headers", ()))
        host = headers.get(b"host", b"").decode("latin-1")
        if scope["type"] == "http" and not is_own_host(host, self._own_name):
            words = "This address is not one of this computer's. Use the one on its screen.\n"
            await Response(words, 421)(scope, receive, send)
            return

        async def send_on(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                extra = {
                    "content-security-policy": policy(host),
                    "x-content-type-options": "nosniff",
                    "referrer-policy": "no-referrer",
                    "cross-origin-resource-policy": "same-origin",
                    "cache-control": "no-store",
                }
                pairs = [(k.encode(), v.encode("latin-1")) for k, v in extra.items()]
                message["headers"] = [*message.get("headers", ()), *pairs]
            await send(message)

        await self._app(scope, receive, send_on)


def app_of(hub: Hub, page: str, own_name: str) -> Guard:
    """The web application."""
    files = {name: page_file(name) for name in (f"{page}.html", *_FILES)}

    def sender(name: str) -> Callable[[Request], Awaitable[Response]]:
        media_type = _TYPES[name[name.rindex(".") :]]

        async def give(_request: Request) -> Response:
            return Response(files[name], media_type=media_type)

        return give

    async def pass_on(request: Request) -> Response:
        """The address that this phone used, for the next phone's camera."""
        picture = io.BytesIO()
        made = segno.make(f"http://{request.headers['host']}/", error="m", micro=False)
        made.save(picture, kind="svg", scale=8, border=4, dark="#0c0c0c", light="#e0d6b8")
        return Response(picture.getvalue(), media_type=_TYPES[".svg"])

    async def live(socket: WebSocket) -> None:
        host, origin = socket.headers.get("host", ""), socket.headers.get("origin")
        if not is_own_page(origin, host, own_name):
            await socket.close(_POLICY)
            return
        await socket.accept()
        address = socket.client.host if socket.client else ""
        await hub.serve(_Socket(socket), address)
        await socket.close()

    routes: list[BaseRoute] = [Route("/", sender(f"{page}.html"))]
    routes += [Route(f"/{name}", sender(name)) for name in _FILES]
    routes += [Route("/pass-on.svg", pass_on), WebSocketRoute("/live", live)]
    return Guard(Starlette(routes=routes), own_name)


class _Socket:
    """A phone's WebSocket as the hub wants it."""

    def __init__(self, socket: WebSocket) -> None:
        self._socket = socket

    async def send(self, text: str) -> None:
        await self._socket.send_text(text)

    async def receive(self) -> str | bytes:
        note = await self._socket.receive()
        if note["type"] != "websocket.receive":
            raise ConnectionError("it has gone")
        text = note.get("text")
        return text if isinstance(text, str) else note.get("bytes") or b""


class Reports:
    """What goes to the host: bounded, and written by a thread of its own, so nobody waits."""

    def __init__(self) -> None:
        self._waiting: queue.Queue[dict[str, Any]] = queue.Queue(_REPORTS_MAX)
        threading.Thread(target=self._write, name="reports", daemon=True).start()

    def put(self, report: dict[str, Any]) -> None:
        """Dropped if the host takes nothing: a press that waits long must not count any more."""
        try:
            self._waiting.put_nowait(report)
        except queue.Full:
            return

    def _write(self) -> None:
        while True:
            answer(self._waiting.get())


def heed(hub: Hub, line: bytes) -> None:
    """One line from the host: a card, or what came of a press."""
    try:
        kind, _, rest = line.decode().partition(" ")
        if kind == "card":
            hub.show(rest.rstrip("\n"))
        elif kind == "answer":
            words = json.loads(rest)
            hub.answer(words.pop("phone"), words)
    except (ValueError, KeyError):
        return


async def _serve(job: PageJob, listener: socket.socket) -> None:
    loop = asyncio.get_running_loop()
    reports = Reports()
    page = f"{job.page} {__version__}"
    hub = Hub(Door(job.code), lambda press: reports.put({"press": press}), system.now_ns, page)
    config = uvicorn.Config(
        app_of(hub, job.page, socket.gethostname()),
        http="h11",
        ws="websockets-sansio",
        loop="asyncio",
        lifespan="off",
        log_level="critical",
        access_log=False,
        server_header=False,
        ws_max_size=NOTE_BYTES_MAX * 4,
        ws_ping_interval=PING_S,
        ws_ping_timeout=PONG_S,
        ws_per_message_deflate=False,
        limit_concurrency=CONNECTIONS_MAX,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=1,  # SIGTERM
        h11_max_incomplete_event_size=16_384,
    )

    def said(line: bytes) -> None:
        loop.call_soon_threadsafe(heed, hub, line)

    def listen_to_host() -> None:
        told_to_leave(said)
        os._exit(0)  # at once, so that the port is free for the next host; phones come again

    threading.Thread(target=listen_to_host, name="host", daemon=True).start()

    async def say_alive() -> None:
        while True:
            reports.put({"phones": hub.count})
            await asyncio.sleep(ALIVE_S)

    alive = asyncio.create_task(say_alive())
    await uvicorn.Server(config).serve(sockets=[listener])
    alive.cancel()


def main() -> None:
    """Entry of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    system.step_back()  # whatever plays goes first
    try:
        job: PageJob = pickle.load(sys.stdin.buffer)
        listener = listening_socket(job.port)
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # Linux; connections inherit it
            listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _WATCHFUL_MS)
        answer({"port": listener.getsockname()[1], "addresses": own_addresses()})
        asyncio.run(_serve(job, listener))
    except SyncboxError as error:
        answer({"what": error.what, "where": error.where, "hint": error.hint})
    os._exit(0)
