"""Publishes a recorded CSV over MQTT, each value with the time it was recorded at.

The recording takes the same way as a sensor's messages: broker, collector, store. Replaying
it twice changes nothing, since readings that are on disk already count as duplicates; a
replay that was stopped is therefore simply started again.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import Protocol

import orjson

from collector import pointer, topics
from collector.channels import Channel, TimeForm
from collector.config import BrokerSettings, Settings
from collector.errors import InvalidError
from collector.publisher import Publisher
from collector.readings import moment_of
from collector.recording import NUMBER, Recording, open_text, time_zone

#: Faulty cells that are told one by one; all are counted.
FAULTS_TOLD_N = 100

#: RFC 8428 section 4.5.3: a smaller SenML time is one relative to now.
_SENML_RELATIVE_BELOW_MS = 2**28 * 1_000

#: Rows between two reports of progress.
PROGRESS_EVERY_N = 500


@dataclass(frozen=True, slots=True)
class RowFault:
    """A cell that could not be taken: line of the file (the header is line 1), column, reason."""

    line: int
    column: str
    what: str


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a replay has come; ``share`` is 0 to 1 of the file."""

    rows_n: int
    readings_n: int
    acknowledged_n: int
    share: float


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay did.

    ``readings_n`` values went out in ``messages_n`` messages, of which the broker took
    ``acknowledged_n``; ``empty_n`` cells were empty; ``faults`` are the first of ``faults_n``.
    ``stopped`` says that it was interrupted, ``last_line`` how far it came.
    """

    rows_n: int
    readings_n: int
    messages_n: int
    acknowledged_n: int
    empty_n: int
    faults_n: int
    faults: tuple[RowFault, ...]
    last_line: int
    stopped: bool


class Outlet(Protocol):
    """Where messages go: :class:`~collector.publisher.Publisher`, or a test's twin."""

    def publish(self, topic: str, payload: bytes) -> None:
        """Send one message."""

    def drain(self) -> None:
        """Wait until everything sent has been taken."""

    @property
    def acknowledged_n(self) -> int:
        """Messages taken so far."""


def replay(
    csv_path: Path,
    columns: Mapping[str, str],
    settings: Settings,
    *,
    broker: BrokerSettings | None = None,
    speed: float | None = None,
    time_column: str | None = None,
    zone: str = "UTC",
    progress: Callable[[Progress], None] = lambda _: None,
    stop: threading.Event | None = None,
    outlet: AbstractContextManager[Outlet] | None = None,
) -> Replayed:
    """Publish columns of a CSV file (``.gz`` too) to the topics of channels.

    ``columns`` maps a column's name to a channel's id; values are in the channel's unit.
    ``speed`` 1 keeps the pace of the recording, 60 makes a minute a second, None goes as fast
    as the broker takes it. ``zone`` is for times that carry none. Ctrl-C, or setting ``stop``,
    ends it cleanly. Raises ``InvalidError`` for what cannot be replayed at all,
    ``NotFoundError`` for an unknown channel and ``BrokerError``; a bad cell costs that cell.
    """
    targets = _targets(columns, settings)
    if speed is not None and not (math.isfinite(speed) and speed > 0):
        raise InvalidError(
            f"A speed of {speed:g} is not possible.",
            where="speed",
            remedy="Use 1 for the pace of the recording, 60 for a minute in a second.",
        )
    stop = stop or threading.Event()
    with open_text(csv_path) as handle:
        recording = Recording(handle, csv_path, tuple(columns), time_column, time_zone(zone))
        if outlet is None:
            outlet = Publisher(_broker(broker, settings))
        with outlet as opened:
            return _Run(recording, targets, opened, stop, progress, speed).run()


# -- where each value goes ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Target:
    """One column, its channel and the way into the message's document."""

    column: str
    channel: Channel
    value: pointer.Tokens
    time: pointer.Tokens

    @property
    def message(self) -> tuple[str, pointer.Tokens, TimeForm | None]:
        """Targets for which this is equal share one message per row."""
        return self.channel.topic, self.time, self.channel.time_form


