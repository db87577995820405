"""``vatside keep``, what the ``[[keep]]`` rules take out, done at once or only said; and
``vatside compact``.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from itertools import groupby
from pathlib import Path

from api.protected import NO_END_MS, Window, protected_windows
from collector.config import Settings
from collector.errors import SettingsError
from collector.readings import moment_of
from collector.store.keeping import Slice, slices
from collector.store.sqlite import SqliteStore
from dashboards import words
from dashboards.terminal import refuse_beside_the_collector


def keep_now(settings: Settings, *, dry_run: bool) -> int:
    """Apply the rules, or with ``dry_run`` say what would go; always 0.

    Raises ``SettingsError`` when there is no rule, ``ConflictError`` while the collector runs,
    which alone changes the readings then, and ``StoreError``.
    """
    if not settings.keep:
        raise SettingsError(
            "There is no rule: every reading is kept.",
            where="[[keep]]",
            remedy="Add one for the role whose old readings need not all be kept.",
        )
    now_ms = time.time_ns() // 1_000_000
    if not dry_run:
        refuse_beside_the_collector(
            settings,
            now_ms,
            "The collector is at work.",
            "Leave it to the collector, or stop it first; --dry-run needs neither.",
        )
    for rule in settings.keep:
        print(rule.words)
    record_path = settings.store.record_path
    windows = protected_windows(record_path)
    print(_protected(windows))
    path = settings.store.readings_path
    _refuse_without_readings(path)
    with SqliteStore(path, read_only=dry_run) as store:
        gone = slices(
            store,
            settings.channels,
            settings.keep,
            now_ms,
            lambda: protected_windows(record_path),
            dry_run=dry_run,
        )
        total_n = _tell(gone, dry_run=dry_run)
    if not total_n:
        print("Nothing goes: no reading is old enough, or all that are belong to a run.")
    elif dry_run:
        print("Nothing was changed.")
    else:
        print("The room in the file is used again; `vatside compact` gives it back to the disk.")
    return 0


def compact_now(settings: Settings) -> int:
    """Give room that nothing takes any more back to the disk; always 0.

    Raises ``SettingsError`` when the readings are in InfluxDB, ``ConflictError`` while the
    collector runs, and ``StoreError``.
    """
    if settings.influx is not None:
        raise SettingsError(
            "The readings are in InfluxDB.",
            where="[influx]",
            remedy="It sees to its files itself.",
        )
    refuse_beside_the_collector(
        settings,
        time.time_ns() // 1_000_000,
        "The collector is at work.",
        "Stop it first: nothing can be kept meanwhile.",
    )
    path = settings.store.readings_path
    _refuse_without_readings(path)
    with SqliteStore(path) as store:
        while store.settle():
            pass
        freed_n = store.compact()
    print(f"{path}: {freed_n:,} bytes given back, {path.stat().st_size:,} left.")
    return 0


def _refuse_without_readings(path: Path) -> None:
    """Raise ``StoreError`` where nothing is kept, so that no file is made."""
    with SqliteStore(path, read_only=True) as store:
        store.count()


def _protected(windows: list[Window]) -> str:
    said = f"Protected: {words.count(len(windows), 'window')} of prints and soak runs on record."
    open_ms = [start_ms for start_ms, end_ms in windows if end_ms == NO_END_MS]
    if open_ms:
        since = moment_of(min(open_ms)).isoformat(timespec="minutes")
        said += f" A soak run has no end, so everything since {since} is."
    return said


def _tell(gone: Iterable[Slice], *, dry_run: bool) -> int:
    """A line for each channel and reason that readings go for; how many in all."""
    total_n = 0
    for (channel, reason), group in groupby(gone, lambda one: (one.channel, one.reason)):
        went = [one for one in group if one.readings_n]
        readings_n = sum(one.readings_n for one in went)
        total_n += readings_n
        if went:
            first, last = moment_of(went[0].start_ms), moment_of(went[-1].end_ms)
            verb = "would be" if dry_run else "were"
            print(
                f"{channel}: {words.count(readings_n, 'reading')} {verb} {reason.words}, "
                f"of {first:%Y-%m-%d} to {last:%Y-%m-%d} (UTC)."
            )
    return total_n
