"""Plays the invented workshop: its winter as history, then its sensors live.

Time. The winter ends at the moment the demo was first started in its folder; that moment is
kept there (``demo-began.txt``), so that the same demo started again tells the same story and
what is on disk already is not doubled. While the demo is off its sensors are off: the record
has a gap.

At speed 1 the simulated clock is the real one. At a higher speed the last three hours before
the start are not sent as history: they are played, faster than the clock, until simulated and
real time meet; from then on it is the real clock. Readings carry the simulated time, so none
of them ever lies in the future.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Protocol

import numpy as np

from collector.config import BrokerSettings, Settings
from collector.errors import BrokerError, ConflictError, InvalidError, NotFoundError
from collector.publisher import Publisher
from dashboards.demo.api_client import Answer, ApiClient, ApiSilentError
from dashboards.demo.entries import Entry, entries, filled, rfc3339
from dashboards.demo.packs import FRESH_S, Message, history, last_sent_s, live, packs
from dashboards.demo.physics import HOUR_S, Floats
from dashboards.demo.sensors import CHANNELS, history_times, readings
from dashboards.demo.winter import SEED, Winter, winter

BEGAN_FILE = "demo-began.txt"

#: What is played rather than told when the demo runs faster than the clock.
LEAD_S = 3 * HOUR_S
FASTEST = 3_600.0
TICK_S = 1.0
#: A longer pause of this process (a laptop asleep) leaves a gap instead of being made up for.
PAUSE_LIMIT_S = 600.0
HANDSHAKE_LIMIT_S = 60.0
HANDSHAKE_EVERY_S = 0.25

Clock = Callable[[], float]


class Publishes(Protocol):
    """What is needed of a publisher."""

    def publish(self, topic: str, payload: bytes) -> None:
        """Send one message."""

    def drain(self) -> None:
        """Wait until everything is acknowledged."""


class Api(Protocol):
    """What is needed of the api; see :class:`ApiClient`."""

    def get(self, path: str, **query: str) -> Answer:
        """What stands there."""

    def make(self, path: str, body: object, key: str) -> int:
        """Put something new on record, once per key; its id."""

    def correct(self, path: str, body: object, etag: str) -> None:
        """Change something that nobody changed since ``etag``."""


@dataclass(frozen=True, slots=True)
class Tempo:
    """The simulated clock: ``speed`` times the real one from ``lead_s`` before the start on,
    until it has caught up."""

    started_s: float
    speed: float = 1.0

    @property
    def lead_s(self) -> float:
        """How far before the real time the simulated time begins [s]."""
        return LEAD_S if self.speed > 1.0 else 0.0

    def at(self, now_s: float) -> float:
        """Simulated time at a real time, both in s since 1970; never later than it."""
        played_s = self.speed * max(0.0, now_s - self.started_s)
        return min(now_s, self.started_s - self.lead_s + played_s)


@dataclass
class Book:
    """Writes the winter's entries into the record as they fall due, each once."""

    api: Api
    pending: list[Entry]
    ids: dict[str, int] = field(default_factory=dict)

    def write_due(self, time_s: float) -> None:
        """Make every entry due at ``time_s``. What a person has changed stands: an entry that
        clashes with the record is left out, and so is what belongs to it."""
        while self.pending and self.pending[0].time_s <= time_s:
            with suppress(ConflictError, NotFoundError, KeyError):
                self._write(self.pending[0])
            self.pending.pop(0)

    def _write(self, entry: Entry) -> None:
        path = entry.path.format(*(self.ids[of.key] for of in entry.within))
        body = filled(entry.body, self.ids)
        if not entry.changes:
            self.ids[entry.key] = self.api.make(path, body, entry.key)
            return
        path = f"{path}/{self.ids[entry.changes]}"
        stands = self.api.get(path)
        if stands.body.get(entry.unless) is None:
            self.api.correct(path, body, stands.etag)


