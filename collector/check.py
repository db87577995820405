"""What ``vatside check`` finds: settings, broker, store and collector, each in a line or two."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from collector import topics
from collector.broker_check import answers, refused_filters
from collector.clocks import span_words
from collector.config import BrokerSettings, Settings
from collector.errors import BrokerError, SettingsError, StoreError
from collector.status import CollectorStatus, read_status
from collector.store.contract import Accounts, CollectingStore, HandOver, HandsOver
from collector.store.open import open_store
from collector.store.sqlite import SqliteStore


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found of one thing, in words, and whether it is as it should be."""

    subject: str
    words: str
    good: bool = True


def findings(settings: Settings, broker: BrokerSettings | None, now_ms: int) -> Iterator[Finding]:
    """Everything that is found, one after the other; ``broker`` in place of the settings' own.

    Nothing is changed: the broker is asked under another name than the collector's, and the
    store is read.
    """
    filters = topics.needed(channel.topic for channel in settings.channels)
    yield Finding(
        "settings",
        f"{len(settings.channels)} channels on {len(filters)} topic filters"
        if filters
        else "there is no channel to listen to; add a [[channel]] for each sensor",
        good=bool(filters),
    )
    yield from _broker(settings, broker)
    yield from _store(settings)
    if settings.keep:
        yield Finding("keeping", "; ".join(rule.words for rule in settings.keep))
    status = read_status(settings.store.folder)
    yield from _collector(status, now_ms)
    if settings.influx is not None:
        yield from _hand_over(settings, status, now_ms)


def _broker(settings: Settings, other: BrokerSettings | None) -> Iterator[Finding]:
    broker = other or settings.broker_or_embedded
    if other is None and settings.broker is None and not answers(broker):
        yield Finding("broker", "the embedded one does not run now; `vatside run` starts it")
        return
    try:
        refused = refused_filters(broker, [channel.topic for channel in settings.channels])
    except (BrokerError, SettingsError) as fault:
        yield Finding("broker", str(fault), good=False)
        return
    for topic_filter, reason in refused.items():
        yield Finding("broker", f"it refuses to send us {topic_filter}: {reason}", good=False)
    if not refused:
        yield Finding("broker", f"{broker.url} lets us in and takes every topic filter")


def _store(settings: Settings) -> Iterator[Finding]:
    path = settings.store.readings_path
    if settings.influx is None and not path.exists():
        fault = _why_not_writable(path.parent)
        made = f"{path} is not there yet; the collector makes it"
        yield Finding("store", fault or made, good=fault is None)
        return
    try:
        store = open_store(settings, read_only=True)
    except StoreError as fault:
        yield Finding("store", str(fault), good=False)
        return
    try:
        yield from _readings(store)
    except StoreError as fault:
        yield Finding("store", str(fault), good=False)
    finally:
        store.close()


def _readings(store: CollectingStore) -> Iterator[Finding]:
    faults = store.check() if isinstance(store, SqliteStore) else []
    for words in faults:
        yield Finding("store", words, good=False)
    if not faults:
        yield Finding("store", f"whole, with {store.count():,} readings")
    accounts = store.accounts()
    words = f"{_sum_of(accounts, 'messages')}; {_sum_of(accounts, 'readings')}"
    yield Finding("accounts", words, good=accounts.balanced)
    for one in store.removed() if isinstance(store, SqliteStore) else []:
        taken = f"{one.readings_n:,} readings of {one.channel} ({one.reason})"
        yield Finding("taken out", f"{taken}; the gap they leave, if any, is no sensor's")


def _sum_of(accounts: Accounts, kind: str) -> str:
    parts = [getattr(accounts, f"{kind}_{one}") for one in ("stored", "duplicate", "refused")]
    received = getattr(accounts, f"{kind}_received")
    sign = "=" if received == sum(parts) else "is not"
    stored, duplicate, refused = (f"{part:,}" for part in parts)
    return f"{received:,} {kind} {sign} {stored} stored + {duplicate} duplicate + {refused} refused"


def _why_not_writable(folder: Path) -> str | None:
    """Why nothing can be made in a folder, or in the nearest one above that exists."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        with tempfile.TemporaryFile(dir=folder):
            return None
    except OSError as fault:
        return f"nothing can be written in {folder}: {os.strerror(fault.errno or 0)}"


def _hand_over(
    settings: Settings, status: CollectorStatus | None, now_ms: int
) -> Iterator[Finding]:
    """What waits on disk for the server: as the collector tells, or as it lies there."""
    told = None if status is None or status.away(now_ms) else status.hand_over
    if told is None:
        store = open_store(settings, read_only=True)
        told = store.hand_over() if isinstance(store, HandsOver) else HandOver()
        store.close()
    words = "nothing waits for the server"
    if told.messages_n:
        since = span_words(max(0, now_ms - (told.since_ms or now_ms)))
        words = f"{told.readings_n:,} readings wait for the server, the first for {since}"
    if told.fault:
        ends = "not tried any more" if told.stopped else "tried again and again"
        words += f"; {ends}: {told.fault}"
    yield Finding("hand-over", words, good=told.fault is None)


def _collector(status: CollectorStatus | None, now_ms: int) -> Iterator[Finding]:
    if status is None:
        yield Finding("collector", "has not run with this store yet")
        return
    ago = span_words(status.age_ms(now_ms))
    if status.away(now_ms):
        ended = "was stopped" if status.stopped else "was last heard of"
        yield Finding("collector", f"does not run; it {ended} {ago} ago")
        return
    faults = [fault for fault in (status.link_fault, status.store_fault) if fault]
    for fault in faults:
        yield Finding("collector", fault, good=False)
    if not faults:
        yield Finding("collector", f"runs, with {status.stored:,} readings stored since its start")
