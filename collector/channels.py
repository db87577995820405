"""A channel: one quantity from one sensor, and how to find it in what arrives. Pure.

A channel is checked where it is built, so that nothing after it has to check again.
"""

from __future__ import annotations

import enum
import re
from dataclasses import dataclass
from math import isfinite

from collector import pointer, topics, units
from collector.errors import SettingsError
from collector.readings import Role

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

    def __post_init__(self) -> None:
        object.__setattr__(self, "place", self.place or self.id)
        object.__setattr__(self, "unit", self.unit or self.role.unit)
        if self.time is not None and self.time_form is None:
            object.__setattr__(self, "time_form", TimeForm.RFC3339)
        self._check_names()
        self._check_pointers()
        self._check_senml()
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

    def _check_names(self) -> None:
        if not ID.fullmatch(self.id):
            raise SettingsError(
                f"{self.id!r} is no id for a channel.",
                where="id",
                remedy="Use up to 64 of a-z, 0-9 and hyphen, not starting with a hyphen.",
            )
        if not units.fits(self.role, self.unit):
            raise SettingsError(
                f"{self.unit!r} is no unit for {self.role.value}.",
                where="unit",
                remedy=f"Use one of {', '.join(units.units_for(self.role))}.",
            )
        fault = topics.filter_fault(self.topic)
        if fault:
            raise SettingsError(
                f"the topic filter {self.topic!r} {fault}.",
                where="topic",
                remedy="Write levels parted by /, + for one whole level, # as the last one.",
            )

    def _check_pointers(self) -> None:
        for key, text in (("value", self.value), ("time", self.time)):
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


#: A year of silence; more is a slip of the pen.
MOST_GAP_LIMIT_S = 366 * 86_400.0