def _targets(columns: Mapping[str, str], settings: Settings) -> list[_Target]:
    if not columns:
        raise InvalidError(
            "No column is named.",
            where="columns",
            remedy="Name at least one, like Temperature=room-temp.",
        )
    taken: dict[str, str] = {}
    for column, channel_id in columns.items():
        if channel_id in taken:
            raise InvalidError(
                f"Columns {taken[channel_id]!r} and {column!r} both go to {channel_id}.",
                where="columns",
                remedy="Give each column a channel of its own.",
            )
        taken[channel_id] = column
    return [_target(column, settings.channel(name)) for column, name in columns.items()]


def _target(column: str, channel: Channel) -> _Target:
    where = f"channel {channel.id}"
    if not topics.is_exact(channel.topic) or channel.topic.startswith(topics.SHARE):
        raise InvalidError(
            f"Its topic {channel.topic!r} takes many topics, so it names none to publish to.",
            where=where,
            remedy="Replay into a channel whose topic has no + or # and is not shared.",
        )
    if channel.senml is not None:
        return _Target(column, channel, (), ())
    if channel.value is None or channel.time is None:
        raise InvalidError(
            "Its messages carry no time of their own, so a recording would be kept as of now.",
            where=where,
            remedy='Give the channel value = "/value" and time = "/at" in vatside.toml.',
        )
    value, time = pointer.parse(channel.value), pointer.parse(channel.time)
    if value[: len(time)] == time or time[: len(value)] == value:
        raise InvalidError(
            f"The pointers {channel.value!r} and {channel.time!r} lie one inside the other.",
            where=where,
            remedy="Let value and time point to two places of the message.",
        )
    return _Target(column, channel, value, time)


def document(targets: Sequence[_Target], values: Sequence[float], time_ms: int) -> bytes:
    """The message of one topic at one time, as the channels' pointers read it."""
    first = targets[0].channel
    if first.senml is not None:
        return orjson.dumps(
            [
                {"n": target.channel.senml, "t": time_ms / 1_000, "v": value}
                for target, value in zip(targets, values, strict=True)
            ]
        )
    tree: dict[str, object] = {}
    _place(tree, targets[0].time, _written(time_ms, first.time_form or TimeForm.RFC3339))
    for target, value in zip(targets, values, strict=True):
        _place(tree, target.value, value)
    return orjson.dumps(tree)


def _place(tree: dict[str, object], tokens: pointer.Tokens, leaf: object) -> None:
    """Put a leaf where a pointer finds it; an index becomes a member of that name."""
    here = tree
    for token in tokens[:-1]:
        here = here.setdefault(token, {})  # type: ignore[assignment]
    here[tokens[-1]] = leaf


