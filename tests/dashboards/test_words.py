"""How pages say ages, lengths, times and shares."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest

from api.prints import FailureMode, Outcome
from collector.readings import Role
from dashboards import words


@pytest.fixture
def oslo(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The machine's clock on Oslo time."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "Europe/Oslo")
        time.tzset()
        yield
    time.tzset()


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "just now"),
        (12, "12 s ago"),
        (59.6, "1 min ago"),
        (240, "4 min ago"),
        (12_000, "3 h 20 min ago"),
        (7_200, "2 h ago"),
        (200_000, "2 days 7 h ago"),
        (-600, "in 10 min"),
    ],
)
def test_ages(seconds: float, said: str) -> None:
    assert words.age(seconds) == said


@pytest.mark.parametrize(
    ("amount", "unit", "said"),
    [
        (21.37, "°C", "21.4"),
        (-4.26, "°C", "−4.3"),
        (-0.01, "°C", "0.0"),
        (47.6, "%RH", "48"),
        (None, "°C", "–"),
        (float("nan"), "°C", "–"),
    ],
)
def test_values(amount: float | None, unit: str, said: str) -> None:
    assert words.value(amount, unit) == said


@pytest.mark.parametrize(
    ("part", "said"),
    [(0.0, "0 %"), (0.004, "under 1 %"), (0.5, "50 %"), (0.998, "over 99 %"), (1.0, "100 %")],
)
def test_a_share_is_never_rounded_to_all_or_nothing(part: float, said: str) -> None:
    assert words.share(part) == said


@pytest.mark.parametrize(
    ("level", "said"),
    [(0.2, "1 in 5"), (0.05, "1 in 20"), (0.3, "3 in 10"), (0.5, "1 in 2"), (0.25, "1 in 4")],
)
def test_levels_are_said_as_one_counts(level: float, said: str) -> None:
    assert words.one_in(level) == said


def test_moments_are_local_and_say_the_day(oslo: None) -> None:
    now = at("2026-01-14T10:00")
    assert words.moment(at("2026-01-14T06:30"), now) == "today 07:30"
    assert words.moment(at("2026-01-13T23:30"), now) == "today 00:30"
    assert words.moment(at("2026-01-13T20:00"), now) == "yesterday 21:00"
    assert words.moment(at("2026-01-14T23:30"), now) == "tomorrow 00:30"
    assert words.moment(at("2026-01-06T20:00"), now) == "Tue 6 Jan 21:00"
    assert words.moment(at("2025-11-06T20:00"), now) == "Thu 6 Nov 2025 21:00"


@pytest.mark.parametrize(
    ("start", "end", "said"),
    [
        ("2026-01-13T20:04", "2026-01-14T03:41", "last night, 21:04 to 04:41"),
        ("2026-01-14T06:00", "2026-01-14T08:30", "today 07:00 to 09:30"),
        ("2026-01-12T20:04", "2026-01-13T03:41", "Mon 12 Jan 21:04 to yesterday 04:41"),
        ("2026-01-10T06:00", "2026-01-10T08:30", "Sat 10 Jan 07:00 to 09:30"),
        ("2026-01-14T06:00", None, "since today 07:00"),
    ],
)
def test_when_something_ran(oslo: None, start: str, end: str | None, said: str) -> None:
    now = at("2026-01-14T10:00")
    assert words.ran(at(start), at(end) if end else None, now) == said


def test_the_zone_is_said_and_follows_summer_time(oslo: None) -> None:
    assert words.zone(at("2026-01-14T10:00")) == "CET (UTC+01:00)"
    assert words.zone(at("2026-07-14T10:00")) == "CEST (UTC+02:00)"
    assert words.offset_ms(at("2026-07-14T10:00")) == 2 * 3_600_000
    assert words.field_time(at("2026-07-14T10:00")) == "2026-07-14T12:00"


def test_a_dwell_reads_like_a_clock() -> None:
    assert [words.clock_minutes(m) for m in (0, 7.9, 67, -1)] == ["0:00", "0:07", "1:07", "0:00"]


def test_every_term_has_its_words() -> None:
    assert set(words.ROLES) == set(Role)
    assert set(words.OUTCOMES) == set(Outcome)
    assert set(words.MODES) == set(FailureMode)


def test_ages_and_lengths_never_break(  # a clock set back gives negative ages
) -> None:
    for seconds in (-1e9, -1, 0, 1e9):
        assert words.age(seconds)
        assert words.length(timedelta(seconds=seconds).total_seconds())


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("finding", "Finding"),
        ("hold_min", "Hold [min]"),
        ("longest_approach_min", "Longest approach [min]"),
        ("ramp_limit_k_per_min", "Ramp limit [K/min]"),
        ("stop_above_c", "Stop above [°C]"),
        ("steps.0.dwell_min", "Steps 1, dwell [min]"),
        ("sag-2", "Sag 3"),
        ("Layer height", "Layer height"),
        ("record.db", "record.db"),
        ("vatside.toml, line 3", "vatside.toml, line 3"),
        ("/tmp/log.csv", "/tmp/log.csv"),
        ("", ""),
    ],
)
def test_entries_are_called_by_name_and_unit(name: str, said: str) -> None:
    assert words.field(name) == said


@pytest.mark.parametrize(
    ("typed", "good"),
    [
        ("19,5", True),
        (" -3.25 ", True),
        ("−3", True),
        ("1e3", False),
        ("19 °C", False),
        ("", False),
    ],
)
def test_what_a_browser_lets_through_as_a_number(typed: str, good: bool) -> None:
    assert bool(re.fullmatch(words.NUMBER, typed)) is good
