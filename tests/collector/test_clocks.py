"""Sensor clocks: right, ahead, behind, stepped back, at 1970, and history coming in."""

from __future__ import annotations

import random
from collections.abc import Iterable
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clocks import Clocks, ClockState, ClockWatch, Condition, span_words
from collector.readings import Reading
from collector.store.contract import Arrival

NOON_MS = 1_767_268_800_000  # 2026-01-01T12:00:00Z
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


def watched(offsets_ms: Iterable[int], *, every_ms: int = MINUTE_MS) -> ClockWatch:
    """A watch that saw a message every so often, each so far behind its arrival."""
    watch = ClockWatch()
    for i, offset_ms in enumerate(offsets_ms):
        received_ms = NOON_MS + i * every_ms
        watch.note(received_ms - offset_ms, received_ms)
    return watch


def test_nothing_is_said_before_it_is_measured() -> None:
    assert ClockWatch().state == ClockState()
    assert watched([200] * 2).state.words(NOON_MS) == "not measured yet"


@pytest.mark.parametrize(
    ("offset_ms", "condition", "words"),
    [
        (200, Condition.RIGHT, "right"),
        (-40_000, Condition.RIGHT, "right"),
        (HOUR_MS, Condition.BEHIND, "1 h behind since 12:00"),
        (-2 * HOUR_MS - 90_000, Condition.AHEAD, "2 h 1 min ahead since 12:00"),
        (NOON_MS - 30_000, Condition.AT_1970, "without a clock, at 1970, since 12:00"),
    ],
)
def test_a_steady_clock(offset_ms: int, condition: Condition, words: str) -> None:
    state = watched([offset_ms + jitter for jitter in (0, 40, -30, 900, 10, 0)]).state
    assert state.condition is condition
    assert state.offset_ms == pytest.approx(offset_ms, abs=1_000)
    assert state.words(NOON_MS + HOUR_MS) == words
    assert state.step is None


def test_the_offset_is_the_median() -> None:
    # By hand: the middle of 100, 200, 300, 5 000, 20 000 ms.
    assert watched([300, 100, 20_000, 5_000, 200]).state.offset_ms == 300


@pytest.mark.parametrize("every_ms", [1_000, 10_000, MINUTE_MS])
def test_a_clock_steps_back_by_55_minutes(every_ms: int) -> None:
    before = HOUR_MS // every_ms * 2 + 2
    watch = watched([200] * before + [200 + 55 * MINUTE_MS] * 120, every_ms=every_ms)
    state = watch.state
    stepped_ms = NOON_MS + before * every_ms
    assert state.condition is Condition.BEHIND
    assert state.offset_ms == 55 * MINUTE_MS + 200
    assert state.since_ms == pytest.approx(stepped_ms, abs=5_000)
    assert state.step is not None
    assert state.step.back_ms == 55 * MINUTE_MS
    assert state.step.at_ms == state.since_ms
    assert state.words(stepped_ms + HOUR_MS).startswith("55 min behind since 14:0")
    assert state.step.words(stepped_ms + HOUR_MS).startswith("stepped back 55 min at 14:0")


def test_words_in_the_zone_of_the_cellar_and_with_the_day_when_it_is_another() -> None:
    state = watched([55 * MINUTE_MS] * 5).state
    berlin = ZoneInfo("Europe/Berlin")
    assert state.words(NOON_MS + HOUR_MS, berlin) == "55 min behind since 13:00"
    assert state.words(NOON_MS + DAY_MS, berlin) == "55 min behind since 13:00 on 2026-01-01"


def test_a_clock_that_is_set_right_again() -> None:
    watch = watched([200] * 30 + [NOON_MS - 5_000] * 30 + [200] * 30)
    assert watch.state.condition is Condition.RIGHT
    assert watch.state.since_ms == NOON_MS + 60 * MINUTE_MS
    assert watch.state.step is not None
    assert watch.state.step.back_ms < 0
    assert watch.state.step.words(NOON_MS + 2 * HOUR_MS).startswith("stepped forward 20454 d")


