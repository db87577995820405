"""The tables ``[[keep]]``: how long the readings of a role are kept, and how many. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.channels import Channel
from collector.readings import Role
from collector.settings_file import Table

#: Their keys, and what they mean.
KEEP_SETTINGS: Mapping[str, str] = {
    "keep.role": "the role whose old readings are not all kept; the others are, for ever",
    "keep.thin_after_days": "days after which it is thinned: of each every_s a few are left",
    "keep.every_s": "seconds of which first, last, lowest and highest are left, and marked ones",
    "keep.forget_after_days": "days after which nothing is left; for ever when left out",
}

#: Younger readings are never touched: prints are looked for in the power of the last days, and
#: what was begun has to have come onto the record.
LEAST_DAYS = 14

MOST_DAYS = 36_500

_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class KeepRule:
    """What is kept of a role: all, after ``thin_after_ms`` a few of each ``every_ms``, then none.

    Either of the two, or both, may be left out (None).
    """

    role: Role
    thin_after_ms: int | None = None
    every_ms: int | None = None
    forget_after_ms: int | None = None

    @property
    def words(self) -> str:
        """The rule in words, such as for ``vatside check``."""
        said = []
        if self.thin_after_ms is not None and self.every_ms is not None:
            days, every_s = self.thin_after_ms // _DAY_MS, self.every_ms / 1_000
            said.append(f"after {days} days a few of each {every_s:g} s")
        if self.forget_after_ms is not None:
            said.append(f"after {self.forget_after_ms // _DAY_MS} days none")
        return f"{self.role.value}: {', '.join(said)}"


def keep_of(tables: Sequence[Table], channels: Sequence[Channel]) -> tuple[KeepRule, ...]:
    """The tables read and checked against the channels; raises ``SettingsError``."""
    rules: dict[Role, KeepRule] = {}
    for table in tables:
        rule = _rule(table)
        if rule.role in rules:
            raise table.error(
                "role", f"{rule.role.value} has a rule already.", "Write one [[keep]] for a role."
            )
        _check_gaps(table, rule, channels)
        rules[rule.role] = rule
    return tuple(rules.values())


def _rule(table: Table) -> KeepRule:
    table.check_keys(key.partition(".")[2] for key in KEEP_SETTINGS)
    if "role" not in table.values:
        raise table.error(None, "the rule has no role.", 'Add role = "printer_power".')
    role = Role(table.choice("role", [role.value for role in Role]))
    thin_ms, forget_ms = _days_ms(table, "thin_after_days"), _days_ms(table, "forget_after_days")
    every_s = table.number("every_s")
    if thin_ms is None and forget_ms is None:
        raise table.error(
            None,
            "the rule says neither when to thin nor when to forget.",
            "Add thin_after_days and every_s, or forget_after_days, or both.",
        )
    if (thin_ms is None) != (every_s is None):
        raise table.error(
            "every_s" if thin_ms is None else "thin_after_days",
            "thin_after_days and every_s go together.",
            "Add the other one, or leave both out.",
        )
    if every_s is not None and not 1 <= every_s <= 3_600:
        raise table.error("every_s", f"{every_s} s cannot be.", "Use 1 to 3600 seconds.")
    if thin_ms is not None and forget_ms is not None and forget_ms <= thin_ms:
        raise table.error(
            "forget_after_days",
            "all is forgotten before it would be thinned.",
            "Use more days than in thin_after_days, or leave that out.",
        )
    return KeepRule(role, thin_ms, None if every_s is None else int(every_s * 1_000), forget_ms)


def _days_ms(table: Table, key: str) -> int | None:
    if key not in table.values:
        return None
    return table.whole(key, LEAST_DAYS, MOST_DAYS, LEAST_DAYS) * _DAY_MS


def _check_gaps(table: Table, rule: KeepRule, channels: Sequence[Channel]) -> None:
    """Refuse a thinning that would tear gaps into a channel's record."""
    for channel in channels:
        if channel.role is rule.role and (rule.every_ms or 0) > channel.gap_limit_ms:
            raise table.error(
                "every_s",
                f"that would tear gaps into {channel.id}, whose gap limit is "
                f"{channel.gap_limit_s:g} s.",
                "Use no more seconds than the shortest gap_limit_s of that role.",
            )
