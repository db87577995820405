"""Messages into readings: every one is either a reading or a reason."""

from __future__ import annotations

from collector.channels import Channel, TimeForm
from collector.payload import Decoder
from collector.readings import Reading, Role

NOW_MS = 1_760_000_000_000

VAT = Channel(id="vat-north", role=Role.VAT_TEMPERATURE, topic="cellar/north/vat")
ROOM = Channel(
    id="room-temp",
    role=Role.ROOM_TEMPERATURE,
    topic="cellar/room",
    unit="°F",
    value="/temperature",
    time="/at",
)
DAMP = Channel(
    id="room-damp", role=Role.ROOM_HUMIDITY, topic="cellar/+", unit="fraction", value="/humidity"
)


def test_a_bare_number_is_a_reading_at_the_time_it_arrived() -> None:
    arrival = Decoder([VAT]).arrival("cellar/north/vat", b" 21.4\n", NOW_MS)
    assert arrival.readings == (Reading("vat-north", NOW_MS, 21.4),)
    assert arrival.refusals == ()
    assert arrival.payload == b""


def test_one_json_message_feeds_two_channels() -> None:
    message = b'{"temperature": 68, "humidity": 0.5, "at": "2025-10-09T09:53:20.250+01:00"}'
    arrival = Decoder([ROOM, DAMP]).arrival("cellar/room", message, NOW_MS)
    assert arrival.readings == (
        Reading("room-temp", 1_760_000_000_250, 20.0),
        Reading("room-damp", NOW_MS, 50.0),
    )


def test_a_channel_that_finds_nothing_is_refused_and_the_message_kept() -> None:
    message = b'{"temperature": 68, "at": "2025-10-09T08:53:20Z"}'
    arrival = Decoder([ROOM, DAMP]).arrival("cellar/room", message, NOW_MS)
    assert arrival.readings == (Reading("room-temp", NOW_MS, 20.0),)
    assert [(r.channel, r.reason) for r in arrival.refusals] == [
        ("room-damp", "there is no /humidity in the message")
    ]
    assert arrival.payload == message


def test_time_forms_of_one_moment_agree() -> None:
    for form, time in (
        (TimeForm.UNIX_S, b"1760000000.25"),
        (TimeForm.UNIX_MS, b"1760000000250"),
        (TimeForm.RFC3339, b'"2025-10-09T08:53:20.25Z"'),
    ):
        channel = Channel(
            id="vat", role=Role.VAT_TEMPERATURE, topic="t", value="/v", time="/t", time_form=form
        )
        arrival = Decoder([channel]).arrival("t", b'{"v":1,"t":%s}' % time, 0)
        assert arrival.readings == (Reading("vat", 1_760_000_000_250, 1.0),), form
