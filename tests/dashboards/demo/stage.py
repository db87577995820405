"""A workshop to play on: an empty record and store, the real api, and a wire in between."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import uvicorn

from api.answers import Workshop
from api.app import create_app
from api.record import Record
from collector.config import Settings
from collector.payload import Decoder
from collector.store.contract import Arrival
from collector.store.sqlite import SqliteStore
from dashboards.demo.api_client import ApiClient
from dashboards.demo.play import Player, Tempo
from dashboards.demo.winter import Winter

#: The moment at which the winters of these tests end [s since 1970], a whole minute.
NOW_S = 1_790_000_000.0 // 60 * 60


@contextmanager
def served(workshop: Workshop) -> Iterator[ApiClient]:
    """The real api over a workshop, on a free port of this machine."""
    config = uvicorn.Config(create_app(workshop), port=0, log_level="error", ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield ApiClient(f"http://127.0.0.1:{port}")
    finally:
        server.should_exit = True
        thread.join()


@dataclass
class Wire:
    """Stands for publisher, broker and collector: what is published is in the store."""

    settings: Settings
    store: SqliteStore
    clock_s: float = NOW_S
    times_ms: list[int] = field(default_factory=list)
    waiting: list[Arrival] = field(default_factory=list)

    def publish(self, topic: str, payload: bytes) -> None:
        decoder = Decoder(self.settings.channels)
        arrival = decoder.arrival(topic, payload, int(self.clock_s * 1_000))
        assert not arrival.refusals
        self.times_ms += [reading.time_ms for reading in arrival.readings]
        self.waiting.append(arrival)
        if len(self.waiting) == 20 or len(arrival.readings) < 10:
            self.drain()

    def drain(self) -> None:
        """Commit what waits, as a collector does: in batches."""
        self.store.append(self.waiting)
        self.waiting.clear()


@dataclass
class Stage:
    """A workshop with an empty record and store, its api, and the wire to it."""

    workshop: Workshop
    wire: Wire
    api: ApiClient

    def player(self, played: Winter, *, speed: float = 1.0, started_s: float = NOW_S) -> Player:
        """A player whose clock is the wire's."""
        tempo, stop = Tempo(started_s, speed), threading.Event()
        return Player(played, self.wire, self.api, tempo, stop, clock=lambda: self.wire.clock_s)


@contextmanager
def stage_of(settings: Settings) -> Iterator[Stage]:
    """A stage whose files lie where the settings say."""
    store = SqliteStore(settings.store.readings_path)
    workshop = Workshop(settings, store, Record(settings.store.record_path))
    try:
        with served(workshop) as api:
            yield Stage(workshop, Wire(settings, store), api)
    finally:
        workshop.record.close()
        store.close()
