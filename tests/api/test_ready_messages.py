"""The advice over MQTT: retained, with the moment until which it is good, taken back at the end."""

from __future__ import annotations

import json
import queue
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.answers import Workshop
from api.app import create_app
from api.ready_messages import payload_of, topics_of
from collector.config import BrokerSettings
from collector.subscriber import client_for, connect
from tests.api.test_readiness import asked, vat
from tests.brokers import broker_settings, embedded


def test_a_machine_is_one_level_of_the_topic() -> None:
    found = topics_of({1: "North", 2: "South / new", 3: "south new", 4: "+#"}, "cellar")
    assert found == {
        1: "vatside/cellar/ready/north",
        2: "vatside/cellar/ready/2",
        3: "vatside/cellar/ready/3",
        4: "vatside/cellar/ready/4",
    }


def test_a_message_carries_the_risks_with_their_intervals() -> None:
    found = asked(vat(warming_min=30))
    said = json.loads(payload_of(found, datetime.now(UTC), 120.0))
    assert said["advice"] == "wait"
    assert said["limit_from"] == "log"
    assert said["wait_min"] in (6, 7)
    assert said["risk_now"]["from"] < said["risk_now"]["share"] < said["risk_now"]["to"]
    assert said["risk_then"]["share"] < said["risk_now"]["share"]
    unknown = json.loads(payload_of(asked(vat(), None), datetime.now(UTC), 120.0))
    assert (unknown["limit_c"], unknown["limit_from"], unknown["risk_then"]) == (None, None, None)


@contextmanager
def listening(broker: BrokerSettings) -> Iterator[queue.Queue[tuple[str, bytes]]]:
    """What a display would hear under vatside/+/ready."""
    heard: queue.Queue[tuple[str, bytes]] = queue.Queue()
    client = client_for(broker, "a-display")

    def connected(*_: Any) -> None:
        client.subscribe("vatside/+/ready/#", qos=1)

    client.on_connect = connected
    client.on_message = lambda _, __, message: heard.put((message.topic, bytes(message.payload)))
    connect(client, broker, keep_session=False)
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.mark.services
def test_the_advice_is_heard_and_taken_back(workshop: Workshop) -> None:
    with embedded() as running:
        broker = broker_settings(running.url, "cellar")
        told = Workshop(
            replace(workshop.settings, broker=broker), workshop.received, workshop.record
        )
        with listening(broker) as heard:
            with TestClient(create_app(told)):
                first = dict([heard.get(timeout=30), heard.get(timeout=30)])
            last = dict([heard.get(timeout=30), heard.get(timeout=30)])
    assert first.keys() == {"vatside/cellar/ready/north", "vatside/cellar/ready/south"}
    said: dict[str, Any] = json.loads(first["vatside/cellar/ready/north"])
    assert said["machine"] == "North"
    assert said["advice"] == "not known"
    assert datetime.fromisoformat(said["good_until"]) > datetime.fromisoformat(said["at"])
    assert "vatside starts nothing" in said["sentences"][-1]
    assert set(last.values()) == {b""}