def began(folder: Path, now_s: float) -> float:
    """When the demo in this folder was first started [s since 1970]; now, if it never was.

    Raises ``InvalidError`` when its file holds no time.
    """
    path = folder / BEGAN_FILE
    if path.exists():
        text = path.read_text(encoding="utf-8").strip()
        try:
            return datetime.fromisoformat(text).timestamp()
        except ValueError:
            raise InvalidError(
                f"{text[:40]!r} is no time",
                where=str(path),
                remedy="Delete the demo's folder to begin a new winter.",
            ) from None
    folder.mkdir(parents=True, exist_ok=True)
    path.write_text(rfc3339(now_s // 60 * 60) + "\n", encoding="utf-8")
    return now_s // 60 * 60


def refuse_speed(speed: float) -> None:
    """Raise ``InvalidError`` for a speed that the demo cannot be played at."""
    if not 1.0 <= speed <= FASTEST:
        raise InvalidError(
            f"a speed of {speed:g} cannot be played",
            where="--speed",
            remedy=f"Choose 1 (the clock's own) to {FASTEST:g}.",
        )


def main(
    settings: Settings,
    broker: BrokerSettings,
    api_url: str,
    *,
    speed: float = 1.0,
    seed: int = SEED,
    stop: threading.Event | None = None,
) -> None:
    """Tell the winter and play on until ``stop`` is set (or this process is ended).

    Raises ``InvalidError`` for a speed below 1 or above 3,600, ``BrokerError`` when the broker
    or the collector behind it does not take messages, ``ApiSilentError`` without an api.
    """
    refuse_speed(speed)
    stop = stop or threading.Event()
    api = ApiClient(api_url)
    api.wait_until_ready()
    played = winter(began(settings.store.folder, time.time()), seed)
    with Publisher(broker) as publisher:
        Player(played, publisher, api, Tempo(time.time(), speed), stop).run()


@dataclass
class Player:
    """One performance: handshake, record, history, then live until ``stop``."""

    winter: Winter
    publisher: Publishes
    api: Api
    tempo: Tempo
    stop: threading.Event
    clock: Clock = time.time

    def run(self) -> None:
        """Play until stopped."""
        start_s = float(np.floor(self.tempo.at(self.clock())))
        book = Book(self.api, list(entries(self.winter)))
        self.greet(start_s)
        book.write_due(start_s)
        self.tell(min(self.winter.now_s, start_s))
        self.carry_on(start_s, book)

    def greet(self, moment_s: float) -> None:
        """Send one reading until it is on record: only then does the collector listen.

        It is one of the room's history, so that no channel is live before its history is told;
        once that is on record, one of the present.
        """
        times, values = self._greeting(moment_s)
        (message,) = packs("room-temp", times, values)
        end_s = time.monotonic() + HANDSHAKE_LIMIT_S
        while not self._heard("room-temp", float(times[0])):
            if time.monotonic() > end_s:
                raise BrokerError(
                    "What is published does not arrive in the record.",
                    where="the demo",
                    remedy="Check that the collector runs and listens to the same broker.",
                )
            self._send(message)
            if self.stop.wait(HANDSHAKE_EVERY_S):
                return

    def _greeting(self, moment_s: float) -> tuple[Floats, Floats]:
        """The time and value of a reading of the room that is not on record yet."""
        told_s = min(self.winter.now_s, moment_s)
        history = history_times(self.winter, "room-temp", told_s)
        older = history[history < told_s - FRESH_S]
        present = np.arange(moment_s - 60.0, moment_s)
        for moments, place in ((older[:20], 0), (older[-20:], -1)):
            times, values = readings(self.winter, "room-temp", moments)
            if not self._heard("room-temp", float(times[place])):
                return times[place][None], values[place][None]
        times, values = readings(self.winter, "room-temp", present)
        return times[-1:], values[-1:]

    def tell(self, until_s: float) -> None:
        """Publish the history of every channel that is not on record to its end."""
        missing = [
            channel
            for channel in CHANNELS
            if not self.on_record(channel, last_sent_s(self.winter, channel, until_s))
        ]
        for message in history(self.winter, until_s, missing):
            if self.stop.is_set():
                return
            self._send(message)
        self.publisher.drain()

    def carry_on(self, sent_s: float, book: Book) -> None:
        """Publish what the sensors send from ``sent_s`` on and write what falls due.

        Telling the history may have taken long: what the sensors sent meanwhile is not lost.
        """
        sent_s = self.catch_up(sent_s, book, after_history=True)
        while not self.stop.wait(TICK_S):
            sent_s = self.catch_up(sent_s, book)

    def catch_up(self, sent_s: float, book: Book, *, after_history: bool = False) -> float:
        """Publish and write what lies between ``sent_s`` and now; the new ``sent_s``."""
        now_s = float(np.floor(self.tempo.at(self.clock())))
        if not after_history and now_s - sent_s > PAUSE_LIMIT_S + TICK_S * self.tempo.speed:
            sent_s = now_s
        for message in live(self.winter, sent_s, now_s):
            self._send(message)
        with suppress(ApiSilentError):  # the pages are being restarted; entries stay due
            book.write_due(now_s)
        return max(sent_s, now_s)

    def on_record(self, channel: str, time_s: float) -> bool:
        """Whether a reading of that second is in the store."""
        query = {"from": rfc3339(time_s), "until": rfc3339(time_s + 1.0)}
        found = self.api.get("/api/readings", channel=channel, **query).body
        return bool(found.get("readings"))

    def _heard(self, channel: str, time_s: float) -> bool:
        """As :meth:`on_record`; not yet while the collector has not made its store."""
        try:
            return self.on_record(channel, time_s)
        except ApiSilentError:
            return False

    def _send(self, message: Message) -> None:
        self.publisher.publish(message.topic, message.payload)
