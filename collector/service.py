"""The collector: what has come is understood, kept in one commit, and then acknowledged.

A batch is whatever waits at the moment; a full one is never waited for. When the store cannot
take a batch, the batch stays in hand, nothing is acknowledged and it is tried again after a
pause; the broker holds back everything else meanwhile. A crash at any point costs nothing:
what was not acknowledged comes again, and what comes again is a duplicate.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from collector.config import BrokerSettings, Settings, load
from collector.errors import SettingsError, StoreError, VatsideError
from collector.payload import Decoder
from collector.store import Appended, ReadingStore
from collector.store.sqlite import SqliteStore
from collector.subscriber import Link, Message, Subscriber

BATCH_MOST_N = 2_000
TAKE_WAIT_S = 0.5
FIRST_PAUSE_S = 0.25
LONGEST_PAUSE_S = 5.0

Say = Callable[[str], None]


class Source(Protocol):
    """Where messages come from: :class:`~collector.subscriber.Subscriber`, or a test's twin."""

    def start(self) -> None:
        """Begin to receive."""

    def take(self, most_n: int, wait_s: float) -> list[Message]:
        """What has come, oldest first; waits for the first message only."""

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Note that these are kept and need not come again."""

    def stop(self) -> None:
        """Stop receiving."""

    @property
    def link(self) -> Link:
        """How we stand with the broker."""


@dataclass(frozen=True, slots=True)
class State:
    """What the collector is at: its link, the store's fault if there is one, and its work.

    ``in_hand_n`` messages have been taken and are not on disk yet; ``kept`` counts readings
    since this process started.
    """

    link: Link
    store_fault: str | None
    in_hand_n: int
    kept: Appended


class Collector:
    """Moves messages from a source into a store until it is told to stop."""

    def __init__(
        self,
        settings: Settings,
        store: ReadingStore,
        source: Source,
        *,
        say: Say = lambda _: None,
        first_pause_s: float = FIRST_PAUSE_S,
        longest_pause_s: float = LONGEST_PAUSE_S,
    ) -> None:
        self._decoder = Decoder(
            settings.channels, most_bytes=settings.broker_or_embedded.payload_limit_bytes
        )
        self._store = store
        self._source = source
        self._say = say
        self._first_pause_s = first_pause_s
        self._longest_pause_s = longest_pause_s
        self._stopping = threading.Event()
        self._store_fault: str | None = None
        self._said_link: str | None = None
        self._in_hand_n = 0
        self._kept = Appended()

    @property
    def state(self) -> State:
        """What the collector is at; may be asked from any thread."""
        return State(self._source.link, self._store_fault, self._in_hand_n, self._kept)

    def run(self) -> None:
        """Collect until :meth:`stop`; the batch in hand is finished or given back."""
        self._source.start()
        try:
            self._open_store()
            while not self._stopping.is_set():
                messages = self._source.take(BATCH_MOST_N, TAKE_WAIT_S)
                if messages:
                    self._keep(messages)
                self._tell_of_link()
        finally:
            self._source.stop()

    def stop(self) -> None:
        """Ask :meth:`run` to end; may be called from a signal or another thread."""
        self._stopping.set()

    def _open_store(self) -> None:
        """Make the store's file now, so that readers find it; a fault is for the first batch."""
        try:
            self._store.append([])
        except StoreError as fault:
            self._tell_of_store(fault)

    def _keep(self, messages: list[Message]) -> None:
        """Keep a batch and acknowledge it; on a stop in between it is left to come again."""
        arrivals = [
            self._decoder.arrival(m.topic, m.payload, m.received_ms, retained=m.retained)
            for m in messages
        ]
        self._in_hand_n = len(messages)
        pause_s = self._first_pause_s
        while True:
            try:
                done = self._store.append(arrivals)
                break
            except StoreError as fault:
                self._tell_of_store(fault)
            if self._stopping.wait(pause_s):
                return
            pause_s = min(self._longest_pause_s, pause_s * 2)
        if self._store_fault is not None:
            self._store_fault = None
            self._say("The store takes readings again; nothing was lost.")
        self._source.acknowledge(messages)
        self._in_hand_n = 0
        self._kept = _sum(self._kept, done)

    def _tell_of_store(self, fault: StoreError) -> None:
        if str(fault) != self._store_fault:
            self._say(f"{fault} Readings wait, and the broker holds the rest.")
        self._store_fault = str(fault)

    def _tell_of_link(self) -> None:
        link = self._source.link
        words = link.fault or ("listening" if link.subscribed else "connecting")
        if words != self._said_link:
            self._said_link = words
            self._say(f"Collector: {words}.")


def _sum(one: Appended, other: Appended) -> Appended:
    return Appended(
        one.stored + other.stored,
        one.duplicate + other.duplicate,
        one.conflict + other.conflict,
        one.refused + other.refused,
    )


def broker_at(url: str, given: BrokerSettings | None) -> BrokerSettings:
    """The broker at another address, with the login and name that the settings give.

    Raises ``SettingsError`` for an address that is not ``mqtt://HOST:PORT`` or ``mqtts://``.
    """
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        host = port = None
    if host is None or parts.scheme not in ("mqtt", "mqtts"):
        raise SettingsError(
            f"{url!r} is no address of a broker.",
            where="broker url",
            remedy="Write mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS.",
        )
    tls = parts.scheme == "mqtts"
    broker = given or BrokerSettings(url, host, 0)
    return replace(broker, url=url, host=host, port=port or (8883 if tls else 1883), tls=tls)


def run_collector(
    settings: Settings,
    *,
    broker_url: str | None = None,
    until_input_closes: bool = False,
    say: Say = lambda text: print(text, file=sys.stderr, flush=True),
) -> int:
    """Collect until SIGTERM, SIGINT or, if asked, the end of standard input; 0 on a clean stop.

    ``broker_url`` takes the place of the one in the settings, and the embedded broker is
    looked for when they name none. Raises ``SettingsError`` when there is no channel. A store
    that cannot be opened is tried again for ever.
    """
    broker = settings.broker_or_embedded
    if broker_url:
        broker = broker_at(broker_url, broker)
    if not settings.channels:
        raise SettingsError(
            "There is no channel to listen to.",
            where="[[channel]]",
            remedy="Add a [[channel]] for each sensor; the README shows one.",
        )
    source = Subscriber(broker, (channel.topic for channel in settings.channels))
    store = SqliteStore(settings.store.readings_path, open_later=True)
    collector = Collector(settings, store, source, say=say)

    def stop(*_: object) -> None:
        collector.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, stop)
    if until_input_closes:
        threading.Thread(target=_when_input_closes, args=(stop,), daemon=True).start()
    try:
        collector.run()
    finally:
        store.close()
    return 0


def _when_input_closes(act: Callable[[], None]) -> None:
    """Act when standard input ends: whoever started us is gone."""
    with contextlib.suppress(OSError):
        while os.read(sys.stdin.fileno(), 4_096):
            pass
    act()


def main(argv: Sequence[str] | None = None) -> int:
    """Run the collector alone, by a settings file."""
    parser = argparse.ArgumentParser(prog="python -m collector.service", description=main.__doc__)
    parser.add_argument("--settings", type=Path, required=True, help="vatside.toml")
    parser.add_argument("--broker-url", help="instead of the url in [broker]")
    parser.add_argument(
        "--until-input-closes", action="store_true", help="stop when standard input ends"
    )
    asked = parser.parse_args(argv)
    try:
        return run_collector(
            load(asked.settings, os.environ),
            broker_url=asked.broker_url,
            until_input_closes=asked.until_input_closes,
        )
    except VatsideError as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
