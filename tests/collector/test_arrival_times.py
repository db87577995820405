"""Messages without a time that come in one millisecond are dated one after the other."""

from __future__ import annotations

from collector.arrival_times import MOST_AHEAD_MS, ArrivalTimes
from collector.readings import Reading
from collector.store.contract import Arrival

NOON_MS = 1_767_268_800_000


def came(received_ms: int, *readings: Reading) -> Arrival:
    return Arrival("cellar/vat", received_ms, readings, undated=True)


def times(spread: Arrival) -> list[int]:
    return [reading.time_ms for reading in spread.readings]


def test_what_comes_at_once_is_dated_a_millisecond_apart() -> None:
    dated = ArrivalTimes()
    alike = came(NOON_MS, Reading("vat", NOON_MS, 20.5))
    assert [times(dated.spread(alike)) for _ in range(3)] == [
        [NOON_MS],
        [NOON_MS + 1],
        [NOON_MS + 2],
    ]
    other = came(NOON_MS + 1, Reading("room", NOON_MS + 1, 18.0))
    assert dated.spread(other) is other
    assert times(dated.spread(came(NOON_MS + 5, Reading("vat", NOON_MS + 5, 20.5)))) == [
        NOON_MS + 5
    ]


def test_a_time_of_its_own_is_left_alone() -> None:
    dated = ArrivalTimes({"vat": NOON_MS})
    own = Reading("vat", NOON_MS - 3, 20.5)
    assert times(dated.spread(came(NOON_MS, own, Reading("vat", NOON_MS, 20.6)))) == [
        NOON_MS - 3,
        NOON_MS + 1,
    ]


def test_a_clock_that_is_set_back_is_believed() -> None:
    dated = ArrivalTimes({"vat": NOON_MS})
    earlier = NOON_MS - MOST_AHEAD_MS
    assert times(dated.spread(came(earlier, Reading("vat", earlier, 20.5)))) == [earlier]
    assert times(dated.spread(came(earlier, Reading("vat", earlier, 20.5)))) == [earlier + 1]
