"""Topic names and filters against section 4.7 of MQTT 3.1.1 and 5.0."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from collector import topics

PLAYER = "sport/tennis/player1"

#: The standard's own examples (3.1.1 and 5.0, sections 4.7.1 to 4.7.3), with what follows
#: from its rules about empty levels.
TAKEN = [
    ("sport/tennis/player1/#", PLAYER),
    ("sport/tennis/player1/#", f"{PLAYER}/ranking"),
    ("sport/tennis/player1/#", f"{PLAYER}/score/wimbledon"),
    ("sport/#", "sport"),
    ("#", "sport"),
    ("#", "/"),
    ("#", "a/b/c"),
    ("sport/tennis/+", PLAYER),
    ("sport/tennis/+", "sport/tennis/player2"),
    ("sport/+", "sport/"),
    ("+/+", "/finance"),
    ("/+", "/finance"),
    ("$SYS/#", "$SYS/monitor/Clients"),
    ("$SYS/monitor/+", "$SYS/monitor/Clients"),
    ("a/+/b", "a//b"),
    ("+/+/+", "a//b"),
    ("+/tennis/#", "sport/tennis"),
    ("a b/c", "a b/c"),
]
NOT_TAKEN = [
    ("sport/tennis/+", f"{PLAYER}/ranking"),
    ("sport/+", "sport"),
    ("+", "/finance"),
    ("#", "$SYS/monitor/Clients"),
    ("+/monitor/Clients", "$SYS/monitor/Clients"),
    ("ACCOUNTS", "Accounts"),
    ("/finance", "finance"),
    ("a/b", "a/b/"),
    ("sport/tennis/player1/#", "sport/tennis/player10"),
    ("sport/tennis/#", "sport"),
]
INVALID_FILTERS = [
    "sport/tennis#",
    "sport/tennis/#/ranking",
    "sport+",
    "a/#b",
    "a/+b/c",
    "##",
    "",
    "a/\0/b",
    "a/\ud800",
    "ä" * 32_768,
    "$share/",
    "$share/group",
    "$share/group/",
    "$share//a",
    "$share/gr+up/a",
    "$share/#/a",
    "$share/group/a#",
]


@pytest.mark.parametrize(("topic_filter", "name"), TAKEN)
def test_a_filter_takes(topic_filter: str, name: str) -> None:
    assert topics.matches(topic_filter, name)
    assert topic_matches_sub(topic_filter, name)


@pytest.mark.parametrize(("topic_filter", "name"), NOT_TAKEN)
def test_a_filter_does_not_take(topic_filter: str, name: str) -> None:
    assert not topics.matches(topic_filter, name)
    assert not topic_matches_sub(topic_filter, name)


@pytest.mark.parametrize("topic_filter", INVALID_FILTERS)
def test_an_invalid_filter_is_told(topic_filter: str) -> None:
    assert topics.filter_fault(topic_filter)


@pytest.mark.parametrize(
    "topic_filter", [f for f, _ in TAKEN + NOT_TAKEN] + ["/", "+", "#", "+/#", "ä" * 32_767]
)
def test_a_valid_filter_has_no_fault(topic_filter: str) -> None:
    assert topics.filter_fault(topic_filter) is None


@pytest.mark.parametrize("name", ["", "a/+", "a/#", "#", "a+b", "a\0b", "\udfff", "ä" * 32_768])
def test_an_invalid_name_is_told(name: str) -> None:
    assert topics.name_fault(name)


@pytest.mark.parametrize("name", [n for _, n in TAKEN + NOT_TAKEN])
def test_a_valid_name_has_no_fault(name: str) -> None:
    assert topics.name_fault(name) is None


def test_a_shared_subscription_takes_what_its_filter_takes() -> None:
    # MQTT 5.0 section 4.8.2; its examples are $share/consumer1/sport/tennis/+ and the like.
    assert topics.filter_fault("$share/consumer1/sport/tennis/+") is None
    assert topics.matches("$share/consumer1/sport/tennis/+", PLAYER)
    assert topics.matches("$share/consumer1//finance", "/finance")
    assert not topics.matches("$share/consumer1/#", "$SYS/monitor/Clients")
    assert topics.unshared("$share/consumer1//finance") == "/finance"


LEVEL = st.sampled_from(["", "a", "b", "$a"])
NAMES = st.lists(LEVEL, min_size=1, max_size=4).map("/".join).filter(bool)
FILTERS = (
    st.tuples(
        st.lists(LEVEL | st.just("+"), min_size=1, max_size=4).map("/".join),
        st.sampled_from(["", "/#"]),
    )
    .map("".join)
    .filter(bool)
)


@given(FILTERS, NAMES)
def test_matching_agrees_with_the_mqtt_client(topic_filter: str, name: str) -> None:
    assert topics.filter_fault(topic_filter) is None
    assert topics.matches(topic_filter, name) == topic_matches_sub(topic_filter, name)


@given(st.text(max_size=20))
def test_a_name_without_fault_is_a_filter_that_takes_itself_alone(name: str) -> None:
    if topics.name_fault(name) is None and not name.startswith("$share"):
        assert topics.filter_fault(name) is None
        assert topics.matches(name, name)
        assert not topics.matches(name, f"{name}/x")


@pytest.mark.parametrize(
    ("wide", "narrow", "inside"),
    [
        ("a/#", "a/b", True),
        ("a/#", "a", True),
        ("a/#", "a/+/c", True),
        ("a/#", "a/b/#", True),
        ("#", "a/#", True),
        ("+/b", "a/b", True),
        ("+/+", "+/b", True),
        ("a/+", "a/#", False),
        ("a/+", "a", False),
        ("a/b", "a/+", False),
        ("#", "$SYS/x", False),
        ("+/x", "$SYS/x", False),
        ("$share/g/a/#", "$share/g/a/b", True),
        ("$share/g/a/#", "$share/h/a/b", False),
        ("a/#", "$share/g/a/b", False),
    ],
)
def test_a_filter_within_another(wide: str, narrow: str, inside: bool) -> None:
    assert topics.covers(wide, narrow) is inside


@pytest.mark.parametrize(
    ("one", "other", "both"),
    [
        ("+/b", "a/+", True),
        ("a/#", "+/b/c", True),
        ("a/+/c", "a/b/#", True),
        ("a/b", "a/b", True),
        ("a/#", "a", True),
        ("$share/g/a/b", "a/+", True),
        ("a/+", "b/+", False),
        ("a/+", "a/b/c", False),
        ("#", "$SYS/x", False),
        ("+/x", "$SYS/x", False),
        ("a", "a/b", False),
        ("a/+", "a", False),
    ],
)
def test_filters_that_take_a_topic_in_common(one: str, other: str, both: bool) -> None:
    assert topics.overlap(one, other) is both
    assert topics.overlap(other, one) is both


LEVELS = st.sampled_from(["a", "b", "+", "$x"])
FILTERS = st.builds(
    lambda levels, deep: "/".join([*levels, *(["#"] if deep else [])]),
    st.lists(LEVELS, min_size=1, max_size=3),
    st.booleans(),
)
NAMES = st.lists(st.sampled_from(["a", "b", "$x", ""]), min_size=1, max_size=4).map("/".join)


@given(FILTERS, FILTERS, NAMES)
def test_covering_and_overlapping_agree_with_matching(one: str, other: str, name: str) -> None:
    takes_one, takes_other = topics.matches(one, name), topics.matches(other, name)
    if topics.covers(one, other):
        assert takes_one or not takes_other
    if takes_one and takes_other:
        assert topics.overlap(one, other)


def test_what_lies_within_another_filter_is_not_asked_for() -> None:
    wanted = topics.needed(["a/b", "a/b", "a/#", "$share/g/a/b", "c"])
    assert wanted == ("$share/g/a/b", "a/#", "c")
    assert topics.needed(["+/b", "a/b", "a/c"]) == ("+/b", "a/c")
    assert topics.shared("a/b", "g") == "$share/g/a/b"
    assert topics.shared("$share/h/a", "g") == "$share/h/a"
    assert topics.shared("a", None) == "a"
