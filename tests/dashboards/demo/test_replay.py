"""The winter's messages through our own decoder into a store: nothing lost, nothing twice."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from collector.config import load
from collector.payload import Decoder
from collector.store.sqlite import SqliteStore
from dashboards.demo.packs import history
from dashboards.demo.physics import HOUR_S
from dashboards.demo.sensors import CHANNELS, faults, history_times, readings
from dashboards.demo.settings import write_settings
from dashboards.demo.winter import winter

NOW_S = 1_790_000_000.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


def test_the_whole_winter_is_kept_once_and_the_accounts_add_up(folder: Path) -> None:
    played = winter(NOW_S)
    settings = load(write_settings(folder), {})
    decoder = Decoder(settings.channels)
    now_ms = int(played.now_s * 1_000)
    messages = list(history(played, played.now_s))
    expected = sum(message.reading_n for message in messages)
    store = SqliteStore(settings.store.readings_path)
    try:
        for first in range(0, len(messages), 200):
            store.append(
                [
                    decoder.arrival(message.topic, message.payload, now_ms)
                    for message in messages[first : first + 200]
                ]
            )
        repeated = messages[:50]
        store.append([decoder.arrival(m.topic, m.payload, now_ms) for m in repeated])
        accounts = store.accounts()
        assert accounts.balanced
        assert accounts.messages_received == len(messages) + len(repeated)
        assert accounts.readings_stored == store.count() == expected
        assert accounts.readings_duplicate == sum(m.reading_n for m in repeated)
        assert (accounts.readings_refused, accounts.conflicts) == (0, 0)
        for channel in CHANNELS:
            kept = store.between(channel, 0, now_ms + 1)
            times, values = readings(played, channel, history_times(played, channel, played.now_s))
            assert np.array_equal(kept.times_ms, (times * 1_000).astype(np.int64))
            assert np.array_equal(kept.values, values)
        limit_ms = settings.channel("vat-north").gap_limit_ms
        coverage = store.coverage(
            "vat-north", int(played.start_s * 1_000), now_ms, gap_limit_ms=limit_ms
        )
        off = next(fault for fault in faults(played) if fault.value is None)
        assert len(coverage.gaps) == 1
        assert coverage.longest_gap_ms >= (off.end_s - off.start_s) * 1_000
        assert coverage.longest_gap_ms < (off.end_s - off.start_s + HOUR_S) * 1_000
    finally:
        store.close()
