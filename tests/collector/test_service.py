"""The collector's loop against a source in memory: acknowledged is what is on disk, no more."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from collector import service
from collector.calibration import Chain, Correction
from collector.channels import Channel, TimeForm
from collector.clocks import Condition
from collector.config import BrokerSettings, Settings
from collector.errors import SettingsError, StoreError
from collector.inbox import Message
from collector.influx_settings import InfluxSettings
from collector.readings import Mark, Role, Series
from collector.service import Chains, Collector, broker_at
from collector.signals import Platinum
from collector.spool import Spool
from collector.status import read_status
from collector.store import Appended, Arrival, CollectingStore
from collector.store.influx_store import InfluxStore
from collector.store.sqlite import SqliteStore
from collector.subscriber import Link
from tests.brokers import wait_until

NORTH = Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/north/vat")
SETTINGS = Settings(channels=(NORTH,))


class MemorySource:
    """Hands out what it was given and notes what comes back."""

    def __init__(self) -> None:
        self.waiting: list[Message] = []
        self.acknowledged: list[Message] = []
        self.calls: list[str] = []
        self.fault: str | None = None
        self.settled = 0

    def start(self) -> None:
        self.calls.append("start")

    def stop(self) -> None:
        self.calls.append("stop")

    def take(self, most_n: int, wait_s: float) -> list[Message]:
        taken, self.waiting = self.waiting[:most_n], self.waiting[most_n:]
        if not taken:
            threading.Event().wait(min(wait_s, 0.01))
        return taken

    def acknowledge(self, messages: Sequence[Message], number: int = 0) -> None:
        self.acknowledged += messages
        self.settled = number

    @property
    def link(self) -> Link:
        connected = self.fault is None
        return Link(connected, connected, 0, 1, self.fault, len(self.waiting), 0, 0)


class FailingStore(SqliteStore):
    """A store whose next appends fail as often as told."""

    failures = 0
    unreadable = False

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        if self.unreadable:
            raise StoreError("The server is away.", where="influx")
        return super().between(channel, start_ms, end_ms)

    def append(self, arrivals: Sequence[Arrival], *, settled: int = 0) -> Appended:
        if arrivals and self.failures:
            self.failures -= 1
            raise StoreError("The disk is full.", where="readings.db", remedy="Free some space.")
        return super().append(arrivals, settled=settled)


def message(number: int, payload: bytes, topic: str = "cellar/north/vat") -> Message:
    return Message(topic, payload, 1_767_268_800_000 + number, False, number, 1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[FailingStore]:
    with FailingStore(tmp_path / "readings.db", open_later=True) as opened:
        yield opened


class Running:
    """A collector in a thread, with what it says."""

    def __init__(
        self,
        store: CollectingStore,
        settings: Settings = SETTINGS,
        status_folder: Path | None = None,
        chains: Chains | None = None,
    ) -> None:
        self.source = MemorySource()
        self.said: list[str] = []
        self.collector = Collector(
            settings,
            store,
            self.source,
            chains=chains,
            status_folder=status_folder,
            say=self.said.append,
            first_pause_s=0.01,
            longest_pause_s=0.05,
        )
        self.thread = threading.Thread(target=self.collector.run)

    def __enter__(self) -> Running:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.collector.stop()
        self.thread.join(10)
        assert not self.thread.is_alive()


def test_what_is_acknowledged_is_on_disk(store: FailingStore) -> None:
    with Running(store) as running:
        sent = [message(i, str(20 + i / 10).encode()) for i in range(1, 6)]
        running.source.waiting += sent
        wait_until(lambda: running.source.acknowledged == sent, "all are acknowledged")
        assert store.count("vat-north") == 5
    assert running.source.calls == ["start", "stop"]
    assert running.collector.state.kept == Appended(stored=5)


@pytest.mark.parametrize("unreadable", [False, True])
def test_a_correction_that_changes_is_no_jump_and_holds_nothing_up(
    store: FailingStore, unreadable: bool
) -> None:
    """Marks go by corrected values from the next batch on, whether history can be read or not."""
    chains: list[dict[str, Chain]] = [{}]
    with Running(store, chains=lambda: chains[-1]) as running:

        def kept(number: int, payload: bytes) -> Mark:
            running.source.waiting.append(message(number, payload))
            wait_until(lambda: len(running.source.acknowledged) == number, "it is acknowledged")
            latest = store.latest()["vat-north"]
            assert latest.value == float(payload)
            return latest.marks

        assert kept(1, b"70.0") == Mark.NONE
        store.unreadable = unreadable
        chains.append({"vat-north": Chain(None, (Correction.offset(0, 5.0),))})
        assert kept(2, b"70.1") == Mark.NONE
        assert kept(3, b"76.0") == Mark.IMPLAUSIBLE | Mark.JUMP  # 81 °C
        chains.append({"vat-north": Chain(None, (Correction.offset(0, 20.0),))})
        assert kept(4, b"70.0") == Mark.IMPLAUSIBLE
        store.unreadable = False
    assert running.said == ["Collector: listening."]


def test_the_file_is_there_before_the_first_message(store: FailingStore) -> None:
    with Running(store):
        wait_until(store.path.exists, "the file is made")


def test_a_refused_message_is_kept_acknowledged_and_blocks_nothing(store: FailingStore) -> None:
    with Running(store) as running:
        running.source.waiting += [
            message(1, b"warm"),
            message(2, b"20.5"),
            message(3, b"\xff\xfe"),
        ]
        wait_until(lambda: len(running.source.acknowledged) == 3, "all are acknowledged")
    assert [kept.payload for kept in store.refused()] == [b"\xff\xfe", b"warm"]
    assert store.accounts().messages_refused == 2
    assert running.said == ["Collector: listening."]


def test_a_store_that_fails_keeps_the_batch_and_says_so_once(store: FailingStore) -> None:
    store.failures = 5
    with Running(store) as running:
        running.source.waiting += [message(1, b"20.5"), message(2, b"20.6")]
        wait_until(lambda: len(running.source.acknowledged) == 2, "the batch goes through")
        wait_until(lambda: running.collector.state.store_fault is None, "the fault is over")
    assert store.count() == 2
    assert [line for line in running.said if "disk is full" in line] == [
        "readings.db: The disk is full. Free some space."
        " Readings wait, and the broker holds the rest."
    ]
    assert "The store takes readings again; nothing was lost." in running.said


def test_a_stop_while_the_store_fails_acknowledges_nothing(store: FailingStore) -> None:
    store.failures = 1_000_000
    with Running(store) as running:
        running.source.waiting += [message(1, b"20.5")]
        wait_until(lambda: running.collector.state.store_fault is not None, "the fault shows")
        assert running.collector.state.in_hand_n == 1
    assert running.source.acknowledged == []
    assert running.source.calls == ["start", "stop"]


def test_a_change_of_the_link_is_said(store: FailingStore) -> None:
    with Running(store) as running:
        wait_until(lambda: running.said == ["Collector: listening."], "it listens")
        running.source.fault = "the connection ended"
        wait_until(lambda: running.said[-1] == "Collector: the connection ended.", "it is said")


# -- messages that come again ------------------------------------------------------------------


def comes(number: int, payload: bytes, connection: int, *, dup: bool, at: int = 0) -> Message:
    """A message of a connection that took up an earlier session."""
    time_ms = 1_767_268_900_000 + at
    return Message("cellar/north/vat", payload, time_ms, False, number, connection, dup, True)


def kept_values(store: SqliteStore) -> list[float]:
    return [reading.value for reading in store.between("vat-north", 0, 2**50)]


def test_a_bare_number_that_comes_again_is_a_duplicate(store: FailingStore) -> None:
    """Kept, the process ended before the broker heard of it, and delivered again."""
    with Running(store) as running:
        running.source.waiting += [message(1, b"20.1"), message(2, b"20.1"), message(3, b"warm")]
        wait_until(lambda: len(running.source.acknowledged) == 3, "all are acknowledged")
    with Running(store) as running:
        running.source.waiting += [
            comes(1, b"20.1", 1, dup=True),
            comes(2, b"20.1", 1, dup=True),
            comes(3, b"warm", 1, dup=True),
            comes(4, b"20.1", 1, dup=True, at=1),  # delivered before, but never kept
            comes(5, b"20.1", 1, dup=False, at=2),
        ]
        wait_until(lambda: len(running.source.acknowledged) == 5, "all are acknowledged")
    assert kept_values(store) == [20.1] * 4
    accounts = store.accounts()
    assert accounts.balanced
    assert (accounts.messages_duplicate, accounts.readings_duplicate) == (3, 3)
    assert (accounts.messages_stored, accounts.messages_refused) == (4, 1)
    assert len(store.refused()) == 1


def test_a_broker_that_marks_nothing_repeats_in_order_from_the_beginning(
    store: FailingStore,
) -> None:
    with Running(store) as running:
        running.source.settled = -1  # the broker never confirms
        running.source.acknowledge = lambda messages, number=0: None  # type: ignore[method-assign]
        running.source.waiting += [message(i, b"20.%d" % i) for i in range(1, 6)]
        wait_until(lambda: running.collector.state.kept.stored == 5, "all are kept")
    with Running(store) as running:
        again = [comes(i, b"20.%d" % (i + 3), 1, dup=False, at=i) for i in range(1, 3)]
        new = [comes(3, b"20.4", 1, dup=False, at=3), comes(4, b"20.6", 1, dup=False, at=4)]
        running.source.waiting += again + new
        wait_until(lambda: len(running.source.acknowledged) == 4, "all are acknowledged")
    assert kept_values(store) == [20.1, 20.2, 20.3, 20.4, 20.5, 20.4, 20.6]
    assert store.accounts().messages_duplicate == 2


def test_what_the_broker_has_confirmed_is_new_when_it_comes_without_a_mark(
    store: FailingStore,
) -> None:
    """A sensor that sends the same number every half minute, over a restart."""
    with Running(store) as running:
        running.source.waiting += [message(1, b"20.1")]
        wait_until(lambda: len(running.source.acknowledged) == 1, "it is acknowledged")
        wait_until(lambda: store.deliveries().settled == 1, "it is settled")
    with Running(store) as running:
        running.source.waiting += [comes(1, b"20.1", 1, dup=False)]
        wait_until(lambda: len(running.source.acknowledged) == 1, "it is acknowledged")
    assert kept_values(store) == [20.1, 20.1]


# -- marks, clocks, sensors --------------------------------------------------------------------

PT100 = Channel(
    id="vat-north",
    role=Role.VAT_TEMPERATURE,
    topic="cellar/north/vat",
    value="/r",
    time="/at",
    time_form=TimeForm.UNIX_MS,
    signal=Platinum(),
    plausible_max=60,
    battery="/battery",
    radio="/radio",
)
NOON_MS = 1_767_268_800_000


def sends(number: int, received_ms: int, time_ms: int, ohm: float, more: str = "") -> Message:
    payload = f'{{"r": {ohm}, "at": {time_ms}{more}}}'
    return Message("cellar/north/vat", payload.encode(), received_ms, False, number, 1)


def marks_kept(store: SqliteStore) -> list[Mark]:
    return [Mark(bits) for bits in store.between("vat-north", 0, 2**50).marks.tolist()]


def test_readings_are_marked_as_they_arrive_and_kept_as_they_were_sent(
    store: FailingStore,
) -> None:
    settings = Settings(channels=(PT100,))
    signal = Platinum()
    celsius = [22.0, 22.1, 75.0, 22.1]  # above plausible_max, and a jump
    with Running(store, settings) as running:
        for i, value in enumerate(celsius):
            time_ms = NOON_MS + 60_000 * i
            running.source.waiting.append(sends(i + 1, time_ms + 200, time_ms, signal.at(value)))
        wait_until(lambda: len(running.source.acknowledged) == 4, "all are kept")
        status = running.collector.status()
    assert marks_kept(store) == [Mark(0), Mark(0), Mark.IMPLAUSIBLE | Mark.JUMP, Mark(0)]
    assert kept_values(store) == [signal.at(value) for value in celsius]
    vat = status.channel("vat-north")
    assert vat.marks == {"implausible": 1, "jump": 1}
    assert vat.interval_ms == 60_000
    assert vat.last_received_ms == NOON_MS + 180_200


def test_marks_go_on_after_a_restart(store: FailingStore, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = Settings(channels=(PT100,))
    signal = Platinum()
    monkeypatch.setattr(service, "_now_ms", lambda: NOON_MS + 90_000)
    for i, (value, marks) in enumerate([(22.0, Mark(0)), (52.0, Mark.JUMP)]):
        time_ms = NOON_MS + 60_000 * i
        with Running(store, settings) as running:
            running.source.waiting.append(sends(i + 1, time_ms + 200, time_ms, signal.at(value)))
            wait_until(lambda: len(running.source.acknowledged) == 1, "it is kept")
        assert marks_kept(store)[-1] == marks


def test_a_server_that_is_away_at_the_start_holds_nothing_up(tmp_path: Path) -> None:
    """Nobody listens at the server's port; what was spooled before is what marks go on from."""
    server = InfluxSettings("http://127.0.0.1:9", "cellar", "t0ken")
    dated = replace(NORTH, value="/t", time="/at", time_form=TimeForm.UNIX_MS)
    now_ms = time.time_ns() // 1_000_000

    def sent(number: int, value: float, ago_ms: int) -> Message:
        payload = f'{{"t": {value}, "at": {now_ms - ago_ms}}}'.encode()
        return Message("cellar/north/vat", payload, now_ms, False, number, 1)

    def collected(messages: list[Message]) -> list[Arrival]:
        with (
            InfluxStore(server, tmp_path / "spool.db", open_later=True, patience_s=0.05) as store,
            Running(store, Settings(channels=(dated,))) as running,
        ):
            running.source.waiting += messages
            wait_until(lambda: running.source.acknowledged == messages, "they are on disk")
        with closing(Spool(tmp_path / "spool.db")) as spool:
            return [one.arrival for one in spool.take(100)]

    assert len(collected([sent(1, 20.0, 3_000), sent(2, 20.0, 2_000)])) == 2
    (reading,) = collected([sent(3, 30.0, 1_000)])[-1].readings
    assert reading.marks == Mark.JUMP


