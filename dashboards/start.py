"""Starts vatside's parts together or alone, as the commands ask.

``run`` and ``demo`` serve the pages in this process and keep the collector (and the simulated
workshop) running as children; the embedded broker is started when the settings name none.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, nullcontext, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from collector.broker import EmbeddedBroker
from collector.config import Settings, load
from collector.errors import SettingsError, StoreError
from dashboards.supervise import Child, Supervisor, command, free_port, port_fault, port_is_free

if TYPE_CHECKING:
    from api.answers import Workshop
    from api.record import Record
    from collector.store.keeping import Protected

Say = Callable[[str], None]


def say(text: str) -> None:
    """One line to the person at the terminal."""
    print(text, flush=True)


def complain(text: str) -> None:
    """One line on what is wrong."""
    print(text, file=sys.stderr, flush=True)


def read_settings(path: Path) -> Settings:
    """The settings in a file; the remedy of a missing one is the example."""
    if not path.is_file():
        raise SettingsError(
            "There is no settings file.",
            where=str(path),
            remedy="Write one with `vatside example > vatside.toml` and fit its channels to "
            "your sensors, or name another with --settings.",
        )
    return load(path, os.environ)


def refuse_without_channels(settings: Settings, path: Path) -> None:
    """Raise ``SettingsError`` when there is nothing to listen to."""
    if not settings.channels:
        raise SettingsError(
            "There is no channel to listen to.",
            where=f"{path}, [[channel]]",
            remedy="Add a [[channel]] for each sensor (`vatside example` prints some), or start "
            "the pages alone with `vatside serve`.",
        )


def refuse_port(host: str, port: int) -> None:
    """Raise ``SettingsError`` when the pages cannot be served there, before anything is started."""
    fault = port_fault(host, port)
    if fault is None:
        return
    if fault.errno == errno.EADDRINUSE:
        raise SettingsError(
            f"Port {port} is taken; is vatside running already?",
            where="[pages] port",
            remedy="Stop what listens there, or name another port with --port.",
        )
    raise SettingsError(
        f"The pages cannot be served on {host}, port {port}: {fault.strerror}.",
        where="[pages] host",
        remedy="Name an address of this machine, and a port from 1024 on.",
    )


def run(path: Path, *, port: int | None = None) -> int:
    """Broker (when the settings name none), collector and pages, until asked to stop."""
    settings = read_settings(path)
    refuse_without_channels(settings, path)
    refuse_port(settings.pages.host, port or settings.pages.port)
    with broker_for(settings) as url:
        collect = Child("collector", command("collect", "--settings", str(path), *_child(url)))
        with running(Supervisor([collect])):
            return serve(settings, port=port)


def demo(folder: Path, *, port: int | None, speed: float) -> int:
    """The same with the simulated workshop, in a folder of its own."""
    from dashboards.demo.play import refuse_speed
    from dashboards.demo.settings import write_settings

    refuse_speed(speed)
    if port is not None:
        refuse_port("127.0.0.1", port)
    wanted = port or (8460 if port_is_free("127.0.0.1", 8460) else free_port())
    path = write_settings(folder, port=wanted)
    settings = read_settings(path)
    broker = EmbeddedBroker()
    with broker:
        say(f"vatside: the demo keeps its files in {folder}/ and simulates its sensors.")
        collect = Child(
            "collector", command("collect", "--settings", str(path), *_child(broker.url))
        )
        simulate = Child(
            "simulated workshop",
            command(
                "simulate", "--folder", str(folder), "--speed", f"{speed:g}", *_child(broker.url)
            ),
        )
        with running(Supervisor([collect, simulate])):
            return serve(settings)


def collect(path: Path, *, broker_url: str | None, supervised: bool) -> int:
    """The collector alone; with the embedded broker when there is no other.

    Readings are marked by the calibrations on record, which the collector itself knows not of.
    """
    from api.chains_on_disk import ChainsOnDisk
    from collector.service import run_collector

    settings = read_settings(path)
    refuse_without_channels(settings, path)
    with nullcontext(broker_url) if broker_url is not None else broker_for(settings) as url:
        return run_collector(
            settings,
            broker_url=url,
            until_input_closes=supervised,
            chains=ChainsOnDisk(settings.chains, settings.store.record_path, complain),
            protected=protected_of(settings),
        )


def protected_of(settings: Settings) -> Protected | None:
    """What tells which readings belong to a run; None where no rule would ask."""
    if not settings.keep:
        return None
    from api.protected import protected_windows

    return partial(protected_windows, settings.store.record_path)


def serve(settings: Settings, *, port: int | None = None) -> int:
    """The api and the pages in this process, until asked to stop."""
    from api.answers import Workshop
    from api.record import Record
    from api.serve import server_of
    from collector.store.open import open_store
    from dashboards.app import create_app

    host, wanted = settings.pages.host, port or settings.pages.port
    refuse_port(host, wanted)
    settings.store.folder.mkdir(parents=True, exist_ok=True)
    store = open_store(settings, read_only=True)
    record = Record(settings.store.record_path)
    try:
        server = server_of(create_app(Workshop(settings, store, record)), settings.pages, wanted)
        threading.Thread(
            target=_tell_when_open, args=(server, f"http://{host}:{wanted}/"), daemon=True
        ).start()
        # The server hands the signal on once it has stopped: being asked to stop is no failure.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        with suppress(KeyboardInterrupt):
            server.run()
    finally:
        record.close()
        store.close()
    return 0


@contextmanager
def workshop_of(settings: Settings) -> Iterator[Workshop]:
    """What everything is answered from, for a command that asks once and makes nothing."""
    from api.answers import Workshop
    from collector.store.open import open_store

    with (
        closing(record_of(settings)) as record,
        closing(open_store(settings, read_only=True)) as store,
    ):
        yield Workshop(settings, store, record)


def record_of(settings: Settings) -> Record:
    """The record, for a command that only reads; raises ``StoreError`` where there is none."""
    from api.record import Record

    path = settings.store.record_path
    if not path.exists():
        raise StoreError(
            "Nothing is on record yet.",
            where=str(path),
            remedy="`vatside run` makes the record when it starts; if it lies elsewhere, name the "
            "settings that say where.",
        )
    return Record(path)


def simulate(folder: Path, *, broker_url: str, speed: float, supervised: bool) -> int:
    """The demo's simulated workshop, publishing until asked to stop."""
    from collector.service import broker_at
    from dashboards.demo import play
    from dashboards.supervise import end_with_parent

    settings = read_settings(folder / "vatside.toml")
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    if supervised:
        end_with_parent()
    api_url = f"http://{settings.pages.host}:{settings.pages.port}"
    broker = broker_at(broker_url, settings.broker_or_embedded)
    play.main(settings, broker, api_url, speed=speed, stop=stop)
    return 0


@contextmanager
def broker_for(settings: Settings) -> Iterator[str]:
    """Address of the broker to listen to; the embedded one runs for as long as this is open."""
    if settings.broker is not None:
        yield settings.broker.url
        return
    wanted = settings.embedded_broker
    with EmbeddedBroker(
        wanted.port,
        wanted.port_mqtt5,
        host=wanted.host,
        subscriptions_n=len({channel.topic for channel in settings.channels}),
        users=wanted.users,
    ) as broker:
        say(f"vatside: sensors may publish to {broker.url_v4} (MQTT 3.1.1) or {broker.url}.")
        yield broker.url


@contextmanager
def running(supervisor: Supervisor) -> Iterator[None]:
    """Children that run for as long as this is open."""
    supervisor.start()
    try:
        yield
    finally:
        supervisor.stop()


def _child(broker_url: str) -> tuple[str, ...]:
    return ("--broker", broker_url, "--supervised")


def _tell_when_open(server: object, url: str) -> None:
    """Print the one address once the pages answer there."""
    import time

    while not getattr(server, "started", False):
        if getattr(server, "should_exit", False):
            return
        time.sleep(0.02)
    say(f"vatside: open {url} in a browser; Ctrl-C stops it.")
    sys.stdout.flush()
