"""The contract on InfluxDB: on a strict double of its API, and on a real server where one is named.

A real server is named by ``VATSIDE_INFLUX_URL``, ``VATSIDE_INFLUX_TOKEN`` and
``VATSIDE_INFLUX_ORG`` (bucket ``VATSIDE_INFLUX_BUCKET``, else ``vatside-test``, which the token
has to be allowed to make). Neither pip nor apt brings one, so these tests skip without it even
where services are required.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import uuid
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from collector.influx_settings import InfluxSettings
from collector.readings import Mark, Reading
from collector.store import flux, influx_store
from collector.store.contract import Appended
from collector.store.influx import InfluxServer
from collector.store.influx_store import InfluxStore
from collector.store.stretches import DAY_MS, HOUR_MS
from tests.collector.store.contract_suite import NOON_MS, ContractSuite, New, Stores, message
from tests.influx_double import BUCKET, ORG, TOKEN, InfluxDouble
from tests.stores import MemoryStore, arrivals

Open = Callable[[], InfluxStore]


def double_settings(double: InfluxDouble) -> InfluxSettings:
    return InfluxSettings(double.url, ORG, TOKEN)


def opener(opened: contextlib.ExitStack, base: InfluxSettings, folder: Path) -> New:
    """Opens stores that have nothing in common: each has a measurement and a spool of its own."""
    numbers = count()

    def open_new() -> Stores:
        measurement = f"{base.measurement}-{next(numbers)}"
        settings = dataclasses.replace(base, measurement=measurement)
        path = folder / measurement / "spool.db"
        writer = opened.enter_context(InfluxStore(settings, path, patience_s=60))
        reader = opened.enter_context(InfluxStore(settings, path, read_only=True))
        return Stores(writer, reader)

    return open_new


class TestContractOnTheDouble(ContractSuite):
    @pytest.fixture
    def new(self, tmp_path: Path) -> Iterator[New]:
        with InfluxDouble() as double, contextlib.ExitStack() as opened:
            yield opener(opened, double_settings(double), tmp_path)


def real_server() -> InfluxSettings:
    """The real server that the environment names; skips where it names none."""
    names = ("VATSIDE_INFLUX_URL", "VATSIDE_INFLUX_TOKEN", "VATSIDE_INFLUX_ORG")
    found = [os.environ.get(name) for name in names]
    if not all(found):
        pytest.skip(
            f"no real InfluxDB 2 is named ({', '.join(names)}), and neither pip nor apt brings"
            " one: here the contract is shown on the double of its API alone"
        )
    url, token, org = (str(one) for one in found)
    bucket = os.environ.get("VATSIDE_INFLUX_BUCKET", "vatside-test")
    return InfluxSettings(url, org, token, bucket, f"contract-{uuid.uuid4().hex[:12]}")


@pytest.mark.influx
class TestContractOnARealServer(ContractSuite):
    @pytest.fixture
    def new(self, tmp_path: Path) -> Iterator[New]:
        settings = real_server()
        server = InfluxServer(settings)
        try:
            if "VATSIDE_INFLUX_BUCKET" not in os.environ:
                server.prepare()
            with contextlib.ExitStack() as opened:
                yield opener(opened, settings, tmp_path)
        finally:
            server.close()


# -- what the contract does not say ----------------------------------------------------------


@pytest.fixture
def double() -> Iterator[InfluxDouble]:
    with InfluxDouble() as running:
        yield running


@pytest.fixture
def store(double: InfluxDouble, tmp_path: Path) -> Iterator[InfluxStore]:
    path = tmp_path / "kept" / "spool.db"
    with InfluxStore(double_settings(double), path, patience_s=60) as opened:
        yield opened


def test_second_values_lie_beside_the_first_in_the_order_they_came(
    store: InfluxStore, double: InfluxDouble
) -> None:
    for value in (20.0, 25.0, 19.0, 25.0, 20.0):
        store.append([message(("vat-north", 0, value))])
    assert store.conflicts("vat-north", NOON_MS, NOON_MS + 1) == [
        Reading("vat-north", NOON_MS, 19.0, Mark.CONFLICT),
        Reading("vat-north", NOON_MS, 25.0, Mark.CONFLICT),
    ]
    keys = [key for key in double.bucket.series if key[0] == "reading_conflict"]
    assert {dict(tags)["nth"] for _, tags, _ in keys} == {"1", "2"}
    assert store.accounts().conflicts == 2


def test_a_conflict_rewrites_the_marks_and_never_the_value(
    store: InfluxStore, double: InfluxDouble
) -> None:
    store.append([message(("vat-north", 0, -0.0))])
    store.append([message(("vat-north", 0, 1.0))])
    last = double.written[-1]
    assert [[one.key for one in point.fields] for point in last] == [["marks"], ["value", "marks"]]
    (value,) = store.between("vat-north", NOON_MS, NOON_MS + 1).values
    assert np.signbit(value)


def test_values_are_floats_and_marks_whole_numbers_whatever_they_look_like(
    store: InfluxStore, double: InfluxDouble
) -> None:
    store.append([message(("vat-north", 0, 20.0), ("vat-north", 1, 1e18), ("vat-north", 2, 0.5))])
    assert double.bucket.types == {("reading", "value"): "float", ("reading", "marks"): "integer"}


def test_another_spool_knows_from_the_server_what_came_before(
    store: InfluxStore, double: InfluxDouble, tmp_path: Path
) -> None:
    old = [message(("vat-north", at * HOUR_MS, 20.0 + at)) for at in range(60)]
    store.append([*old, message(("vat-north", 0, 25.0))])
    store.close()
    other = tmp_path / "another machine" / "spool.db"
    with InfluxStore(double_settings(double), other, patience_s=60) as later:
        assert later.append(old) == Appended(duplicate=60)
        assert later.append([message(("vat-north", 0, 25.0))]) == Appended(duplicate=1)
        assert later.append([message(("vat-north", 0, 26.0))]) == Appended(conflict=1)
        assert later.append([message(("vat-north", 1, 26.0))]) == Appended(stored=1)


def test_hours_long_unused_are_let_go_and_asked_for_again(
    store: InfluxStore, double: InfluxDouble, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.store.known.HOURS_KEPT_N", 3)
    for at in range(10):
        store.append([message(("vat-north", at * HOUR_MS, 20.0))])
    asked = double.requests.count("POST /api/v2/query")
    assert asked == 1  # the first contact alone: everything after it lies behind the last reading
    assert store._spool is not None
    with store._spool.looking() as connection:
        assert connection.execute("SELECT count(*) FROM known").fetchone() == (3,)
    assert store.append([message(("vat-north", 0, 20.0))]) == Appended(duplicate=1)
    assert store.append([message(("vat-north", 0, 21.0))]) == Appended(conflict=1)
    assert double.requests.count("POST /api/v2/query") == asked + 2


def test_live_traffic_asks_the_server_nothing(store: InfluxStore, double: InfluxDouble) -> None:
    for at in range(0, 2 * DAY_MS, HOUR_MS // 2):
        store.append(arrivals("room-temp", [(NOON_MS + at, 18.5)]))
    assert double.requests.count("POST /api/v2/query") == 1


def test_a_chart_of_very_many_readings_is_summed_up_by_the_server(
    store: InfluxStore, double: InfluxDouble, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unevenly spaced, so that a mean of the values alone would be another."""
    spaced = [at * 20_000 + at * at * 7_919 % 15_000 for at in range(3_000)]
    rows = [(NOON_MS + at, 20 + (n * 37 % 101) / 10) for n, at in enumerate(spaced)]
    rows = [row for i, row in enumerate(rows) if not 900 <= i < 1_200]
    store.append(arrivals("vat-north", rows))
    model = MemoryStore()
    model.append(arrivals("vat-north", rows))
    monkeypatch.setattr(influx_store, "CHART_READINGS_N", 100)
    window = (NOON_MS - 1_234, NOON_MS + 17 * HOUR_MS + 777)
    double.requests.clear()
    found = store.buckets("vat-north", *window, 40, gap_limit_ms=90_000)
    assert double.requests.count("POST /api/v2/query") == 5 + len(flux.AGGREGATES)
    want = model.buckets("vat-north", *window, 40, gap_limit_ms=90_000)
    for name in ("starts_ms", "minima", "maxima", "counts"):
        np.testing.assert_array_equal(getattr(found, name), getattr(want, name))
    np.testing.assert_allclose(found.coverage, want.coverage, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.means, want.means, rtol=0, atol=1e-9)


def test_parameters_never_stand_in_the_text_of_a_query(double: InfluxDouble) -> None:
    evil = 'x" or true or r.channel == "'
    place = flux.Place('b"', 'm"')
    for query in (
        flux.readings(place, evil, 0, 1),
        flux.last(place, evil, 0, 1),
        flux.count(place, evil),
        flux.windows(place, evil, 0, 1, 60_000, "min"),
    ):
        assert evil not in query.text
        assert '"b' not in query.text
        assert evil in query.parameters.values()
    settings = double_settings(double)
    with contextlib.closing(InfluxServer(settings)) as server:
        found = server.rows(flux.readings(flux.Place(BUCKET, "reading"), evil, 0, 1))
    assert found == []


def test_a_task_holds_its_names_as_escaped_literals() -> None:
    assert flux.literal('a"b\\c${d}\n') == r'"a\"b\\c\${d}\n"'
    text = flux.minutes_task(flux.Place('b"', "reading"), "b-minutes")
    assert r'from(bucket: "b\"")' in text
    assert text.count("aggregateWindow(every: 1m") == 4
