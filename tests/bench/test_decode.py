"""How long decoding takes: run with ``make bench``."""

from __future__ import annotations

import json

import cbor2
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from collector.channels import Channel
from collector.payload import Decoder
from collector.readings import Role
from collector.senml import CBOR_LABELS

NOW_MS = 1_760_000_000_000
NAME = "urn:dev:mac:0024befffe804ff1:temp"
DECODER = Decoder(
    [
        Channel(id="vat", role=Role.VAT_TEMPERATURE, topic="cellar/vat"),
        Channel(id="room", role=Role.ROOM_TEMPERATURE, topic="cellar/room", value="/t", time="/at"),
        Channel(id="damp", role=Role.ROOM_HUMIDITY, topic="cellar/room", value="/h", time="/at"),
        Channel(id="pack", role=Role.ROOM_TEMPERATURE, topic="cellar/pack", senml=NAME),
    ]
)
PACK = [{"bn": NAME, "bt": 1_759_990_000, "bu": "Cel", "v": 21.4}] + [
    {"t": n, "v": 21.4 + n / 10} for n in range(1, 50)
]
NUMBERS = {label: number for number, label in CBOR_LABELS.items()}


@pytest.mark.parametrize(
    ("topic", "payload", "reading_n"),
    [
        pytest.param("cellar/vat", b"21.4", 1, id="bare-number"),
        pytest.param(
            "cellar/room",
            b'{"t":21.4,"h":45.2,"at":"2025-10-09T08:53:20.250Z"}',
            2,
            id="json-two-channels",
        ),
        pytest.param("cellar/pack", json.dumps(PACK).encode(), 50, id="senml-json-50"),
        pytest.param(
            "cellar/pack",
            cbor2.dumps([{NUMBERS[label]: v for label, v in r.items()} for r in PACK]),
            50,
            id="senml-cbor-50",
        ),
    ],
)
def test_decoding(benchmark: BenchmarkFixture, topic: str, payload: bytes, reading_n: int) -> None:
    arrival = benchmark(DECODER.arrival, topic, payload, NOW_MS)
    assert len(arrival.readings) == reading_n
