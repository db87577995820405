"""Repeated deliveries told from new ones, against a broker made of lists."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from collector.redelivery import SETTLED_KEPT_N, Coming, Redeliveries, digest_of


def coming(packet_id: int, content: str, *, dup: bool = False) -> Coming:
    return Coming(packet_id, dup, digest_of("cellar/vat", content.encode()))


def keep(redeliveries: Redeliveries, *messages: Coming) -> int:
    """Keep new deliveries; the last number."""
    redeliveries.keep([redeliveries.number(one) for one in messages])
    return redeliveries.last


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
    redeliveries.settle(redeliveries.last)
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


@given(
    sent=st.lists(st.integers(0, 10_000), unique=True, max_size=40),
    kept_n=st.integers(0, 40),
    heard_n=st.integers(0, 40),
    marks=st.booleans(),
    batch_n=st.integers(1, 7),
)
def test_whatever_the_broker_heard_every_value_is_kept_once(
    sent: list[int], kept_n: int, heard_n: int, marks: bool, batch_n: int
) -> None:
    """``kept_n`` were on disk when the process died, of which the broker heard ``heard_n``."""
    kept_n = min(kept_n, len(sent))
    heard_n = min(heard_n, kept_n)
    before = Redeliveries()
    store = sent[:kept_n]
    deliveries = [before.number(coming(n + 1, str(value))) for n, value in enumerate(store)]
    after = Redeliveries(deliveries)
    after.begin(resumed=True)
    delivered = [
        coming(
            place + 1 if marks else place - heard_n + 1,
            str(value),
            dup=marks and place < max(kept_n, heard_n),
        )
        for place, value in enumerate(sent)
        if place >= heard_n
    ]
    values = sent[heard_n:]
    for start in range(0, len(delivered), batch_n):
        batch = delivered[start : start + batch_n]
        again = after.again(batch)
        after.keep([after.number(one) for one, old in zip(batch, again, strict=True) if not old])
        new = zip(values[start : start + batch_n], again, strict=True)
        store += [value for value, old in new if not old]
    assert store == sent
