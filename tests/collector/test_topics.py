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
