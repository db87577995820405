"""What the collector is at, for the Health page: a small file that it writes every second.

The file is ``collector.json`` in the store's folder, replaced as a whole, and not a table in
``readings.db``: it has to tell of the store's own faults too, and of a collector that is gone,
by its age. When the folder itself cannot be written (a full disk, missing rights), the file
goes to the system's folder for temporary files instead, and the newer of the two counts. When
that is on the same full disk, only the age tells.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from collector.clocks import ClockState, Condition, Step
from collector.store.contract import HandOver

FILE = "collector.json"

#: A collector that has not written for so long is away [ms].
AWAY_AFTER_MS = 10_000

#: More is none of ours [bytes].
_MOST_BYTES = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelStatus:
    """What the collector knows of one channel.

    ``last_received_ms`` when it last sent a reading; ``interval_ms`` the usual time between its
    messages, learned; ``marks`` how many readings got each mark since the collector started;
    ``battery`` and ``radio`` as the sensor sent them, at ``sensor_ms``. Times are ms since 1970
    by the collector's clock.
    """

    channel: str
    last_received_ms: int | None = None
    interval_ms: int | None = None
    marks: Mapping[str, int] = field(default_factory=dict)
    clock: ClockState = field(default_factory=ClockState)
    battery: float | None = None
    radio: float | None = None
    sensor_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectorStatus:
    """What the collector, process ``pid``, was at when it last wrote, at ``at_ms``.

    The link: ``connected``, ``subscribed``, ``link_since_ms``, ``link_fault`` in words or None,
    ``connections_n`` made since the start. The store: ``store_fault`` in words or None, and
    since when. Work: ``waiting_n`` messages not looked at, ``in_hand_n`` not on disk yet,
    ``lag_ms`` from the arrival of the oldest message of the last batch until it was on disk (or
    until now), ``let_go_n`` QoS 0 messages without room, ``stale_n`` late acknowledgements.
    Readings since the start: ``stored``, ``duplicate``, ``conflict``, ``refused``. ``stopped``
    says that it ended as asked; ``hand_over`` what waits for a remote store, None without one.
    """

    at_ms: int
    pid: int
    started_ms: int
    client_id: str
    broker_url: str
    connected: bool
    subscribed: bool
    link_since_ms: int
    link_fault: str | None
    connections_n: int
    store_fault: str | None
    store_fault_since_ms: int | None
    waiting_n: int
    in_hand_n: int
    lag_ms: int | None
    let_go_n: int
    stale_n: int
    stored: int
    duplicate: int
    conflict: int
    refused: int
    stopped: bool = False
    hand_over: HandOver | None = None
    channels: tuple[ChannelStatus, ...] = ()

    def age_ms(self, now_ms: int) -> int:
        """How old this is [ms]."""
        return max(0, now_ms - self.at_ms)

    def away(self, now_ms: int) -> bool:
        """Whether the collector was stopped or has not been heard of for ten seconds."""
        return self.stopped or self.age_ms(now_ms) > AWAY_AFTER_MS

    def channel(self, channel_id: str) -> ChannelStatus:
        """What is known of a channel; nothing yet when it is new."""
        for known in self.channels:
            if known.channel == channel_id:
                return known
        return ChannelStatus(channel=channel_id)


def read_status(folder: Path) -> CollectorStatus | None:
    """The newest status of the collector that fills a store's folder; None when there is none."""
    found = [status for path in _places(folder) if (status := _read(path, folder)) is not None]
    return max(found, key=lambda status: status.at_ms, default=None)


def write_status(folder: Path, status: CollectorStatus) -> bool:
    """Put a status in the place of the one before; False when there is no place for it."""
    text = json.dumps(asdict(status), ensure_ascii=False).encode()
    return any(_replaced(path, text) for path in _places(folder))


def _places(folder: Path) -> tuple[Path, Path]:
    name = hashlib.sha256(os.fsencode(folder.resolve())).hexdigest()[:24]
    return folder / FILE, Path(tempfile.gettempdir()) / f"vatside-{name}.json"


def _replaced(path: Path, text: bytes) -> bool:
    try:
        number, name = tempfile.mkstemp(dir=path.parent, prefix=".vatside-collector-")
    except OSError:
        return False
    try:
        with os.fdopen(number, "wb") as handle:
            handle.write(text)
        Path(name).chmod(0o644)  # the pages may run as another user
        Path(name).replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        return False
    return True


def _read(path: Path, folder: Path) -> CollectorStatus | None:
    try:
        with path.open("rb") as handle:
            owner = os.fstat(handle.fileno()).st_uid
            text = handle.read(_MOST_BYTES)
        if path.parent != folder and owner not in _trusted(folder):
            return None  # anybody may write where temporary files go
        return _status_of(json.loads(text))
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None


def _trusted(folder: Path) -> set[int]:
    trusted = {0, os.getuid()}
    with contextlib.suppress(OSError):
        trusted.add(folder.stat().st_uid)
    return trusted


def _status_of(tree: dict[str, Any]) -> CollectorStatus:
    channels = tuple(_channel_of(one) for one in tree.pop("channels"))
    told = tree.pop("hand_over", None)
    hand_over = None if told is None else HandOver(**told)
    return CollectorStatus(**tree, hand_over=hand_over, channels=channels)


def _channel_of(tree: dict[str, Any]) -> ChannelStatus:
    clock = tree.pop("clock")
    step = None if clock["step"] is None else Step(**clock["step"])
    state = ClockState(Condition(clock["condition"]), clock["offset_ms"], clock["since_ms"], step)
    return ChannelStatus(**tree, clock=state)