def _written(time_ms: int, form: TimeForm) -> object:
    if form is TimeForm.UNIX_MS:
        return time_ms
    if form is TimeForm.UNIX_S:
        return time_ms / 1_000 if time_ms % 1_000 else time_ms // 1_000
    return moment_of(time_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")


# -- doing it ----------------------------------------------------------------------------------


class _Run:
    """One replay under way."""

    def __init__(
        self,
        recording: Recording,
        targets: Sequence[_Target],
        outlet: Outlet,
        stop: threading.Event,
        progress: Callable[[Progress], None],
        speed: float | None,
    ) -> None:
        self._recording = recording
        self._targets = targets
        self._outlet = outlet
        self._stop = stop
        self._progress = progress
        self._pace = None if speed is None else _Pace(speed, stop)
        self._rows_n = self._readings_n = self._messages_n = 0
        self._empty_n = self._faults_n = self._last_line = 0
        self._faults: deque[RowFault] = deque()

    def run(self) -> Replayed:
        """Publish row after row until the end or a stop."""
        stopped = False
        try:
            for line, time, cells in self._recording:
                if self._stop.is_set() or not self._take(line, time, cells):
                    stopped = True
                    break
        except KeyboardInterrupt:
            stopped = True
        except InvalidError:  # the file breaks off; what went out before counts
            self._outlet.drain()
            raise
        self._outlet.drain()
        self._report()
        return Replayed(
            rows_n=self._rows_n,
            readings_n=self._readings_n,
            messages_n=self._messages_n,
            acknowledged_n=self._outlet.acknowledged_n,
            empty_n=self._empty_n,
            faults_n=self._faults_n,
            faults=tuple(self._faults),
            last_line=self._last_line,
            stopped=stopped,
        )

    def _take(self, line: int, time: int | str, cells: Sequence[str | None]) -> bool:
        """Publish one row; False when the wait for its time was broken off."""
        if isinstance(time, str):
            self._fault(line, self._recording.time_name, time)
        else:
            if self._pace is not None and not self._pace.wait_for(time):
                return False
            self._publish(line, time, self._values(line, cells))
        self._rows_n += 1
        self._last_line = line
        if self._rows_n % PROGRESS_EVERY_N == 0 or self._pace is not None:
            self._report()
        return True

    def _values(self, line: int, cells: Sequence[str | None]) -> list[tuple[_Target, float]]:
        found: list[tuple[_Target, float]] = []
        for target, cell in zip(self._targets, cells, strict=True):
            text = None if cell is None else cell.strip()
            if text == "":
                self._empty_n += 1
            elif text is None:
                self._fault(line, target.column, "the row is too short to have this column")
            elif not NUMBER.fullmatch(text) or not math.isfinite(float(text)):
                self._fault(line, target.column, f"{text[:40]!r} is no number")
            else:
                found.append((target, float(text)))
        return found

    def _publish(self, line: int, time_ms: int, found: Sequence[tuple[_Target, float]]) -> None:
        messages: dict[object, list[tuple[_Target, float]]] = {}
        for target, value in found:
            if target.channel.senml is not None and time_ms < _SENML_RELATIVE_BELOW_MS:
                self._fault(line, target.column, "SenML cannot write a time before July 1978")
                continue
            messages.setdefault(target.message, []).append((target, value))
        for parts in messages.values():
            targets = [target for target, _ in parts]
            payload = document(targets, [value for _, value in parts], time_ms)
            self._outlet.publish(targets[0].channel.topic, payload)
            self._messages_n += 1
            self._readings_n += len(parts)

    def _fault(self, line: int, column: str, what: str) -> None:
        self._faults_n += 1
        if len(self._faults) < FAULTS_TOLD_N:
            self._faults.append(RowFault(line, column, what))

    def _report(self) -> None:
        share = self._recording.share
        self._progress(Progress(self._rows_n, self._readings_n, self._outlet.acknowledged_n, share))


class _Pace:
    """Holds each row back until its time has come, ``speed`` times as fast as recorded."""

    def __init__(self, speed: float, stop: threading.Event) -> None:
        self._speed = speed
        self._stop = stop
        self._began: tuple[float, int] | None = None

    def wait_for(self, time_ms: int) -> bool:
        """Wait for a row's time; False when a stop came first. A row from the past goes at once."""
        if self._began is None:
            self._began = (monotonic(), time_ms)
        began_s, first_ms = self._began
        rest_s = began_s + (time_ms - first_ms) / 1_000 / self._speed - monotonic()
        return not (self._stop.wait(rest_s) if rest_s > 0 else self._stop.is_set())


def _broker(given: BrokerSettings | None, settings: Settings) -> BrokerSettings:
    broker = given or settings.broker
    if broker is None:
        raise InvalidError(
            "There is no broker to publish to.",
            where="[broker]",
            remedy="Add url to [broker] in vatside.toml, or name the embedded broker's address.",
        )
    return broker
