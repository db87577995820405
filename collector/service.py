"""The collector: what has come is understood, kept in one commit, and then acknowledged.

A batch is whatever waits at the moment; a full one is never waited for. When the store cannot
take a batch, the batch stays in hand, nothing is acknowledged and it is tried again after a
pause; the broker holds back everything else meanwhile. A crash at any point costs nothing:
what was not acknowledged comes again, and what comes again is a duplicate.

What is known of the channels (for marks) and of the deliveries (for duplicates) is read back
from the disk here before the first message is looked at; with InfluxDB from the spool, so that
messages are taken from the first second on, whether the server answers or not.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from collector.arrival_times import ArrivalTimes
from collector.calibration import Chain
from collector.channel_tally import ChannelTallies
from collector.clocks import EVERY_MS, Clocks
from collector.config import BrokerSettings, Settings, load
from collector.errors import SettingsError, StoreError, VatsideError
from collector.inbox import Message
from collector.keeping import QUIET_N, Keeping
from collector.payload import Decoder
from collector.quality import Watchers, limits_of
from collector.redelivery import Coming, Redeliveries, digest_of
from collector.resuming import resume
from collector.status import CollectorStatus, read_status, write_status
from collector.store import Appended, Arrival, CollectingStore
from collector.store.contract import HandsOver
from collector.store.keeping import Protected
from collector.store.open import open_store
from collector.subscriber import Link, Subscriber

BATCH_MOST_N = 2_000
TAKE_WAIT_S = 0.5
FIRST_PAUSE_S = 0.25
LONGEST_PAUSE_S = 5.0
#: How long a stop waits for the broker to confirm our last acknowledgements.
SETTLE_LIMIT_S = 1.0
STATUS_EVERY_S = 1.0

Say = Callable[[str], None]
Chains = Callable[[], Mapping[str, Chain]]


class Source(Protocol):
    """Where messages come from: :class:`~collector.subscriber.Subscriber`, or a test's twin."""

    def start(self) -> None:
        """Begin to receive."""

    def take(self, most_n: int, wait_s: float) -> list[Message]:
        """What has come, oldest first; waits for the first message only."""

    def acknowledge(self, messages: Sequence[Message], number: int = 0) -> None:
        """Note that these are kept and need not come again; they have numbers up to this one."""

    @property
    def settled(self) -> int:
        """The highest number whose messages are known not to come again."""

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
    """Moves messages from a source into a store until it is told to stop.

    ``chains`` gives what turns received values into the role's unit, for the marks, and the
    same object for as long as that does not change; it is asked once for every batch. Those of
    the settings' bare sensors when left out. With ``status_folder`` the state is written there
    every second. ``protected`` tells which readings no ``[[keep]]`` rule may take out; without
    it all are kept.
    """

    def __init__(
        self,
        settings: Settings,
        store: CollectingStore,
        source: Source,
        *,
        chains: Chains | None = None,
        status_folder: Path | None = None,
        protected: Protected | None = None,
        say: Say = lambda _: None,
        first_pause_s: float = FIRST_PAUSE_S,
        longest_pause_s: float = LONGEST_PAUSE_S,
    ) -> None:
        self._broker = settings.broker_or_embedded
        self._channels = settings.channels
        self._decoder = Decoder(settings.channels, most_bytes=self._broker.payload_limit_bytes)
        fixed = settings.chains
        self._chains = chains or (lambda: fixed)
        self._chains_known: Mapping[str, Chain] = {}
        self._watchers = Watchers(
            settings.channels,
            {channel.id: limits_of(channel) for channel in settings.channels},
        )
        self._clocks = Clocks(
            frozenset(one.id for one in settings.channels if one.dated),
            frozenset(one.id for one in settings.channels if one.time is not None),
        )
        self._looked_ms: dict[str, int] = {}
        self._times = ArrivalTimes()
        self._redeliveries: Redeliveries | None = None
        self._connection: int | None = None
        self._settled_on_disk = 0
        self._store = store
        self._source = source
        self._keeping = Keeping(settings, store, protected, say=say)
        self._say = say
        self._first_pause_s = first_pause_s
        self._longest_pause_s = longest_pause_s
        self._stopping = threading.Event()
        self._ended = threading.Event()
        self._started_ms = _now_ms()
        self._store_fault: str | None = None
        self._store_fault_since_ms: int | None = None
        self._said_link: str | None = None
        self._in_hand_n = 0
        self._oldest_in_hand_ms = 0
        self._lag_ms: int | None = None
        self._kept = Appended()
        self._status_folder = status_folder
        before = read_status(status_folder) if status_folder else None
        self._tallies = ChannelTallies(
            [channel.id for channel in settings.channels],
            {one.channel: one for one in before.channels} if before else {},
        )

    @property
    def state(self) -> State:
        """What the collector is at; may be asked from any thread."""
        return State(self._source.link, self._store_fault, self._in_hand_n, self._kept)

    def status(self, *, stopped: bool = False) -> CollectorStatus:
        """The same for the Health page; may be asked from any thread."""
        link, now_ms = self._source.link, _now_ms()
        return CollectorStatus(
            at_ms=now_ms,
            pid=os.getpid(),
            started_ms=self._started_ms,
            client_id=self._broker.client_id,
            broker_url=self._broker.url,
            connected=link.connected,
            subscribed=link.subscribed,
            link_since_ms=link.since_ms,
            link_fault=link.fault,
            connections_n=link.connection,
            store_fault=self._store_fault,
            store_fault_since_ms=self._store_fault_since_ms,
            waiting_n=link.waiting_n,
            in_hand_n=self._in_hand_n,
            lag_ms=now_ms - self._oldest_in_hand_ms if self._in_hand_n else self._lag_ms,
            let_go_n=link.let_go_n,
            stale_n=link.stale_n,
            stored=self._kept.stored,
            duplicate=self._kept.duplicate,
            conflict=self._kept.conflict,
            refused=self._kept.refused,
            stopped=stopped,
            hand_over=self._store.hand_over() if isinstance(self._store, HandsOver) else None,
            channels=self._tallies.statuses(self._clocks.states),
        )

    def run(self) -> None:
        """Collect until :meth:`stop`; the batch in hand is finished or given back."""
        self._source.start()
        telling = threading.Thread(target=self._tell_of_state, name="status", daemon=True)
        telling.start()
        try:
            self._open_store()
            while not self._stopping.is_set():
                messages = self._source.take(BATCH_MOST_N, TAKE_WAIT_S)
                if messages:
                    self._keep(messages)
                else:
                    self._settle()
                if len(messages) <= QUIET_N:
                    self._keeping.step()
                self._tell_of_link()
            self._settle(wait_s=SETTLE_LIMIT_S)
        finally:
            self._source.stop()
            self._ended.set()
            telling.join()

    def stop(self) -> None:
        """Ask :meth:`run` to end; may be called from a signal or another thread."""
        self._stopping.set()

    def _open_store(self) -> None:
        """Make the store's file now, so that readers find it; a fault is for the first batch."""
        try:
            self._take_up()
        except StoreError as fault:
            self._tell_of_store(fault)

    def _take_up(self) -> Redeliveries:
        """Read back, once, what a collector before us knew."""
        if self._redeliveries is None:
            self._store.append([])
            deliveries = self._store.deliveries()
            self._chains_known = self._chains()
            self._times = ArrivalTimes(
                resume(self._watchers, self._store, self._channels, _now_ms(), self._chains_known)
            )
            self._settled_on_disk = deliveries.settled
            self._redeliveries = Redeliveries(deliveries.kept, deliveries.settled)
        return self._redeliveries

    def _keep(self, messages: list[Message]) -> None:
        """Keep a batch and acknowledge it; on a stop in between it is left to come again."""
        self._oldest_in_hand_ms = messages[0].received_ms
        self._in_hand_n = len(messages)
        arrivals: list[Arrival] | None = None
        pause_s = self._first_pause_s
        while True:
            try:
                redeliveries = self._take_up()
                if arrivals is None:
                    arrivals = list(self._understood(messages, redeliveries))
                settled = self._source.settled
                done = self._store.append(arrivals, settled=settled)
                break
            except StoreError as fault:
                self._tell_of_store(fault)
            if self._stopping.wait(pause_s):
                return
            pause_s = min(self._longest_pause_s, pause_s * 2)
        redeliveries.keep(one.delivery for one in arrivals if one.delivery is not None)
        redeliveries.settle(settled)
        self._settled_on_disk = max(self._settled_on_disk, settled)
        self._tell_of_recovery()
        self._source.acknowledge(messages, redeliveries.reached)
        self._lag_ms = _now_ms() - self._oldest_in_hand_ms
        self._in_hand_n = 0
        self._kept += done

    def _understood(
        self, messages: Sequence[Message], redeliveries: Redeliveries
    ) -> Iterator[Arrival]:
        """What the messages brought, with marks; repeated ones told from new ones."""
        chains = self._chains_as_of_now()
        for connection, run in groupby(messages, lambda message: message.connection):
            coming = list(run)
            if connection != self._connection:
                self._connection = connection
                redeliveries.begin(resumed=coming[0].resumed)
            arrivals = [
                self._decoder.arrival(m.topic, m.payload, m.received_ms, retained=m.retained)
                for m in coming
            ]
            if any(one.undated or one.refusals for one in arrivals):
                arrivals = _told_apart(coming, arrivals, redeliveries)
            for message, arrival in zip(coming, arrivals, strict=True):
                yield arrival if arrival.again else self._marked(message, arrival, chains)

    def _chains_as_of_now(self) -> Mapping[str, Chain]:
        """The chains; a channel whose own has changed is watched anew, from what is on disk.

        Else a correction would look like a jump of the quantity. Nothing waits for that: when
        what is on disk cannot be read now, the watching begins with what comes.
        """
        chains, before = self._chains(), self._chains_known
        if chains is not before:
            changed = [one for one in self._channels if chains.get(one.id) != before.get(one.id)]
            for channel in changed:
                self._watchers.forget(channel.id)
            with contextlib.suppress(StoreError):
                resume(self._watchers, self._store, changed, _now_ms(), chains)
            self._chains_known = chains
        return chains

    def _marked(self, message: Message, arrival: Arrival, chains: Mapping[str, Chain]) -> Arrival:
        if arrival.undated:
            arrival = self._times.spread(arrival)
        marked = self._watchers.marked(arrival, chains)
        if not message.retained:
            # A clock looks at a message now and then; asking it about each would cost more.
            looked_ms = self._looked_ms.get(arrival.topic)
            if looked_ms is None or not 0 <= arrival.received_ms - looked_ms < EVERY_MS:
                self._looked_ms[arrival.topic] = arrival.received_ms
                self._clocks.note(arrival)
        self._tallies.note(marked)
        return marked

    def _settle(self, wait_s: float = 0.0) -> None:
        """Note on disk which deliveries come no more, as soon as there is time for it."""
        redeliveries = self._redeliveries
        if redeliveries is None:
            return
        end_s = time.monotonic() + wait_s
        while self._source.settled < redeliveries.reached and time.monotonic() < end_s:
            time.sleep(0.02)
        settled = self._source.settled
        if settled <= self._settled_on_disk:
            return
        try:
            self._store.append([], settled=settled)
        except StoreError as fault:
            self._tell_of_store(fault)
            return
        redeliveries.settle(settled)
        self._settled_on_disk = settled
        self._tell_of_recovery()

    def _tell_of_state(self) -> None:
        """Write the status every second, in a thread of its own, and once more at the end."""
        if self._status_folder is None:
            return
        ended = False
        while not ended:
            ended = self._ended.wait(STATUS_EVERY_S)
            # Whatever is wrong with it, the collecting goes on and the age of the file tells.
            with contextlib.suppress(Exception):
                write_status(self._status_folder, self.status(stopped=ended))

    def _tell_of_recovery(self) -> None:
        if self._store_fault is not None:
            self._store_fault = self._store_fault_since_ms = None
            self._say("The store takes readings again; nothing was lost.")

    def _tell_of_store(self, fault: StoreError) -> None:
        if str(fault) != self._store_fault:
            self._say(f"{fault} Readings wait, and the broker holds the rest.")
        self._store_fault = str(fault)
        self._store_fault_since_ms = self._store_fault_since_ms or _now_ms()

    def _tell_of_link(self) -> None:
        link = self._source.link
        words = link.fault or ("listening" if link.subscribed else "connecting")
        if words != self._said_link:
            self._said_link = words
            self._say(f"Collector: {words}.")