def test_a_clock_that_steps_back_by_55_minutes(store: FailingStore, tmp_path: Path) -> None:
    """Nothing vanishes, the step is seen and measured, and it is still known after a restart."""
    settings = Settings(channels=(PT100,))
    signal = Platinum()
    back_ms = 55 * 60_000
    with Running(store, settings, tmp_path) as running:
        for i in range(240):  # four minutes right, then four minutes behind, every two seconds
            now_ms = NOON_MS + 2_000 * i
            # Half a second off the beat, or the second line would meet the times of the first.
            own_ms = now_ms if i < 120 else now_ms - back_ms + 500
            ohm = signal.at(22 + i / 1_000)
            running.source.waiting.append(sends(i + 1, now_ms + 300, own_ms, ohm))
        wait_until(lambda: len(running.source.acknowledged) == 240, "all are kept")
        clock = running.collector.status().channel("vat-north").clock
    assert store.count() == 240
    assert store.accounts().readings_stored == 240
    times = store.between("vat-north", 0, 2**50).times_ms
    assert (times[1:] > times[:-1]).all()
    coverage = store.coverage("vat-north", int(times[0]), int(times[-1]) + 1, gap_limit_ms=300_000)
    assert all(gap.end_ms > gap.start_ms for gap in coverage.gaps)
    behind = store.between("vat-north", 0, NOON_MS).marks
    assert len(behind) == 120
    assert set(behind.tolist()) <= {int(Mark.LATE), int(Mark.CLOCK)}
    assert behind[-1] == Mark.CLOCK
    assert clock.condition is Condition.BEHIND
    assert clock.step is not None
    assert abs(clock.step.back_ms - back_ms) < 1_000
    assert "55 min behind" in clock.words(NOON_MS + 600_000)
    kept = read_status(tmp_path)
    assert kept is not None
    assert kept.stopped
    assert kept.channel("vat-north").clock == clock
    with Running(store, settings, tmp_path) as running:
        assert running.collector.status().channel("vat-north").clock == clock


