"""Playing the workshop: once and again, at the clock's speed and faster, over the real api."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from api.answers import Workshop
from api.record import Record
from collector.broker import EmbeddedBroker
from collector.config import Settings, load
from collector.errors import ConflictError, InvalidError, NotFoundError, VatsideError
from collector.service import Collector, broker_at
from collector.store.sqlite import SqliteStore
from collector.subscriber import Subscriber
from dashboards.demo.api_client import ApiClient, ApiSilentError
from dashboards.demo.entries import entries
from dashboards.demo.packs import FRESH_S
from dashboards.demo.play import (
    LEAD_S,
    PAUSE_LIMIT_S,
    Book,
    Tempo,
    began,
    main,
)
from dashboards.demo.settings import write_settings
from dashboards.demo.winter import RUNNING, Winter, winter
from tests.brokers import wait_until
from tests.dashboards.demo.stage import NOW_S, Stage, Wire, served, stage_of


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load(write_settings(tmp_path), {})


@pytest.fixture
def stage(settings: Settings) -> Iterator[Stage]:
    with stage_of(settings) as found:
        yield found


@pytest.fixture(scope="module")
def played() -> Winter:
    return winter(NOW_S)


def write(stage: Stage, played: Winter, time_s: float) -> Book:
    book = Book(stage.api, list(entries(played)))
    book.write_due(time_s)
    return book


def counts(stage: Stage) -> tuple[int, ...]:
    record = stage.workshop.record
    soaks = record.soaks.all()
    return (
        len(record.resins.all()),
        len(record.machines.all()),
        record.prints.count(),
        len(soaks),
        sum(len(record.looks.of(soak.id)) for soak in soaks),
    )


def test_simulated_time_is_never_later_than_the_clock_and_catches_up() -> None:
    assert [Tempo(NOW_S).at(NOW_S + t) for t in (0.0, 17.0)] == [NOW_S, NOW_S + 17.0]
    fast = Tempo(NOW_S, 60.0)
    assert fast.at(NOW_S) == NOW_S - LEAD_S
    assert fast.at(NOW_S + 60.0) == NOW_S - LEAD_S + 3_600.0
    caught_up_s = LEAD_S / 59.0
    for since_s in np.linspace(0.0, 400.0, 801).tolist():
        assert fast.at(NOW_S + since_s) <= NOW_S + since_s
        if since_s >= caught_up_s:
            assert fast.at(NOW_S + since_s) == NOW_S + since_s


def test_a_folder_remembers_when_its_demo_began(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    assert began(folder, NOW_S + 17.0) == NOW_S
    assert began(folder, NOW_S + 86_400.0) == NOW_S
    (folder / "demo-began.txt").write_text("yesterday, I think\n", encoding="utf-8")
    with pytest.raises(InvalidError, match=r"no time.*Delete the demo's folder"):
        began(folder, NOW_S)


@pytest.mark.parametrize("speed", [0.0, 0.5, -1.0, 1e6, float("nan")])
def test_a_speed_that_cannot_be_played_is_refused(settings: Settings, speed: float) -> None:
    with pytest.raises(InvalidError, match="Choose 1"):
        main(settings, broker_at("mqtt://127.0.0.1:1", None), "http://127.0.0.1:1", speed=speed)


def test_the_winter_is_on_record_once_however_often_it_is_written(
    stage: Stage, played: Winter
) -> None:
    write(stage, played, played.now_s)
    once = counts(stage)
    looks = sum(look.time_s <= played.now_s for soak in played.soaks for look in soak.looks)
    assert once == (4, 2, 61, 3, looks)
    write(stage, played, played.now_s)
    assert counts(stage) == once
    running = stage.workshop.record.prints.running()
    assert len(running) == 1
    for kept in stage.workshop.record.prints.all():
        assert kept.revision == 1
        if kept.id != running[0].id:
            assert kept.entry.failed_share is not None


def test_what_a_person_changed_stands(stage: Stage, played: Winter) -> None:
    write(stage, played, played.now_s)
    record = stage.workshop.record
    deleted, noted, running = (
        record.prints.all()[3],
        record.prints.all()[4],
        record.prints.running()[0],
    )
    record.prints.delete(deleted.id)
    record.prints.change(noted.id, noted.entry.model_copy(update={"note": "bubbles"}))
    ended = stage.api.get(f"/api/prints/{running.id}")
    stage.api.correct(
        f"/api/prints/{running.id}", {"end": "2026-09-21T23:00:00Z", "note": "mine"}, ended.etag
    )
    write(stage, played, played.now_s + 12 * 3_600.0)
    assert deleted.id not in {kept.id for kept in record.prints.all()}
    assert record.prints.get(noted.id).entry.note == "bubbles"
    assert record.prints.get(running.id).entry.note == "mine"
    assert record.prints.get(running.id).revision == 2


def test_the_hours_after_the_start_end_the_print_and_the_soak(stage: Stage, played: Winter) -> None:
    book = write(stage, played, played.now_s)
    record = stage.workshop.record
    running, soak = record.prints.running()[0], record.soaks.all()[-1]
    planned = next(plate for plate in played.prints if plate.key == RUNNING)
    book.write_due(planned.end_s + 899.0)
    assert record.prints.running() != []
    book.write_due(planned.end_s + 900.0)
    assert record.prints.running() == []
    after = record.prints.get(running.id).entry
    assert after.end is not None
    assert after.end.timestamp() == planned.end_s
    assert [part.outcome for part in after.parts] == [part.outcome for part in planned.parts]
    assert record.soaks.get(soak.id).entry.ended is not None
    assert len(record.looks.of(soak.id)) == len(played.soaks[-1].looks)
    assert book.pending == []


def test_a_run_tells_the_winter_and_a_second_one_adds_only_the_present(
    stage: Stage, played: Winter
) -> None:
    first = stage.player(played)
    first.stop.set()  # live would begin with the next tick
    first.greet(NOW_S)
    first.stop.clear()
    first.tell(NOW_S)
    told = stage.wire.store.count()
    assert max(stage.wire.times_ms) < NOW_S * 1_000
    stage.wire.times_ms.clear()
    stage.wire.clock_s += 7_200.0
    again = stage.player(played, started_s=stage.wire.clock_s)
    again.greet(stage.wire.clock_s)
    again.tell(NOW_S)
    assert len(stage.wire.times_ms) == 1, "the handshake alone"
    assert stage.wire.store.count() == told + 1


def test_a_history_that_broke_off_is_completed(stage: Stage, played: Winter) -> None:
    first = stage.player(played)
    sent = iter(range(40))

    def break_off(topic: str, payload: bytes) -> None:
        if next(sent, None) is None:
            raise KeyboardInterrupt
        Wire.publish(stage.wire, topic, payload)

    with pytest.MonkeyPatch.context() as patch, suppress(KeyboardInterrupt):
        patch.setattr(stage.wire, "publish", break_off)
        first.tell(NOW_S)
    assert 0 < stage.wire.store.count() < 20_000
    stage.player(played).tell(NOW_S)
    assert stage.wire.store.count() > 250_000
    accounts = stage.wire.store.accounts()
    assert accounts.balanced
    assert accounts.conflicts == 0


def test_live_readings_follow_the_clock_and_a_long_pause_leaves_a_gap(
    stage: Stage, played: Winter
) -> None:
    player, book = stage.player(played), Book(stage.api, [])
    stage.wire.clock_s += 60.0
    sent_s = player.catch_up(NOW_S, book)
    assert sent_s == NOW_S + 60.0
    assert 40 <= len(stage.wire.times_ms) <= 46
    assert max(stage.wire.times_ms) < stage.wire.clock_s * 1_000
    stage.wire.times_ms.clear()
    stage.wire.clock_s -= 30.0  # the clock was set back
    assert player.catch_up(sent_s, book) == sent_s
    assert stage.wire.times_ms == []
    stage.wire.clock_s += PAUSE_LIMIT_S + 3_600.0
    sent_s = player.catch_up(sent_s, book)
    assert stage.wire.times_ms == []
    assert sent_s == stage.wire.clock_s


def test_a_history_that_took_long_to_tell_leaves_no_gap(stage: Stage, played: Winter) -> None:
    player, book = stage.player(played), Book(stage.api, [])
    stage.wire.clock_s += PAUSE_LIMIT_S + 900.0
    assert player.catch_up(NOW_S, book, after_history=True) == stage.wire.clock_s
    assert min(stage.wire.times_ms) < (NOW_S + 30.0) * 1_000
    assert max(stage.wire.times_ms) > (stage.wire.clock_s - 30.0) * 1_000


def test_the_greeting_makes_no_channel_live_before_its_history(
    stage: Stage, played: Winter
) -> None:
    player = stage.player(played)
    player.greet(NOW_S)
    (first_ms,) = set(stage.wire.times_ms)
    assert first_ms < NOW_S * 1_000 - 100 * 86_400_000
    player.greet(NOW_S)  # it broke off before the history was told
    assert max(stage.wire.times_ms) < (NOW_S - FRESH_S) * 1_000


def test_faster_than_the_clock_nothing_lies_in_the_future(stage: Stage, played: Winter) -> None:
    player = stage.player(played, speed=60.0)
    book = Book(stage.api, list(entries(played)))
    sent_s = player.tempo.at(NOW_S)
    book.write_due(sent_s)
    assert len(stage.workshop.record.soaks.all()) == 2, "the third begins while it plays"
    while sent_s < stage.wire.clock_s:
        stage.wire.clock_s += 1.0
        stage.wire.times_ms.clear()
        sent_s = player.catch_up(sent_s, book)
        assert max(stage.wire.times_ms, default=0) < stage.wire.clock_s * 1_000
    assert stage.wire.clock_s - NOW_S == pytest.approx(LEAD_S / 59.0, abs=2.0)
    soaks = stage.workshop.record.soaks.all()
    assert len(soaks) == 3
    assert len(stage.workshop.record.looks.of(soaks[-1].id)) == len(soaks[-1].entry.specimens)


def test_a_pages_process_that_restarts_is_waited_for(stage: Stage, played: Winter) -> None:
    player = stage.player(played)
    nobody = ApiClient("http://127.0.0.1:9")
    book = Book(nobody, list(entries(played)))
    stage.wire.clock_s += 5.0
    player.catch_up(NOW_S, book)
    assert len(book.pending) == len(entries(played))
    book.api = stage.api
    player.catch_up(NOW_S + 5.0, book)
    assert counts(stage)[0] == 4


def test_the_client_says_what_the_api_said(stage: Stage) -> None:
    with pytest.raises(NotFoundError, match="there is no print 99"):
        stage.api.get("/api/prints/99")
    with pytest.raises(VatsideError, match="POST /api/resins"):
        stage.api.make("/api/resins", {"name": ""}, "k1")
    made = stage.api.make("/api/resins", {"name": "Willow"}, "k2")
    assert stage.api.make("/api/resins", {"name": "Willow"}, "k2") == made
    with pytest.raises(ConflictError):
        stage.api.make("/api/resins", {"name": "Willow"}, "k3")
    with pytest.raises(ApiSilentError, match="Start the pages first"):
        ApiClient("http://127.0.0.1:9").wait_until_ready(0.05)


def newest_s(store: SqliteStore) -> float:
    """The time of the newest reading [s since 1970]."""
    return max(reading.time_ms for reading in store.latest().values()) / 1_000


def test_the_demo_plays_over_the_real_broker(settings: Settings) -> None:
    """Broker, collector, api and the simulated workshop together, each the real one."""
    url_stop = threading.Event()
    store = SqliteStore(settings.store.readings_path)
    reader = SqliteStore(settings.store.readings_path, read_only=True)
    workshop = Workshop(settings, reader, Record(settings.store.record_path))
    with EmbeddedBroker() as broker, served(workshop) as api:
        source = Subscriber(
            broker_at(broker.url, None), (channel.topic for channel in settings.channels)
        )
        collector = Collector(settings, store, source)
        collecting = threading.Thread(target=collector.run)
        collecting.start()
        playing = threading.Thread(
            target=main,
            args=(settings, broker_at(broker.url, None), api.url),
            kwargs={"stop": url_stop},
        )
        playing.start()
        try:
            told_of = {"power-south": 30_000, "chamber": 5_000}
            wait_until(
                lambda: all(reader.count(one) > n for one, n in told_of.items()),
                "the history is told",
                180,
            )
            wait_until(lambda: workshop.record.prints.count() == 61, "the prints are on record")
            told_s = time.time()
            wait_until(lambda: newest_s(reader) > told_s, "the present is told")
        finally:
            url_stop.set()
            playing.join()
            collector.stop()
            collecting.join()
        accounts = reader.accounts()
        assert accounts.balanced
        assert accounts.readings_refused == accounts.conflicts == 0
        assert 250_000 < accounts.readings_stored < 400_000
        assert workshop.record.prints.count() == 61
        assert newest_s(reader) <= time.time()
        store.close()
    workshop.record.close()
    reader.close()