def _told_apart(
    messages: Sequence[Message], arrivals: Sequence[Arrival], redeliveries: Redeliveries
) -> list[Arrival]:
    """The arrivals, those marked that were kept before, the others with their delivery.

    Only messages that their readings cannot tell apart are looked at: those without a time of
    their own, and those of which something was refused.
    """
    told = list(arrivals)
    places = [
        place
        for place, (message, arrival) in enumerate(zip(messages, arrivals, strict=True))
        if message.packet_id and (arrival.undated or arrival.refusals)
    ]
    coming = [
        Coming(
            messages[i].packet_id,
            messages[i].dup,
            digest_of(messages[i].topic, messages[i].payload),
        )
        for i in places
    ]
    for place, one, again in zip(places, coming, redeliveries.again(coming), strict=True):
        delivery = None if again else redeliveries.number(one)
        told[place] = arrivals[place].as_delivered(delivery, again=again)
    return told


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


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
    chains: Chains | None = None,
    protected: Protected | None = None,
    say: Say = lambda text: print(text, file=sys.stderr, flush=True),
) -> int:
    """Collect until SIGTERM, SIGINT or, if asked, the end of standard input; 0 on a clean stop.

    ``broker_url`` takes the place of the one in the settings, and the embedded broker is
    looked for when they name none; ``chains`` and ``protected`` as in :class:`Collector`.
    Raises ``SettingsError`` when there is no channel. A store that cannot be opened is tried
    again for ever.
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
    store = open_store(settings, open_later=True, say=say)
    collector = Collector(
        replace(settings, broker=broker),
        store,
        source,
        chains=chains,
        status_folder=settings.store.folder,
        protected=protected,
        say=say,
    )

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