def test_a_clock_is_measured_beside_channels_that_send_no_time(store: FailingStore) -> None:
    dated = replace(NORTH, value="/t", time="/at", time_form=TimeForm.UNIX_MS)
    bare = replace(NORTH, id="vat-south", value="/t")
    with Running(store, Settings(channels=(dated, bare))) as running:
        for i in range(15):
            received_ms = NOON_MS + i * 6_000
            payload = f'{{"t": 20.5, "at": {received_ms - 3_300_000}}}'.encode()
            running.source.waiting.append(
                Message("cellar/north/vat", payload, received_ms, False, i + 1, 1)
            )
        wait_until(lambda: len(running.source.acknowledged) == 15, "they are kept")
        status = running.collector.status()
    assert status.channel("vat-north").clock.condition is Condition.BEHIND
    assert status.channel("vat-north").clock.offset_ms == 3_300_000
    assert status.channel("vat-south").clock.condition is Condition.NOT_MEASURED


def test_a_retained_message_is_no_measure_of_a_clock(store: FailingStore) -> None:
    settings = Settings(channels=(PT100,))
    with Running(store, settings) as running:
        for i in range(60):
            kept = sends(i + 1, NOON_MS + 2_000 * i, NOON_MS - 86_400_000 + i, 108.0)
            running.source.waiting.append(kept._replace(retained=True))
        wait_until(lambda: len(running.source.acknowledged) == 60, "all are kept")
        clock = running.collector.status().channel("vat-north").clock
    assert clock.condition is Condition.NOT_MEASURED
    assert store.count() == 60


