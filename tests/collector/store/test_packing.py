"""Packed hours come back to the last bit, and are small where sensors are regular."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import StoreError
from collector.readings import Mark
from collector.store.packing import Hour, pack, unpack

HOUR_MS = 3_600_000


def hour(times_ms: list[int], values: list[float], marks: list[int] | None = None) -> Hour:
    return Hour(
        np.array(times_ms, dtype=np.int64),
        np.array(values, dtype=np.float64),
        np.array(marks or [0] * len(times_ms), dtype=np.uint8),
    )


def same(one: Hour, other: Hour) -> bool:
    """Equal in every bit, so that -0.0 is not 0.0 and NaN is itself."""
    return (
        one.times_ms.tobytes() == other.times_ms.tobytes()
        and one.values.tobytes() == other.values.tobytes()
        and one.marks.tobytes() == other.marks.tobytes()
    )


sensor_values = st.one_of(
    st.integers(-4_000, 12_000).map(lambda n: n / 100),
    st.integers(-640, 2_000).map(lambda n: n / 16),
    st.floats(-40, 120, width=32),
    st.floats(-40, 120),
    st.floats(),
    st.sampled_from([0.0, -0.0, 5e-324, 1.7976931348623157e308, 2.0**53, 2.0**53 + 2, 1e22]),
)
hours = st.one_of(
    # All values of one kind, as sensors send them, or of any kinds.
    *(
        st.lists(kind, min_size=1, max_size=60)
        for kind in (
            st.integers(-4_000, 12_000).map(lambda n: n / 100),
            st.integers(-640, 2_000).map(lambda n: n / 16),
            st.floats(-40, 120, width=32),
            sensor_values,
        )
    )
)


@given(hours, st.data())
def test_an_hour_comes_back_to_the_last_bit(values: list[float], data: st.DataObject) -> None:
    n = len(values)
    times = data.draw(
        st.lists(st.integers(0, HOUR_MS - 1), min_size=n, max_size=n, unique=True).map(sorted)
    )
    marks = data.draw(st.one_of(st.none(), st.lists(st.integers(0, 255), min_size=n, max_size=n)))
    given_hour = hour(times, values, marks)
    assert same(unpack(pack(given_hour)), given_hour)


@pytest.mark.parametrize(
    "values",
    [
        [0.0, -0.0, 0.1],  # a whole number cannot tell the sign of nothing
        [0.1 + 0.2, 0.3],  # one is not a decimal
        [2.0**53, 2.0**53 + 2, 1.0],  # whole, and past what a double tells apart
        [float("nan"), float("inf"), -float("inf")],
        [5e-324, 1.7976931348623157e308],
    ],
)
def test_values_that_do_not_scale_stay_as_they_are(values: list[float]) -> None:
    given_hour = hour(list(range(len(values))), values)
    assert same(unpack(pack(given_hour)), given_hour)


@pytest.mark.parametrize(
    ("step", "most_bytes"), [(0.01, 1.0), (1 / 16, 1.0), (0.1, 0.75)], ids=["0.01", "1/16", "0.1"]
)
def test_an_hour_of_a_regular_sensor_takes_about_a_byte_a_reading(
    step: float, most_bytes: float
) -> None:
    rng = np.random.default_rng(4)
    drift = 21 + np.cumsum(rng.normal(0, 0.005, 3_600)) + rng.normal(0, 0.03, 3_600)
    values = np.rint(drift / step)
    values = values / round(1 / step)
    given_hour = hour(list(range(0, HOUR_MS, 1_000)), values.tolist())
    packed = pack(given_hour)
    assert same(unpack(packed), given_hour)
    assert len(packed) / 3_600 <= most_bytes


def test_marks_cost_what_they_tell() -> None:
    times, values = list(range(0, HOUR_MS, 1_000)), [21.5] * 3_600
    bare = pack(hour(times, values))
    stuck = pack(hour(times, values, [0] * 60 + [int(Mark.STUCK)] * 3_540))
    assert len(bare) < len(stuck) < len(bare) + 50


def test_damaged_bytes_are_said() -> None:
    packed = pack(hour([0, 1_000], [20.0, 20.5]))
    for damaged in (
        b"",
        b"\x01",
        b"\x09" + packed[1:],
        packed[:-3],
        packed[:6] + b"\0" + packed[7:],
    ):
        with pytest.raises(StoreError, match="packed hour is damaged"):
            unpack(damaged)
