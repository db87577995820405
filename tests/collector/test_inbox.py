"""Messages that wait: in order, bounded, those of an earlier connection forgotten."""

from __future__ import annotations

import pytest

from collector import inbox
from collector.errors import BrokerError
from collector.inbox import Inbox, Message


def message(packet_id: int, *, connection: int = 1, payload: bytes = b"20.5") -> Message:
    return Message("cellar/north/vat", payload, 0, False, packet_id, connection)


def test_what_came_first_is_taken_first() -> None:
    box = Inbox("mqtt://cellar", 10)
    assert box.take(5, 0.0) == []
    box.put([message(n) for n in (1, 2, 3)])
    assert [one.packet_id for one in box.take(2, 0.0)] == [1, 2]
    assert len(box) == 1


def test_only_messages_that_nobody_repeats_are_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inbox, "WAITING_MOST_N", 2)
    monkeypatch.setattr(inbox, "ROOM_WAIT_S", 0.0)
    box = Inbox("mqtt://cellar", 1)
    box.put([message(0), message(0), message(0), message(1)])
    assert (len(box), box.let_go_n) == (3, 1)
    with pytest.raises(BrokerError, match="More than 3 messages wait"):
        box.put([message(2)])
    box.take(9, 0.0)
    box.put([message(2)])
    assert len(box) == 1


def test_bytes_are_bounded_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inbox, "WAITING_MOST_BYTES", 8)
    box = Inbox("mqtt://cellar", 10)
    box.put([message(0), message(0), message(0)])
    assert box.let_go_n == 1
    box.take(1, 0.0)
    box.put([message(0)])
    assert (len(box), box.let_go_n) == (2, 1)


def test_what_a_resumed_session_repeats_does_not_wait_twice() -> None:
    box = Inbox("mqtt://cellar", 10)
    box.put([message(1), message(0), message(2, connection=2)])
    box.forget_what_comes_again(2)
    assert [one.packet_id for one in box.take(9, 0.0)] == [0, 2]