def test_battery_and_radio_are_shown_and_refuse_nothing(store: FailingStore) -> None:
    with Running(store, Settings(channels=(PT100,))) as running:
        for i, more in enumerate(
            [', "battery": 87, "radio": -61.5', ', "battery": "low"', ', "battery": true']
        ):
            time_ms = NOON_MS + 30_000 * i
            running.source.waiting.append(sends(i + 1, time_ms, time_ms, 108.0, more))
        wait_until(lambda: len(running.source.acknowledged) == 3, "all are kept")
        vat = running.collector.status().channel("vat-north")
    assert (vat.battery, vat.radio, vat.sensor_ms) == (87, -61.5, NOON_MS)
    assert store.accounts().readings_stored == 3


# -- the status --------------------------------------------------------------------------------


def test_the_status_tells_of_the_store_and_of_the_link(store: FailingStore, tmp_path: Path) -> None:
    store.failures = 1_000_000
    with Running(store, status_folder=tmp_path) as running:
        running.source.waiting += [message(1, b"20.5"), message(2, b"20.6")]

        def faulty() -> bool:
            status = read_status(tmp_path)
            return status is not None and status.store_fault is not None

        wait_until(faulty, "the fault is written")
        status = read_status(tmp_path)
        assert status is not None
        assert "disk is full" in (status.store_fault or "")
        assert (status.in_hand_n, status.connected, status.stopped) == (2, True, False)
        assert status.lag_ms is not None
        assert not status.away(status.at_ms + 9_000)
        assert status.away(status.at_ms + 11_000)
        store.failures = 0
        wait_until(lambda: len(running.source.acknowledged) == 2, "the store recovers")
    ended = read_status(tmp_path)
    assert ended is not None
    assert (ended.store_fault, ended.in_hand_n, ended.stored) == (None, 0, 2)
    assert ended.stopped
    assert ended.away(ended.at_ms)


def test_another_address_keeps_login_and_name() -> None:
    given = BrokerSettings("mqtt://a:1", "a", 1, False, "north", "secret", "cellar")
    broker = broker_at("mqtts://broker.local", given)
    assert (broker.host, broker.port, broker.tls) == ("broker.local", 8883, True)
    assert (broker.username, broker.password, broker.client_id) == ("north", "secret", "cellar")
    assert broker_at("mqtt://[::1]:1885", None).host == "::1"


@pytest.mark.parametrize("url", ["", "http://x", "mqtt://", "mqtt://x:99999", "mqtt://x:abc"])
def test_an_address_that_is_none_is_refused(url: str) -> None:
    with pytest.raises(SettingsError, match="no address of a broker"):
        broker_at(url, None)
