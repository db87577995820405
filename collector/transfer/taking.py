"""Whether a row of a file can become a reading here, and of which channel. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite

from collector.channels import ID, Channel
from collector.errors import SettingsError
from collector.readings import Mark, Reading
from collector.transfer.rows import Fault, Row

#: Every mark that fits the marks' bits, made once: making one takes longer than the rest.
_MARKS = [Mark(bits) for bits in range(256)]


class Taking:
    """Turns rows into readings in the unit they are kept in.

    A row's channel is an id of the settings or the SenML name of one; ``renamed`` gives the id
    for other names. With ``new_channels`` ids that the settings do not have are taken as well.
    Raises ``SettingsError`` when a name is to become what is no channel's id.
    """

    def __init__(
        self,
        channels: Iterable[Channel],
        *,
        renamed: Mapping[str, str] | None = None,
        new_channels: bool = False,
    ) -> None:
        self._by_id = {channel.id: channel for channel in channels}
        self._ids = {one.senml: one.id for one in self._by_id.values() if one.senml is not None}
        self._ids |= {name: name for name in self._by_id}
        self._new_channels = new_channels
        for name, channel_id in (renamed or {}).items():
            if channel_id not in self._by_id and not (new_channels and ID.fullmatch(channel_id)):
                raise SettingsError(
                    f"There is no channel {channel_id!r}.",
                    where=f"--rename {name}={channel_id}",
                    remedy=f"Name one of the settings: {', '.join(self._by_id) or 'none yet'}.",
                )
            self._ids[name] = channel_id

    def reading(self, row: Row) -> Reading | Fault:
        """The reading of a row, or why there is none."""
        channel_id = self._ids.get(row.channel)
        if channel_id is None:
            if not (self._new_channels and ID.fullmatch(row.channel)):
                return _unknown(row.channel)
            channel_id = self._ids[row.channel] = row.channel
        value = row.value
        channel = self._by_id.get(channel_id)
        if channel is not None and row.unit is not None and row.unit != channel.kept_unit:
            if row.unit not in channel.conversions:
                return Fault(
                    f"{row.unit[:40]!r} is no unit for {channel_id}",
                    f"Give the value in {channel.kept_unit}, or correct the channel.",
                )
            convert = channel.conversions[row.unit]
            value = value if convert is None else convert(value)
        if not isfinite(value):
            return Fault(f"{value} is no number that can be kept", "Correct the value.")
        return Reading(channel_id, row.time_ms, value, _MARKS[row.marks])


def _unknown(name: str) -> Fault:
    if ID.fullmatch(name):
        remedy = (
            f"Add a [[channel]] with that id, or --rename {name}=ID; --new-channels takes it as "
            "it is."
        )
    else:
        remedy = f"Say which one it is: --rename {name[:40]}=ID."
    return Fault(f"the settings have no channel {name[:80]!r}", remedy)
