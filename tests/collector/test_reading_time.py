"""Times as messages write them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.channels import TimeForm
from collector.errors import PayloadError
from collector.reading_time import END_MS, rfc3339_ms, time_ms, unix_s_ms
from collector.readings import ms_of

RFC3339, UNIX_S, UNIX_MS = TimeForm


@pytest.mark.parametrize(
    ("text", "same"),
    [
        # The examples of RFC 3339 section 5.8.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00Z"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00Z"),
        # Section 5.6: t, z and a space may be used; section 4.3: -00:00.
        ("1985-04-12t23:20:50z", "1985-04-12 23:20:50-00:00"),
        # Finer than a millisecond is cut off.
        ("1985-04-12T23:20:50.0019999999999Z", "1985-04-12T23:20:50.001Z"),
    ],
)
def test_one_moment_written_in_two_ways(text: str, same: str) -> None:
    assert time_ms(text, RFC3339) == time_ms(same, RFC3339)


def test_the_first_example_of_rfc_3339_in_milliseconds() -> None:
    moment = datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)
    assert time_ms("1985-04-12T23:20:50.52Z", RFC3339) == ms_of(moment)


@pytest.mark.parametrize(
    ("found", "form", "reason"),
    [
        ("2025-10-09T08:53:20", RFC3339, "has no offset; add Z or +01:00"),
        ("2025-10-09 08:53", RFC3339, "has no offset"),
        ("2025-10-09", RFC3339, "is not RFC 3339"),
        ("2025-10-09T08:53Z", RFC3339, "is not RFC 3339"),
        ("20251009T085320Z", RFC3339, "is not RFC 3339"),
        ("2025-10-09T08:53:20,5Z", RFC3339, "is not RFC 3339"),
        ("2025-10-09T08:53:20+0100", RFC3339, "is not RFC 3339"),
        ("2025-10-09T08:53:20Z\n", RFC3339, "is not RFC 3339"),
        ("２025-10-09T08:53:20Z", RFC3339, "is not RFC 3339"),
        ("", RFC3339, "is not RFC 3339"),
        ("2025-02-29T00:00:00Z", RFC3339, "does not exist"),
        ("2025-01-01T24:00:00Z", RFC3339, "does not exist"),
        ("2025-01-01T00:00:61Z", RFC3339, "does not exist"),
        ("2025-01-01T00:00:00+24:00", RFC3339, "does not exist"),
        ("0000-01-01T00:00:00Z", RFC3339, "does not exist"),
        ("0001-01-01T00:00:00+23:00", RFC3339, "not within 1970 to 9999"),
        ("1969-12-31T23:59:59Z", RFC3339, "not within 1970 to 9999"),
        ("9999-12-31T23:59:59-23:00", RFC3339, "not within 1970 to 9999"),
        (1_760_000_000, RFC3339, "a number, where an RFC 3339 text belongs"),
        (None, RFC3339, "null"),
        ("1760000000", UNIX_S, "a text, where a number belongs"),
        (True, UNIX_S, "true or false"),
        ([], UNIX_MS, "an array"),
        (1_760_000_000_000, UNIX_S, "are these unix_ms?"),
        (-1, UNIX_S, "not within 1970"),
        (-0.5, UNIX_S, "not within 1970"),
        (1e300, UNIX_S, "not within 1970"),
        (10**30, UNIX_S, "not within 1970"),
        (1e300, UNIX_MS, "not within 1970"),
        (-1, UNIX_MS, "not within 1970"),
        (END_MS, UNIX_MS, "not within 1970"),
    ],
)
def test_refused(found: object, form: TimeForm, reason: str) -> None:
    with pytest.raises(PayloadError) as fault:
        time_ms(found, form)
    assert reason in fault.value.what
    assert len(fault.value.what) < 200


def test_a_sensor_whose_clock_was_never_set_still_has_a_time() -> None:
    assert time_ms(0, UNIX_S) == 0
    assert time_ms(37.25, UNIX_S) == 37_250
    assert time_ms("1970-01-01T00:00:37.25Z", RFC3339) == 37_250


@given(st.integers(min_value=0, max_value=4_102_444_799_999))
def test_every_millisecond_survives_all_three_forms(ms: int) -> None:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
    assert time_ms(ms, UNIX_MS) == ms
    assert time_ms(float(ms), UNIX_MS) == ms
    assert unix_s_ms(ms / 1_000) == ms
    zone = timezone(timedelta(hours=ms % 24 - 12, minutes=ms % 60))
    written = moment.astimezone(zone).isoformat(timespec="milliseconds")
    assert rfc3339_ms(written) == ms


@given(st.datetimes(timezones=st.timezones(), min_value=datetime(1971, 1, 1)))
def test_agrees_with_the_time_of_the_rim(moment: datetime) -> None:
    offset = moment.utcoffset()
    if offset is not None and offset.total_seconds() % 60 == 0:
        assert rfc3339_ms(moment.isoformat()) == ms_of(moment)
