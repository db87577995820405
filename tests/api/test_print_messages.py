"""Prints by MQTT message: started, ended and judged by their key, taken once."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.app import create_app
from api.print_messages import MOST_BYTES, TOPIC, take_print
from api.prints import Outcome
from api.record import Bottle, Plate
from api.record.refused_prints import KEPT_MOST_N, Settled
from collector.errors import InvalidError
from collector.publisher import Publisher
from tests.brokers import broker_settings, embedded, wait_until
from tests.workshops import APPS

STARTED = {
    "key": "north-0142",
    "machine": "north",
    "resin": "Harbour Grey",
    "start": "2026-01-14T19:30:00Z",
    "settings": {"layer_height_mm": 0.05},
    "parts": [{"name": "lamp collar"}],
}
ENDED = {"key": "north-0142", "end": "2026-01-15T02:30:00Z"}
JUDGED = {
    "key": "north-0142",
    "parts": [{"name": "lamp collar", "outcome": "failed", "modes": ["warped"]}],
}


def said(**fields: Any) -> bytes:
    return json.dumps(fields).encode()


def test_a_print_is_started_ended_and_judged_by_its_key(workshop: Workshop) -> None:
    record = workshop.record
    started = take_print(record, said(**STARTED))
    assert (started.entry.machine, started.entry.resin, started.entry.running) == (1, 1, True)
    take_print(record, said(**ENDED))
    judged = take_print(record, said(**JUDGED))
    assert judged.id == started.id
    assert judged.revision == 3
    assert judged.entry.outcome is Outcome.FAILED
    assert judged.entry.settings.layer_height_mm == 0.05
    # What comes again changes nothing.
    assert take_print(record, said(**JUDGED)).revision == 3
    assert len(record.prints.all()) == 1


def test_bottle_and_plate_are_known_by_what_stands_on_them(workshop: Workshop) -> None:
    bottle = workshop.record.bottles.add(Bottle(resin=2, lot="W-7")).id
    plate = workshop.record.plates.add(Plate(name="Four collars")).id
    named = {**STARTED, "resin": "willow", "bottle": "W-7", "plate": "four collars"}
    entry = take_print(workshop.record, said(**named)).entry
    assert (entry.resin, entry.bottle, entry.plate) == (2, bottle, plate)


@pytest.mark.parametrize(
    ("payload", "where"),
    [
        (b"", "message"),
        (b"19.4", "message"),
        (b"[" * 50_000, "message"),
        (b" " * (MOST_BYTES + 1), "message"),
        (said(**{**STARTED, "key": ""}), "key"),
        (said(**{**STARTED, "key": 7}), "key"),
        (said(**{**STARTED, "machine": "East"}), "machine"),
        (said(**{**STARTED, "resin": "Tar"}), "resin"),
        (said(**{**STARTED, "bottle": "X-1"}), "bottle"),
        (said(**{**STARTED, "start": "yesterday"}), "start"),
        (said(**{**STARTED, "flavour": 1}), "flavour"),
        (said(**ENDED), "start"),
    ],
)
def test_a_message_that_makes_no_sense_is_refused(
    workshop: Workshop, payload: bytes, where: str
) -> None:
    with pytest.raises(InvalidError) as fault:
        take_print(workshop.record, payload)
    assert fault.value.where == where
    assert workshop.record.prints.all() == []


@pytest.mark.services
def test_messages_are_taken_while_the_app_runs(workshop: Workshop) -> None:
    with embedded() as running:
        broker = broker_settings(running.url, "cellar")
        told = Workshop(
            replace(workshop.settings, broker=broker), workshop.received, workshop.record
        )
        with TestClient(create_app(told)) as client, Publisher(broker) as publisher:
            state = client.app.state  # type: ignore[attr-defined]
            wait_until(lambda: state.print_messages.listening, "the broker sends us prints")
            for message in (STARTED, {"key": "x"}, ENDED, STARTED, JUDGED):
                publisher.publish(TOPIC, said(**message))
            publisher.drain()
            wait_until(lambda: state.print_messages.taken_n == 4, "four messages are taken")
            (one,) = client.get("/api/prints").json()["prints"]
            assert one["end"] == ENDED["end"]
            assert one["worst_outcome"] == "failed"
            assert state.print_messages.refused_n == 1
            (refused,) = client.get("/api/prints/refused").json()
            assert (refused["topic"], refused["text"]) == (TOPIC, '{"key": "x"}')


LOST = {**STARTED, "resin": "Tar"}


def test_a_refused_message_waits_until_it_is_corrected(workshop: Workshop) -> None:
    record = workshop.record
    for _ in range(3):  # a sender that insists is counted, not kept again and again
        record.refused_prints.add(TOPIC, said(**LOST), "resin: there is no resin named Tar")
    with APPS.lent(workshop) as app, TestClient(app) as client:
        (waiting,) = client.get("/api/prints/refused").json()
        assert (waiting["times_n"], waiting["settled"]) == (3, None)
        address = f"/api/prints/refused/{waiting['id']}"
        again = client.post(f"{address}/take")
        assert again.status_code == 422
        assert "Tar" in again.json()["detail"]
        assert len(client.get("/api/prints/refused").json()) == 1
        taken = client.post(f"{address}/take", json={**LOST, "resin": "Willow"})
        assert taken.status_code == 200, taken.text
        assert taken.json()["resin"] == 2
        assert client.get("/api/prints/refused").json() == []
        (seen,) = client.get("/api/prints/refused?settled=true").json()
        assert (seen["settled"], seen["print"]) == ("taken", taken.json()["id"])
        assert client.post(f"{address}/take", json=LOST).status_code == 409
        assert client.post(f"{address}/dismiss").status_code == 409
        assert client.post("/api/prints/refused/99/dismiss").status_code == 404
    # What its sender says later of the same key corrects the same print.
    assert take_print(record, said(**ENDED)).id == taken.json()["id"]
    record.prints.delete(taken.json()["id"])
    assert record.refused_prints.all()[0].print is None


def test_refused_messages_are_bounded_and_what_waits_goes_last(workshop: Workshop) -> None:
    refused = workshop.record.refused_prints
    with workshop.record.transaction():
        for number in range(KEPT_MOST_N):
            refused.add(TOPIC, b"%d" % number, "no JSON object")
        for one in refused.waiting(5):
            refused.settle(one.id, Settled.DISMISSED)
        for number in range(3):
            refused.add(TOPIC, b"later %d" % number, "no JSON object")
    assert len(refused.all(10 * KEPT_MOST_N)) == KEPT_MOST_N
    assert refused.waiting_n() == KEPT_MOST_N - 5 + 3


def test_a_message_too_long_to_keep_is_shown_by_its_beginning(workshop: Workshop) -> None:
    refused = workshop.record.refused_prints
    refused.add(TOPIC, b"x" * 100_000, "too long")
    refused.add(TOPIC, b"\xff\x00", "no JSON object")
    with APPS.lent(workshop) as app, TestClient(app) as client:
        bytes_, long = client.get("/api/prints/refused").json()
        assert (long["bytes_n"], len(long["text"])) == (100_000, MOST_BYTES)
        assert (bytes_["text"], bytes_["hex"]) == (None, "ff00")
        told = client.post(f"/api/prints/refused/{long['id']}/take")
        assert "only the beginning of its 100,000 bytes was kept" in told.json()["detail"]
