"""Serves the page of a watch, to this machine alone and to who knows the token.

Any program of any user of this machine can reach a port on it, and any page in a browser can ask
for an address there. So every address holds a token that nobody can guess, and a request must name
this machine as its host: a name that someone makes to lead here (DNS rebinding) is refused.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from pathlib import Path
from types import TracebackType
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    PlainTextResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from cagecheck.watching.live import first_page, live_page

HOST = "127.0.0.1"
# A browser that hears nothing for long gives up; so often it hears that there is nothing.
KEEP_ALIVE_SECONDS = 10.0
# How long pages get to hear that the watch has ended.
GOODBYE_SECONDS = 0.4
TOKEN_BYTES = 24
HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
}

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
MakeLive = Callable[[str, int, dict[str, Any]], str]


class PageServer:
    """A server for one page and the files of one result folder, running until the block is left.

    Parameters
    ----------
    folder : Path | None
        The result folder; None where nothing but the page is served.
    live : callable, optional
        Makes a page follow the watch: `live_page`, or `live_sheet` for pages without a model.

    Attributes
    ----------
    address : str
        Where the page is.
    """

    def __init__(self, folder: Path | None, *, live: MakeLive = live_page) -> None:
        self.token: str = secrets.token_urlsafe(TOKEN_BYTES)
        self._live = live
        self._folder = None if folder is None else folder.resolve()
        self._files: frozenset[str] = frozenset()
        self._page: str | None = None
        self._news: dict[str, Any] = {"state": "working", "title": "", "words": "", "page": 0}
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self._socket.bind((HOST, 0))
        self._socket.listen()
        self.port = int(self._socket.getsockname()[1])
        self.address = f"http://{HOST}:{self.port}/{self.token}/"
        self._hosts = {f"{name}:{self.port}".encode() for name in (HOST, "localhost")}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._told = asyncio.Event()
        self._ready = threading.Event()
        self._server = uvicorn.Server(self._config())
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> PageServer:
        self._thread.start()
        self._ready.wait()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.tell("ended", "The watch has ended.", "This is its last result.")
        self._server.should_exit = True
        self._thread.join(GOODBYE_SECONDS)
        self._server.force_exit = True
        self._socket.close()

    def tell(self, state: str, title: str, words: str) -> None:
        """Say what is going on, on every page that is open.

        state : ``working``, ``round``, ``waiting`` or ``ended``.
        """
        self._news = {"state": state, "title": title, "words": words, "page": self._news["page"]}
        self._wake()

    def show(self, page: str, title: str, words: str) -> None:
        """Show another page; those that are open load it."""
        number = self._news["page"] + 1
        news = {"state": "round", "title": title, "words": words, "page": number}
        self._page = self._live(page, number, news)
        self._news = news
        self._wake()

    def offer(self, names: list[str]) -> None:
        """Serve these files of the result folder, beside the page."""
        self._files = frozenset(names)

    # The server's own thread --------------------------------------------------------------------

    def _config(self) -> uvicorn.Config:
        routes = [
            Route("/", self._send_page),
            Route("/news", self._send_news),
            Route("/files/{name:path}", self._send_file),
        ]
        self._pages = Starlette(routes=routes)
        return uvicorn.Config(
            self._guarded, log_config=None, log_level="critical", access_log=False,
            interface="asgi3", lifespan="off", ws="none", timeout_graceful_shutdown=1,
            server_header=False,
        )  # fmt: skip

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._ready.set()
        await self._server.serve(sockets=[self._socket])

    def _wake(self) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._announce)

    def _announce(self) -> None:
        told, self._told = self._told, asyncio.Event()
        told.set()

    async def _guarded(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse who does not know the token or comes by another name; pass on the rest."""
        if scope["type"] != "http":
            return
        _, _, inner = str(scope["path"]).partition("/")
        token, _, rest = inner.partition("/")
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        known = secrets.compare_digest(token.encode(), self.token.encode())
        if not known or len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            refusal = PlainTextResponse("This address is for the watch's own page.", 403, HEADERS)
            await refusal(scope, receive, send)
            return
        path = f"/{rest}"
        await self._pages({**scope, "path": path, "raw_path": path.encode()}, receive, send)

    async def _send_page(self, request: Request) -> Response:
        page = self._page or first_page(self._news)
        return HTMLResponse(page, headers=HEADERS)

    async def _send_news(self, request: Request) -> Response:
        return StreamingResponse(self._all_news(), media_type="text/event-stream", headers=HEADERS)

    async def _all_news(self) -> AsyncIterator[str]:
        while True:
            told, news = self._told, self._news
            yield f"data: {json.dumps(news)}\n\n"
            if news["state"] == "ended":
                return
            while not told.is_set():
                try:
                    await asyncio.wait_for(told.wait(), KEEP_ALIVE_SECONDS)
                except TimeoutError:
                    yield ": still here\n\n"

    async def _send_file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if self._folder is None or name not in self._files:
            return PlainTextResponse("There is no such file in this result.", 404, HEADERS)
        path = (self._folder / name).resolve()
        if not path.is_relative_to(self._folder) or not path.is_file():
            return PlainTextResponse("There is no such file in this result.", 404, HEADERS)
        return FileResponse(path, headers=HEADERS)
