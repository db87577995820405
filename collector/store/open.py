"""Which store the settings name."""

from __future__ import annotations

from collections.abc import Callable

from collector.config import Settings
from collector.errors import InvalidError, SettingsError
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


def prepare_store(
    settings: Settings, *, keep_days: int | None = None, minutes_days: int | None = None
) -> list[str]:
    """Make bucket, retention and downsampling task at the server; what was done, a line each.

    ``keep_days`` None leaves a bucket that is there as it is, and a new one for ever. With
    ``minutes_days`` each minute's summary is kept so long in a second bucket, 0 for ever. Raises
    ``SettingsError`` when the settings name no server, ``InvalidError`` for days that are none,
    ``StoreError`` when the server refuses.
    """
    if settings.influx is None:
        raise SettingsError(
            "There is no server to prepare.",
            where="[influx]",
            remedy="Add the table, or leave it so: readings.db is made when the collector starts.",
        )
    if (keep_days is not None and keep_days < 1) or (minutes_days is not None and minutes_days < 0):
        raise InvalidError(
            "That is no number of days.",
            where="--keep-days" if keep_days is not None and keep_days < 1 else "--minutes-days",
            remedy="Give 1 or more; leave --keep-days out to keep readings for ever.",
        )
    from collector.store.influx import InfluxServer

    server = InfluxServer(settings.influx)
    try:
        return server.prepare(keep_days=keep_days, minutes_days=minutes_days)
    finally:
        server.close()
