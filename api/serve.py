"""The server: by which names it is asked, how long it waits for a request, and how it ends.

A page of another site can have its own name answered with the address of this machine and would
then be of the same origin as our pages, past every check of where a form comes from. So where only
this machine is served, or where the settings list names, a request has to ask for a name that is
ours. An address is ours as well: no name server can claim one.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from http import HTTPStatus
from urllib.parse import urlsplit

import h11
import uvicorn
from fastapi import FastAPI, Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.problems import with_headers
from collector.config import LOOPBACK, PagesSettings

#: How long a client may take to say what it wants [s].
HEAD_WAIT_S = 30.0

#: Seconds that open requests (the live feed) get to end when the server stops.
GRACE_S = 2


class Server(uvicorn.Server):
    """Serves the app; on a signal the live feeds end at once instead of holding it up."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        app = self.config.app
        if isinstance(app, FastAPI):
            app.state.feed.close()
        await super().shutdown(sockets)


def server_of(app: FastAPI, pages: PagesSettings, port: int) -> Server:
    """The server of an app as the settings have it, but on the given port."""
    if pages.host in LOOPBACK or pages.names:
        app.add_middleware(KnownNamesOnly, names=frozenset({pages.host, *pages.names}), port=port)
    return Server(
        uvicorn.Config(
            app,
            host=pages.host,
            port=port,
            log_level="warning",
            timeout_graceful_shutdown=GRACE_S,
            http=PatientProtocol,
            ws="none",
        )
    )


class KnownNamesOnly:
    """Refuses requests that ask for a name which is not ours."""

    def __init__(self, app: ASGIApp, *, names: frozenset[str], port: int) -> None:
        self._app = app
        self._names = names
        self._port = port

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            asked = Request(scope).headers.get("host", "")
            if asked and not is_ours(asked, self._names):
                refusal = PlainTextResponse(
                    f"vatside does not know itself by the name “{asked[:100]}”. Open it as "
                    f"http://localhost:{self._port}/, or put the name into names under [pages] "
                    "in vatside.toml and start it again.\n",
                    status_code=HTTPStatus.MISDIRECTED_REQUEST,
                )
                refusal.raw_headers = with_headers(refusal.raw_headers)
                await refusal(scope, receive, send)
                return
        await self._app(scope, receive, send)


def is_ours(host: str, names: frozenset[str]) -> bool:
    """Whether a Host header asks for an address, for this machine, or for one of the names."""
    try:
        name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
    except ValueError:
        return False
    if name in names or name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class PatientProtocol(H11Protocol):
    """Speaks HTTP with one client, and hangs up when its request does not come."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait_or_not()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._wait_or_not()

    def connection_lost(self, exc: Exception | None) -> None:
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait_or_not(self) -> None:
        """A head has begun, or is to come first of all: it has so long, however it trickles in."""
        if self.conn.their_state is not h11.IDLE or self.transport.is_closing():
            self._wait_no_more()
        elif self._waiting is None:
            self._waiting = self.loop.call_later(HEAD_WAIT_S, self.transport.close)

    def _wait_no_more(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
