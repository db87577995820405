"""The server, which ends its live feeds when it is told to stop."""

from __future__ import annotations

import socket

import uvicorn
from fastapi import FastAPI


class Server(uvicorn.Server):
    """Serves the app; on a signal the live feeds end at once instead of holding it up."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        app = self.config.app
        if isinstance(app, FastAPI):
            app.state.feed.close()
        await super().shutdown(sockets)
