"""What waits on disk for InfluxDB is said on the Health page, by the api and by the check."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.health import health_now
from api.record import Record
from collector.config import load
from collector.readings import moment_of
from collector.status import CollectorStatus, read_status, write_status
from collector.store.contract import Arrival, HandOver, Refusal
from collector.store.influx_store import InfluxStore
from dashboards.app import create_app
from dashboards.cli import main
from dashboards.pages.health import collector_facts, troubles
from tests.brokers import free_port, wait_until
from tests.influx_double import ORG, TOKEN, InfluxDouble, Rights
from tests.stores import arrivals

NOON_MS = 1_767_268_800_000
NOW_MS = NOON_MS + 3_600_000
NOW = moment_of(NOW_MS)


class Bench:
    """A collector's store and the pages' store in one folder, with a server to fail."""

    def __init__(self, folder: Path, double: InfluxDouble, token: str = TOKEN) -> None:
        self.path = folder / "vatside.toml"
        self.path.write_text(
            f'[influx]\nurl = "{double.url}"\norg = "{ORG}"\n'
            f"[embedded_broker]\nport = {free_port()}\nport_mqtt5 = {free_port()}\n"
            '[[channel]]\nid = "vat-north"\nrole = "vat_temperature"\ntopic = "cellar/north"\n'
        )
        self.settings = load(self.path, {"VATSIDE_INFLUX_TOKEN": token})
        assert self.settings.influx is not None
        folder = self.settings.store.folder
        folder.mkdir()
        self.store = InfluxStore(
            self.settings.influx, self.settings.store.spool_path, patience_s=5, first_pause_s=0.01
        )

    def tell(self, now_ms: int = NOW_MS) -> None:
        """What the collector writes every second."""
        write_status(self.settings.store.folder, replace(STATUS, at_ms=now_ms, hand_over=self.over))

    @property
    def over(self) -> HandOver:
        return self.store.hand_over()

    @contextmanager
    def workshop(self) -> Iterator[Workshop]:
        assert self.settings.influx is not None
        record = Record(self.settings.store.record_path)
        store = InfluxStore(self.settings.influx, self.settings.store.spool_path, read_only=True)
        try:
            yield Workshop(self.settings, store, record)
        finally:
            store.close()
            record.close()


STATUS = CollectorStatus(
    at_ms=NOW_MS, pid=1, started_ms=NOON_MS, client_id="vatside", broker_url="mqtt://x",
    connected=True, subscribed=True, link_since_ms=NOON_MS, link_fault=None, connections_n=1,
    store_fault=None, store_fault_since_ms=None, waiting_n=0, in_hand_n=0, lag_ms=None,
    let_go_n=0, stale_n=0, stored=0, duplicate=0, conflict=0, refused=0,
)  # fmt: skip


@pytest.fixture
def double() -> Iterator[InfluxDouble]:
    with InfluxDouble() as running:
        yield running


@pytest.fixture
def bench(tmp_path: Path, double: InfluxDouble) -> Iterator[Bench]:
    opened = Bench(tmp_path, double)
    yield opened
    opened.store.close()


def test_a_server_that_is_away_and_comes_back(bench: Bench, double: InfluxDouble) -> None:
    double.away = True
    bench.store.append(arrivals("vat-north", [(NOON_MS + n, 20.0) for n in range(3)]))
    wait_until(lambda: bench.over.fault is not None, "the fault is known")
    over = bench.over
    assert (over.messages_n, over.readings_n, over.since_ms) == (3, 3, NOON_MS)
    assert "does not answer" in (over.fault or "")
    assert not over.stopped
    bench.tell()
    with bench.workshop() as workshop:
        found = health_now(workshop, NOW)
        assert found.hand_over == over
        assert found.accounts is not None  # they are kept here and can be told all the same
        (said,) = [one for one in troubles(found) if "takes no readings" in one]
        assert said.startswith("InfluxDB takes no readings: InfluxDB does not answer")
        assert "3 readings on disk for it since" in said
        assert collector_facts(found)["InfluxDB"].endswith(", tried again and again")
        double.away = False
        bench.store.wait_until_handed_over()
        wait_until(lambda: bench.over.fault is None, "the fault is over")
        bench.tell()
        found = health_now(workshop, NOW)
        assert found.hand_over == HandOver()
        assert collector_facts(found)["InfluxDB"] == "Nothing waits for it"
        assert not [one for one in troubles(found) if "InfluxDB" in one]


@pytest.mark.parametrize(
    ("status", "words", "remedy"),
    [
        (401, "does not know the token", "Put a valid one into VATSIDE_INFLUX_TOKEN"),
        (403, "may not do that with bucket vatside", "Give it the right to read and write"),
        (404, "has no bucket vatside", "Correct org and bucket in [influx]"),
    ],
)
def test_what_calls_for_a_person_is_said_everywhere(
    status: int,
    words: str,
    remedy: str,
    bench: Bench,
    double: InfluxDouble,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if status == 401:
        double.tokens.clear()
    elif status == 403:
        double.tokens[TOKEN] = Rights(write=frozenset())
    else:
        double.buckets.clear()
    bench.store.append(arrivals("vat-north", [(NOON_MS, 20.0)]))
    wait_until(lambda: bench.over.stopped, "it has stopped")
    now_ms = int(datetime.now(UTC).timestamp() * 1_000)
    bench.tell(now_ms)
    with bench.workshop() as workshop, TestClient(create_app(workshop)) as client:
        told = client.get("/api/health").json()["hand_over"]
        assert (told["messages"], told["readings"], told["stopped"]) == (1, 1, True)
        assert told["since"] == "2026-01-01T12:00:00Z"
        assert words in told["fault"]
        assert remedy in told["fault"]
        page = client.get("/health").text
        assert words in page
        assert "not tried any more" in page
        assert TOKEN not in page
    monkeypatch.setenv("VATSIDE_INFLUX_TOKEN", TOKEN)
    assert main(["check", "--settings", str(bench.path)]) == 1
    (line,) = [one for one in capsys.readouterr().out.splitlines() if "hand-over" in one]
    assert line.startswith("WRONG hand-over")
    assert "1 readings wait for the server, the first for" in line
    assert words in line


def test_while_the_collector_is_away_the_spool_itself_tells(
    bench: Bench, double: InfluxDouble
) -> None:
    double.away = True
    bench.store.append(arrivals("vat-north", [(NOON_MS, 20.0), (NOON_MS + 1, 20.0)]))
    bench.store.close()
    bench.tell(NOON_MS)
    with bench.workshop() as workshop:
        found = health_now(workshop, NOW)
        assert found.away
        assert found.hand_over == HandOver(2, 2, NOON_MS)
        assert [one for one in troubles(found) if "2 readings on disk for it since" in one]


def test_what_the_collector_tells_is_read_back_as_it_was(bench: Bench) -> None:
    over = HandOver(3, 12, NOON_MS, "InfluxDB is away.", stopped=True)
    write_status(bench.settings.store.folder, replace(STATUS, hand_over=over))
    found = read_status(bench.settings.store.folder)
    assert found is not None
    assert found.hand_over == over


def test_lines_that_the_server_refuses_are_among_the_refused_messages(
    bench: Bench, double: InfluxDouble
) -> None:
    double.bucket.types["reading", "value"] = "integer"
    bench.store.append(
        [
            *arrivals("vat-north", [(NOON_MS, 20.0)]),
            Arrival("x", NOON_MS, refusals=(Refusal("no number"),)),
        ]
    )
    bench.store.wait_until_handed_over()
    bench.tell()
    with bench.workshop() as workshop:
        reasons = [one.reason for one in health_now(workshop, NOW).refused]
    assert reasons[0] == "no number"
    assert "is not taken: InfluxDB refuses it (status 422" in reasons[1]
