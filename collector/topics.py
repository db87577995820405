"""MQTT topic names and topic filters, by section 4.7 of MQTT 3.1.1 and 5.0. Pure.

Rules: levels are parted by ``/`` and may be empty; ``+`` stands for one whole level, ``#``
for the level above it and everything below, as the last level only; a filter that starts with
a wildcard never takes a topic that starts with ``$``; upper and lower case differ. MQTT 5.0
section 4.8.2 adds ``$share/GROUP/FILTER``, which divides the messages among the members of a
group and otherwise takes what FILTER takes.
"""

from __future__ import annotations

from collections.abc import Iterable

#: Longest UTF-8 string that MQTT can carry [bytes] (3.1.1 section 1.5.3).
LONGEST_BYTES = 65_535

SHARE = "$share/"


def name_fault(name: str) -> str | None:
    """What is wrong with a topic name, or None when it is a valid one."""
    if "+" in name or "#" in name:
        return "holds a wildcard, + or #; only a filter may"
    return _text_fault(name)


def filter_fault(topic_filter: str) -> str | None:
    """What is wrong with a topic filter (shared or not), or None when it is a valid one."""
    if topic_filter.startswith(SHARE):
        group, _, rest = topic_filter.removeprefix(SHARE).partition("/")
        if not group or "+" in group or "#" in group or not rest:
            return "is not of the form $share/GROUP/FILTER with a group name free of + and #"
    fault = _text_fault(topic_filter)
    if fault:
        return fault
    levels = unshared(topic_filter).split("/")
    for number, level in enumerate(levels, start=1):
        if "#" in level and (level != "#" or number < len(levels)):
            return f"has # in {level!r}, where it is not the whole of the last level"
        if "+" in level and level != "+":
            return f"has + in {level!r}, where it is not the whole level"
    return None


def unshared(topic_filter: str) -> str:
    """The filter without ``$share/GROUP/`` before it."""
    if not topic_filter.startswith(SHARE):
        return topic_filter
    return topic_filter.removeprefix(SHARE).partition("/")[2]


def is_exact(topic_filter: str) -> bool:
    """Whether a valid filter takes one topic only: it holds no wildcard."""
    return "+" not in topic_filter and "#" not in topic_filter


def matches(topic_filter: str, name: str) -> bool:
    """Whether a valid filter takes a valid topic name."""
    levels = unshared(topic_filter).split("/")
    if name.startswith("$") and levels[0] in ("+", "#"):
        return False
    names = name.split("/")
    for number, level in enumerate(levels):
        if level == "#":
            return True
        if number == len(names) or level not in ("+", names[number]):
            return False
    return len(levels) == len(names)


def shared(topic_filter: str, group: str | None) -> str:
    """The filter through a group, unless it names one itself or there is none."""
    if group is None or topic_filter.startswith(SHARE):
        return topic_filter
    return f"{SHARE}{group}/{topic_filter}"


def covers(wide: str, narrow: str) -> bool:
    """Whether a filter takes every topic that another one takes, through the same group."""
    if _group(wide) != _group(narrow):
        return False
    inner, outer = unshared(narrow).split("/"), unshared(wide).split("/")
    if inner[0].startswith("$") and outer[0] in ("+", "#"):
        return False
    for number, level in enumerate(outer):
        if level == "#":
            return True
        if number == len(inner) or inner[number] == "#" or level not in ("+", inner[number]):
            return False
    return len(inner) == len(outer)


def overlap(one: str, other: str) -> bool:
    """Whether there is a topic that both filters take, whatever their groups."""
    first, second = unshared(one).split("/"), unshared(other).split("/")
    if {first[0][:1], second[0][:1]} in ({"$", "+"}, {"$", "#"}):
        return False
    for number in range(max(len(first), len(second)) + 1):
        ours, theirs = first[number : number + 1], second[number : number + 1]
        if ours == ["#"] or theirs == ["#"]:
            return True
        if not ours or not theirs:
            return ours == theirs
        if ours != theirs and ours != ["+"] and theirs != ["+"]:
            return False
    return True


def needed(filters: Iterable[str]) -> tuple[str, ...]:
    """The filters once each, without those whose messages another of them takes anyway."""
    wanted = sorted(set(filters))
    return tuple(f for f in wanted if not any(covers(o, f) for o in wanted if o != f))


def _group(topic_filter: str) -> str:
    """The group of a filter; empty when it is not shared."""
    if not topic_filter.startswith(SHARE):
        return ""
    return topic_filter.removeprefix(SHARE).partition("/")[0]


def _text_fault(text: str) -> str | None:
    if not text:
        return "is empty"
    if "\0" in text:
        return "holds the character U+0000"
    try:
        size = len(text.encode())
    except UnicodeEncodeError:
        return "holds half of a surrogate pair, which UTF-8 cannot carry"
    return f"is longer than {LONGEST_BYTES:,} bytes" if size > LONGEST_BYTES else None