def test_single_late_messages_change_nothing() -> None:
    offsets = [200, 200, 3 * HOUR_MS, 200, 200, 9 * MINUTE_MS, 4 * MINUTE_MS, 200] * 10
    state = watched(offsets).state
    assert (state.condition, state.offset_ms, state.step) == (Condition.RIGHT, 200, None)


def test_a_backlog_after_an_outage_is_not_a_clock_that_is_behind() -> None:
    watch = watched([200] * 30)
    start_ms = NOON_MS + 6 * HOUR_MS
    for i in range(300):  # five hours of minutes within half a minute
        watch.note(NOON_MS + (30 + i) * MINUTE_MS, start_ms + 100 * i)
    assert watch.state.condition in {Condition.RIGHT, Condition.UNSTEADY}
    for i in range(5):
        watch.note(start_ms + (1 + i) * MINUTE_MS, start_ms + (1 + i) * MINUTE_MS + 200)
    assert (watch.state.condition, watch.state.step) == (Condition.RIGHT, None)


@pytest.mark.parametrize("speed", [3, 60, 10_000])
def test_history_coming_in_has_no_offset(speed: int) -> None:
    watch = ClockWatch()
    for i in range(200):
        received_ms = NOON_MS + i * 5_000
        watch.note(NOON_MS - 900 * DAY_MS + i * 5_000 * speed, received_ms)
    assert watch.state.condition is Condition.UNSTEADY
    assert watch.state.offset_ms is None
    assert "from the past" in watch.state.words(NOON_MS)


def test_a_clock_that_drifts_is_followed() -> None:
    # Two seconds a minute: it leaves ±1 min in the 31st minute, without any step. The median
    # of the last 15 is 7 messages late.
    state = watched([2_000 * i for i in range(90)]).state
    assert state.condition is Condition.BEHIND
    assert state.offset_ms == 2_000 * 82
    assert state.since_ms == NOON_MS + 38 * MINUTE_MS
    assert state.step is None


def test_only_channels_with_a_time_of_their_own_and_the_newest_of_a_message() -> None:
    clocks = Clocks(frozenset({"vat-north"}))
    for i in range(5):
        received_ms = NOON_MS + i * 10 * MINUTE_MS
        pack = tuple(
            Reading("vat-north", received_ms - age_ms, 20.0)
            for age_ms in (300, 8 * MINUTE_MS, 4 * MINUTE_MS)
        )
        room = Reading("room-temp", received_ms, 18.0)
        clocks.note(Arrival("cellar/pack", received_ms, (*pack, room)))
    assert set(clocks.states) == {"vat-north"}
    assert clocks.states["vat-north"].offset_ms == 300


@pytest.mark.parametrize(
    ("span_ms", "words"),
    [
        (0, "0 s"),
        (59_400, "59 s"),
        (-61_000, "1 min 1 s"),
        (55 * MINUTE_MS, "55 min"),
        (HOUR_MS + 5 * MINUTE_MS, "1 h 5 min"),
        (2 * DAY_MS + HOUR_MS, "2 d 1 h"),
    ],
)
def test_spans_in_words(span_ms: int, words: str) -> None:
    assert span_words(span_ms) == words


@given(st.integers(0, 1_000), st.integers(-DAY_MS, DAY_MS))
def test_any_order_of_arrivals_is_taken(seed: int, offset_ms: int) -> None:
    dice = random.Random(seed)
    watch = ClockWatch()
    now_ms = NOON_MS
    for _ in range(200):
        now_ms += dice.randrange(-10_000, 60_000)
        watch.note(now_ms - offset_ms + dice.randrange(-3 * HOUR_MS, 3 * HOUR_MS), now_ms)
        words = watch.state.words(now_ms)
        assert words
        assert "-" not in words.split(" since ")[0]
