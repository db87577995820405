"""The demo's messages: valid SenML, each reading once, what the pages need first, none late."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from collector.config import load
from collector.payload import Decoder
from collector.quality import Watchers
from collector.readings import Mark, Role
from dashboards.demo.packs import FRESH_S, SENML_UNITS, TOPICS, Message, history, live
from dashboards.demo.physics import DAY_S, HOUR_S
from dashboards.demo.sensors import CHANNELS, history_times, readings
from dashboards.demo.settings import write_settings
from dashboards.demo.winter import Winter, winter

NOW_S = 1_790_000_000.0
#: RFC 8428, section 4.5.1: the characters of a name, the first one a letter or digit.
NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9:./_-]*$")


@pytest.fixture(scope="module")
def played() -> Winter:
    return winter(NOW_S)


@pytest.fixture(scope="module")
def told(played: Winter) -> tuple[Message, ...]:
    """The whole history as messages."""
    return tuple(history(played, played.now_s))


def resolved(message: Message) -> list[tuple[str, str, float, float]]:
    """Name, unit, time and value of each record, by the rules of RFC 8428, section 4.6."""
    name = unit = ""
    base_time = 0.0
    out = []
    for record in json.loads(message.payload):
        assert set(record) <= {"bn", "bt", "bu", "t", "v"}
        name, unit = record.get("bn", name), record.get("bu", unit)
        base_time = record.get("bt", base_time)
        time_s = base_time + record.get("t", 0)
        assert time_s >= 2**28, "absolute, not relative to now"
        assert NAME.match(name)
        assert isinstance(record["v"], float)
        out.append((name, unit, time_s, record["v"]))
    return out


def test_history_is_valid_and_holds_every_reading_once(
    played: Winter, told: tuple[Message, ...]
) -> None:
    seen: Counter[tuple[str, float]] = Counter()
    values = {}
    for message in told:
        rows = resolved(message)
        assert len(rows) == message.reading_n
        assert len(message.payload) < 16_384
        for name, unit, time_s, value in rows:
            channel = next(key for key, topic in TOPICS.items() if topic == name == message.topic)
            assert unit == SENML_UNITS[channel]
            seen[channel, time_s] += 1
            values[channel, time_s] = value
    assert set(seen.values()) == {1}
    for channel in CHANNELS:
        times, expected = readings(played, channel, history_times(played, channel, played.now_s))
        got = [values[channel, time_s] for time_s in times.tolist()]
        assert got == expected.tolist()
    assert len(seen) == sum(
        len(readings(played, channel, history_times(played, channel, played.now_s))[0])
        for channel in CHANNELS
    )


def test_the_last_day_comes_first_then_first_layers_and_soaks_then_the_rest_in_order(
    played: Winter, told: tuple[Message, ...]
) -> None:
    rows = [row for message in told for row in resolved(message)]
    yesterday_s, fresh_s = played.now_s - DAY_S, played.now_s - 2 * FRESH_S
    older = next(place for place, row in enumerate(rows) if row[2] < yesterday_s)
    assert {row[0] for row in rows[:older]} == set(TOPICS.values())
    fresh = next(n for n, row in enumerate(rows) if n > older and row[2] >= fresh_s)
    assert all(row[2] < yesterday_s for row in rows[older:fresh])
    assert {row[0] for row in rows[fresh:]} == set(TOPICS.values())
    assert all(row[2] >= fresh_s for row in rows[fresh:])
    room = next(
        place for place, row in enumerate(rows) if place >= older and row[0] == TOPICS["room-temp"]
    )
    early = rows[:room]
    for plate in played.prints:
        topic = TOPICS[f"vat-{plate.machine.lower()}"]
        near = [row for row in early if row[0] == topic and abs(row[2] - plate.start_s) < 600]
        assert len(near) >= 5 or plate.machine == "North"
    assert room < 40_000, "a tenth of the history at most stands in front"
    times = [row[2] for row in rows[room:fresh] if row[0] == TOPICS["room-temp"]]
    assert times == sorted(times)


@pytest.mark.parametrize("pack_ms", [10, 50])
def test_nothing_of_the_history_is_marked_but_what_is_wrong_with_it(
    played: Winter, told: tuple[Message, ...], tmp_path: Path, pack_ms: int
) -> None:
    """Told at once and followed by the present, as a first start of the demo does it."""
    settings = load(write_settings(tmp_path), {})
    watchers, decoder = Watchers(settings.channels), Decoder(settings.channels)
    marked: dict[Mark, Counter[str]] = {mark: Counter() for mark in Mark}
    received_ms = int(played.now_s * 1_000)
    for message in (*told, *live(played, played.now_s, played.now_s + 120.0)):
        # A pack in so many milliseconds; nothing arrives before it was read.
        received_ms = max(received_ms + pack_ms, int(resolved(message)[-1][2] * 1_000))
        arrival = decoder.arrival(message.topic, message.payload, received_ms)
        for reading in watchers.marked(arrival).readings:
            for mark in Mark:
                marked[mark][reading.channel] += mark in reading.marks
    for mark in (Mark.LATE, Mark.CLOCK):
        assert not +marked[mark]
    assert +marked[Mark.IMPLAUSIBLE] == {"vat-south": 2, "vat-north": 1}
    # The humidity sensor that stuck for nine hours is found out, and no other.
    assert set(+marked[Mark.STUCK]) == {"room-humidity"}
    assert marked[Mark.STUCK]["room-humidity"] > 20


def test_live_readings_in_slices_are_the_whole_and_carry_on_where_history_ends(
    played: Winter, told: tuple[Message, ...]
) -> None:
    start_s = played.now_s - HOUR_S
    whole = sorted(
        row for message in live(played, start_s, played.now_s) for row in resolved(message)
    )
    sliced = []
    moment = start_s
    while moment < played.now_s:
        end = min(moment + 7.3, played.now_s)
        sliced += [row for message in live(played, moment, end) for row in resolved(message)]
        moment = end
    assert sorted(sliced) == whole
    assert {row[0] for row in whole} == set(TOPICS.values())
    before = [row for message in history(played, start_s) for row in resolved(message)]
    assert not {(row[0], row[2]) for row in before} & {(row[0], row[2]) for row in whole}
    full = {(row[0], row[2]): row[3] for message in told for row in resolved(message)}
    shared = [row for row in whole if (row[0], row[2]) in full]
    assert shared
    assert all(full[row[0], row[2]] == row[3] for row in shared)


def test_the_settings_name_every_channel_and_topic(tmp_path: Path) -> None:
    path = write_settings(tmp_path / "demo", port=8471)
    settings = load(path, {})
    assert settings.broker is None
    assert settings.pages.port == 8471
    assert settings.store.folder.resolve() == (tmp_path / "demo").resolve()
    assert tuple(channel.id for channel in settings.channels) == CHANNELS
    for channel in settings.channels:
        assert channel.topic == channel.senml == TOPICS[channel.id]
        assert {"Cel": "°C"}.get(SENML_UNITS[channel.id], SENML_UNITS[channel.id]) == (
            channel.role.unit
        )
    assert {channel.role for channel in settings.channels} == set(Role) - {
        Role.SPECIMEN_TEMPERATURE
    }


def test_the_settings_take_another_broker(tmp_path: Path) -> None:
    path = write_settings(tmp_path, broker_url="mqtt://127.0.0.1:2883")
    broker = load(path, {}).broker
    assert broker is not None
    assert broker.port == 2883


def test_nothing_is_sent_when_no_sensor_has_its_turn(played: Winter) -> None:
    assert (
        list(live(played, np.floor(played.now_s / 30) * 30 + 1, played.now_s // 30 * 30 + 4)) == []
    )
