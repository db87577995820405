"""A small cellar workshop on disk, for tests of the api and the pages."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from api.answers import Workshop
from api.record import ChannelLink, Machine, Record, Resin
from collector.channels import Channel
from collector.config import Settings
from collector.readings import Role
from collector.store.sqlite import SqliteStore

#: The vat sensor of North has belonged to it since then.
INSTALLED = datetime(2025, 11, 1, tzinfo=UTC)

CHANNELS = (
    Channel(id="vat-north", place="North vat", role=Role.VAT_TEMPERATURE, topic="cellar/north/vat"),
    Channel(id="vat-south", place="South vat", role=Role.VAT_TEMPERATURE, topic="cellar/south/vat"),
    Channel(id="room-temp", place="Cellar", role=Role.ROOM_TEMPERATURE, topic="cellar/room/temp"),
    Channel(id="room-humid", place="Cellar", role=Role.ROOM_HUMIDITY, topic="cellar/room/humid"),
    Channel(id="chamber", place="Oven", role=Role.CHAMBER_TEMPERATURE, topic="cellar/oven"),
)


@contextmanager
def open_workshop(folder: Path) -> Iterator[Workshop]:
    """An empty workshop: five channels, no readings, nothing on record."""
    store = SqliteStore(folder / "readings.db")
    record = Record(folder / "record.db")
    try:
        yield Workshop(Settings(channels=CHANNELS), store, record)
    finally:
        record.close()
        store.close()


def furnish(workshop: Workshop) -> None:
    """Put resins 1 and 2 (Harbour Grey, Willow) and machines 1 and 2 (North, South) on record.

    ``vat-north`` belongs to North since :data:`INSTALLED`; South has no sensor.
    """
    for name in ("Harbour Grey", "Willow"):
        workshop.record.resins.add(Resin(name=name))
    vat = ChannelLink(channel="vat-north", role=Role.VAT_TEMPERATURE, since=INSTALLED)
    workshop.record.machines.add(Machine(name="North", channels=(vat,)))
    workshop.record.machines.add(Machine(name="South"))
