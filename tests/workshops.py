"""A small cellar workshop on disk, for tests of the api and the pages."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from fastapi import FastAPI

from api.answers import Workshop
from api.app import create_app, put_over
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


class Apps:
    """Apps that are lent to one test after another.

    FastAPI works out the routes of every new app when they are first asked for, and a new app
    compiles its templates: a third of a second for each test. What an app answers from is put
    under it anew; beside that it holds nothing that an answer could hang on.
    """

    def __init__(self, make: Callable[[Workshop], FastAPI]) -> None:
        self._make = make
        self._free: list[FastAPI] = []

    @contextmanager
    def lent(self, workshop: Workshop) -> Iterator[FastAPI]:
        """An app over this workshop that nobody else has for as long as this is open."""
        assert workshop.settings.broker is None, "an app that talks to a broker is made for it"
        app = self._free.pop() if self._free else self._make(workshop)
        put_over(app, workshop)
        try:
            yield app
        finally:
            app.dependency_overrides.clear()
            self._free.append(app)


#: Apps of the api alone.
APPS = Apps(create_app)
