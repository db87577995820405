"""A channel: one quantity from one sensor, and how to find it in what arrives. Pure.

A channel is checked where it is built, so that nothing after it has to check again.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, isfinite

from collector import pointer, topics, units
from collector.errors import SettingsError
from collector.readings import Role
from collector.signals import Signal

#: Lower-case letters, digits and hyphens, 64 at most: fit for a URL, a file and a column.
ID = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")

#: What RFC 8428 section 4.5.1 lets a resolved SenML name be.
SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")


class TimeForm(enum.StrEnum):
    """How a message writes the time of its reading."""

    RFC3339 = "rfc3339"
    UNIX_S = "unix_s"
    UNIX_MS = "unix_ms"


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One quantity from one sensor.

    ``unit`` is the one the sensor sends (the role's own when left out); ``topic`` a filter.
    Without ``value`` and ``senml`` the payload is a bare number; ``value`` and ``time`` are
    JSON Pointers; ``senml`` is a resolved record name. A stretch of more than ``gap_limit_s``
    without a reading is a gap.

    A bare sensor has a ``signal``; what it sends is then ohms or millivolts, and so is what is
    kept. ``plausible_min``, ``plausible_max`` and ``jump_limit_per_min`` take the place of the
    role's own limits, in the role's unit. ``battery`` and ``radio`` are JSON Pointers to the
    sensor's own condition.

    Raises ``SettingsError`` with the field's name in ``where`` for whatever does not fit.
    """

    id: str
    role: Role
    topic: str
    place: str = ""
    unit: str = ""
    value: str | None = None
    time: str | None = None
    time_form: TimeForm | None = None
    senml: str | None = None
    gap_limit_s: float = 300.0
    expected_interval_s: float | None = None
    plausible_min: float | None = None
    plausible_max: float | None = None
    jump_limit_per_min: float | None = None
    battery: str | None = None
    radio: str | None = None
    signal: Signal | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "place", self.place or self.id)
        object.__setattr__(self, "unit", self.unit or self.kept_unit)
        if self.time is not None and self.time_form is None:
            object.__setattr__(self, "time_form", TimeForm.RFC3339)
        self._check_names()
        self._check_pointers()
        self._check_senml()
        self._check_limits()
        if not (isfinite(self.gap_limit_s) and 0.001 <= self.gap_limit_s <= MOST_GAP_LIMIT_S):
            raise SettingsError(
                f"a gap limit of {self.gap_limit_s:g} s cannot be.",
                where="gap_limit_s",
                remedy="Give the seconds after which a silence is a gap, such as 300.",
            )

    @property
    def gap_limit_ms(self) -> int:
        """The longest stretch between readings that is no gap [ms]."""
        return round(self.gap_limit_s * 1_000)

    @property
    def kept_unit(self) -> str:
        """The unit that values are kept in as received: the role's, or the bare signal's."""
        return self.role.unit if self.signal is None else self.signal.unit

    @property
    def conversions(self) -> Mapping[str, units.Conversion | None]:
        """The units that the sensor may send, and how each becomes the kept one."""
        return units.CONVERSIONS[self.kept_unit]

    @property
    def dated(self) -> bool:
        """Whether its messages name the time of their readings; SenML records may."""
        return self.time is not None or self.senml is not None

    def _check_names(self) -> None:
        if not ID.fullmatch(self.id):
            raise SettingsError(
                f"{self.id!r} is no id for a channel.",
                where="id",
                remedy="Use up to 64 of a-z, 0-9 and hyphen, not starting with a hyphen.",
            )
        if self.signal is not None and self.role.unit != "°C":
            raise SettingsError(
                f"a {self.signal.kind.value} measures no {self.role.value}.",
                where="signal",
                remedy="Leave the signal out, or give the channel a temperature's role.",
            )
        if self.unit not in self.conversions:
            measured = self.role.value if self.signal is None else self.signal.kind.value
            raise SettingsError(
                f"{self.unit!r} is no unit for {measured}.",
                where="unit",
                remedy=f"Use one of {', '.join(self.conversions)}.",
            )
        fault = topics.filter_fault(self.topic)
        if fault:
            raise SettingsError(
                f"the topic filter {self.topic!r} {fault}.",
                where="topic",
                remedy="Write levels parted by /, + for one whole level, # as the last one.",
            )

    def _check_pointers(self) -> None:
        for key in ("value", "time", "battery", "radio"):
            text = getattr(self, key)
            if text is None:
                continue
            try:
                pointer.parse(text)
            except ValueError as fault:
                raise SettingsError(
                    f"{text!r} is no JSON Pointer: {fault}.",
                    where=key,
                    remedy="Write it like /temperature or /sensors/0/value (~1 for /, ~0 for ~).",
                ) from None
        if self.time is not None and self.value is None and self.senml is None:
            raise SettingsError(
                "a time is given without a value; a bare number carries none.",
                where="time",
                remedy='Add the JSON Pointer to the reading, such as value = "/temperature".',
            )
        for key in ("battery", "radio"):
            if getattr(self, key) is not None and self.value is None:
                raise SettingsError(
                    f"{key} is given without a value; only a JSON message carries both.",
                    where=key,
                    remedy='Add the JSON Pointer to the reading, such as value = "/temperature".',
                )
        if self.time_form is not None and self.time is None:
            raise SettingsError(
                "time_form is given without a time.",
                where="time_form",
                remedy='Add the JSON Pointer to the time, such as time = "/at", or leave it out.',
            )

    def _check_senml(self) -> None:
        if self.senml is None:
            return
        if not SENML_NAME.fullmatch(self.senml):
            raise SettingsError(
                f"{self.senml!r} is no resolved SenML name.",
                where="senml",
                remedy="Use A-Z a-z 0-9 - : . / _ and start with a letter or a digit.",
            )
        for key in ("value", "time"):
            if getattr(self, key) is not None:
                raise SettingsError(
                    f"{key} and senml are both given.",
                    where=key,
                    remedy="A SenML record names its own value and time: leave one of them out.",
                )

    def _check_limits(self) -> None:
        for key in ("plausible_min", "plausible_max", "jump_limit_per_min"):
            number = getattr(self, key)
            if number is not None and not isfinite(number):
                raise SettingsError(
                    f"{number} is no limit.", where=key, remedy="Write a plain number."
                )
        lowest = -inf if self.plausible_min is None else self.plausible_min
        highest = inf if self.plausible_max is None else self.plausible_max
        if lowest >= highest:
            raise SettingsError(
                f"plausible values would end at {highest:g}, before they begin at {lowest:g}.",
                where="plausible_max",
                remedy="Give a plausible_max above plausible_min.",
            )
        if self.jump_limit_per_min is not None and self.jump_limit_per_min <= 0:
            raise SettingsError(
                f"a jump limit of {self.jump_limit_per_min:g} cannot be.",
                where="jump_limit_per_min",
                remedy="Give the fastest believable change per minute, such as 5.",
            )
        interval_s = self.expected_interval_s
        if interval_s is not None and not 0 < interval_s <= self.gap_limit_s:
            raise SettingsError(
                f"an interval of {interval_s:g} s cannot be with a gap limit of"
                f" {self.gap_limit_s:g} s.",
                where="expected_interval_s",
                remedy="Give the seconds between readings, not more than gap_limit_s.",
            )


#: A year of silence; more is a slip of the pen.
MOST_GAP_LIMIT_S = 366 * 86_400.0
