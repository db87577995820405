"""Which store the settings name."""

from __future__ import annotations

from collections.abc import Callable

from collector.config import Settings
from collector.store.contract import CollectingStore


def open_store(
    settings: Settings,
    *,
    read_only: bool = False,
    open_later: bool = False,
    say: Callable[[str], None] = lambda _: None,
) -> CollectingStore:
    """The store that the settings name: InfluxDB with its spool, else the file ``readings.db``.

    With ``read_only`` nothing is made or changed. With ``open_later`` the files are made by the
    first append, which then raises what would be raised here. ``say`` is told what a remote
    store's state is when it changes.
    """
    if settings.influx is None:
        from collector.store.sqlite import SqliteStore

        return SqliteStore(settings.store.readings_path, read_only=read_only, open_later=open_later)
    from collector.store.influx_store import InfluxStore

    return InfluxStore(
        settings.influx,
        settings.store.spool_path,
        read_only=read_only,
        open_later=open_later,
        say=say,
    )
