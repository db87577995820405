"""Repeated deliveries told from new ones, against a broker made of lists."""

from __future__ import annotations

from typing import NamedTuple

from hypothesis import given
from hypothesis import strategies as st

from collector.redelivery import SETTLED_KEPT_N, Coming, Redeliveries, digest_of
from collector.store.contract import Delivery


def coming(packet_id: int, content: str, *, dup: bool = False) -> Coming:
    return Coming(packet_id, dup, digest_of("cellar/vat", content.encode()))


def keep(redeliveries: Redeliveries, *messages: Coming) -> int:
    """Keep new deliveries; the last number."""
    redeliveries.keep([redeliveries.number(one) for one in messages])
    return redeliveries.reached


def test_topic_and_payload_are_told_apart() -> None:
    assert digest_of("a", b"bc") != digest_of("ab", b"c")
    assert len(digest_of("a", b"")) == 16


def test_the_same_content_under_another_identifier_is_new() -> None:
    redeliveries = Redeliveries()
    keep(redeliveries, coming(7, "20.1"))
    redeliveries.begin(resumed=True)
    asked = [coming(7, "20.1", dup=True), coming(8, "20.1", dup=True), coming(9, "20.1")]
    assert redeliveries.again(asked) == [True, False, False]


def test_an_acknowledgement_that_a_broker_forgets_is_remembered_for_a_while() -> None:
    redeliveries = Redeliveries()
    redeliveries.settle(keep(redeliveries, coming(7, "20.1")))
    redeliveries.begin(resumed=True)
    assert redeliveries.again([coming(7, "20.1", dup=True)]) == [True]
    for number in range(SETTLED_KEPT_N):
        keep(redeliveries, coming(number + 100, "x"))
    redeliveries.settle(redeliveries.reached)
    assert redeliveries.again([coming(7, "20.1", dup=True)]) == [False]


def test_a_new_session_repeats_nothing() -> None:
    redeliveries = Redeliveries()
    keep(redeliveries, coming(1, "20.1"))
    redeliveries.begin(resumed=False)
    assert redeliveries.again([coming(1, "20.1")]) == [False]
    assert redeliveries.again([coming(1, "20.1", dup=True)]) == [False]


def test_without_marks_only_the_beginning_of_a_session_repeats() -> None:
    redeliveries = Redeliveries()
    keep(redeliveries, coming(1, "a"), coming(2, "b"))
    redeliveries.begin(resumed=True)
    assert redeliveries.again([coming(1, "b"), coming(2, "c"), coming(3, "a")]) == [
        True,
        False,
        False,
    ]
    redeliveries.begin(resumed=True)
    assert redeliveries.again([coming(1, "c"), coming(2, "a")]) == [False, False]


def test_a_batch_may_end_within_what_is_repeated() -> None:
    redeliveries = Redeliveries()
    keep(redeliveries, coming(1, "a"), coming(2, "b"), coming(3, "c"))
    redeliveries.begin(resumed=True)
    assert redeliveries.again([coming(1, "a")]) == [True]
    assert redeliveries.again([coming(2, "b"), coming(3, "c")]) == [True, True]
    assert redeliveries.again([coming(4, "a")]) == [False]


class Broker:
    """Sends distinct values in order, and repeats from the first that it did not hear kept."""

    def __init__(self, marks: bool) -> None:
        self.marks = marks
        self.heard_n = 0
        self.sent_n = 0
        self.next_n = 0

    def connect(self) -> None:
        self.next_n = self.heard_n

    def send(self, n: int) -> list[tuple[int, Coming]]:
        values = range(self.next_n, self.next_n + n)
        self.next_n += n
        sent = [
            (
                value,
                coming(
                    value + 1 if self.marks else value - self.heard_n + 1,
                    str(value),
                    dup=self.marks and value < self.sent_n,
                ),
            )
            for value in values
        ]
        self.sent_n = max(self.sent_n, self.next_n)
        return sent


class Round(NamedTuple):
    """One batch: how many came, how far the process got before it died, if it did."""

    batch_n: int
    kept: bool
    heard: bool
    settled: bool
    dies: bool


ROUNDS = st.builds(
    Round, st.integers(1, 5), st.booleans(), st.booleans(), st.booleans(), st.booleans()
)


@given(st.lists(ROUNDS, max_size=40), st.booleans())
def test_whenever_the_process_dies_every_value_is_kept_once(
    rounds: list[Round], marks: bool
) -> None:
    broker = Broker(marks)
    store: list[int] = []
    on_disk: list[Delivery] = []
    settled_on_disk = 0
    alive: Redeliveries | None = None
    for one in rounds:
        if alive is None:
            alive = Redeliveries(on_disk, settled_on_disk)
            alive.begin(resumed=True)
            broker.connect()
        batch = broker.send(one.batch_n)
        again = alive.again([message for _, message in batch])
        new = [
            (value, alive.number(message))
            for (value, message), old in zip(batch, again, strict=True)
            if not old
        ]
        if one.kept:
            store += [value for value, _ in new]
            on_disk += [delivery for _, delivery in new]
            alive.keep([delivery for _, delivery in new])
            if one.heard or not one.dies:
                broker.heard_n = broker.next_n
            if broker.heard_n == broker.next_n and one.settled:
                alive.settle(alive.reached)
                settled_on_disk = alive.reached
        if one.dies or not one.kept:
            alive = None
    assert store == list(range(len(store)))
