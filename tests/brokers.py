"""Real brokers and a real collector process for tests, each on free ports of this machine."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from collector.broker import EmbeddedBroker
from collector.config import BrokerSettings
from collector.errors import VatsideError
from collector.service import broker_at
from collector.store.sqlite import SqliteStore
from tests.recordings import program


def wait_until(done: Callable[[], bool], what: str, limit_s: float = 60.0) -> None:
    """Wait for something that has to happen; fails with ``what`` when it does not."""
    end_s = time.monotonic() + limit_s
    while not done():
        assert time.monotonic() < end_s, f"waited {limit_s:g} s in vain: {what}"
        time.sleep(0.02)


def broker_settings(url: str, client_id: str = "vatside") -> BrokerSettings:
    """Settings for a broker without a login."""
    return broker_at(url, BrokerSettings(url, "", 0, client_id=client_id))


def free_port() -> int:
    """A port of this machine that nobody uses at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """A Mosquitto on loopback that keeps its messages on disk; it can be killed and restarted."""

    def __init__(self, folder: Path, lines: Sequence[str] = ()) -> None:
        self.port = free_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self._program = program("mosquitto")
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self._configuration = folder / "mosquitto.conf"
        settings = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous true",
            "persistence true",
            f"persistence_location {folder}/",
            "autosave_interval 1",
            "max_queued_messages 0",
            "log_type error",
            *lines,
        ]
        if os.geteuid() == 0:
            settings.append("user root")
        self._configuration.write_text("\n".join(settings) + "\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.process = subprocess.Popen([self._program, "-c", str(self._configuration)])
        wait_until(self._answers, "Mosquitto answers")

    def stop(self, number: int = signal.SIGTERM) -> None:
        """End it: in peace, when it writes down what it holds, or with SIGKILL."""
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(10)
            self.process = None

    def _answers(self) -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.5):
            return True
        return False


@contextlib.contextmanager
def mosquitto(folder: Path, lines: Sequence[str] = ()) -> Iterator[Mosquitto]:
    """A running Mosquitto; the test skips or fails where it is not installed."""
    broker = Mosquitto(folder, lines)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop(signal.SIGKILL)


@contextlib.contextmanager
def embedded() -> Iterator[EmbeddedBroker]:
    """A running embedded broker."""
    with EmbeddedBroker(say=lambda _: None, subscriptions_n=2) as broker:
        yield broker


class CollectorProcess:
    """The collector as a process of its own, started by a settings file.

    With ``by_command`` it is ``vatside collect``, else the collector's module without the rest.
    """

    def __init__(
        self,
        settings_path: Path,
        broker_url: str | None = None,
        *,
        prefix: Sequence[str] = (),
        by_command: bool = False,
    ) -> None:
        self.settings_path = settings_path
        self.broker_url = broker_url
        self.log_path = settings_path.with_suffix(".log")
        self._prefix = prefix
        self._by_command = by_command
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; it connects in its own time."""
        module = ["dashboards.cli", "collect"] if self._by_command else ["collector.service"]
        url_option = "--broker" if self._by_command else "--broker-url"
        with self.log_path.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    *self._prefix,
                    *(sys.executable, "-m", *module),
                    *("--settings", str(self.settings_path)),
                    *((url_option, self.broker_url) if self.broker_url else ()),
                ],
                stderr=log,
            )

    def wait_until_listening(self) -> None:
        """Wait until it has said that the broker sends it messages."""
        wait_until(lambda: "listening" in self.log(), "the collector listens")

    def kill(self) -> None:
        """End it without warning."""
        self._end(signal.SIGKILL)

    def stop(self) -> int:
        """Ask it to stop; its exit code."""
        return self._end(signal.SIGTERM)

    def log(self) -> str:
        """What it has said so far."""
        return self.log_path.read_text(encoding="utf-8") if self.log_path.exists() else ""

    def _end(self, number: int) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        code = self.process.wait(20)
        self.process = None
        return code

    def __enter__(self) -> CollectorProcess:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self.process is not None:
            self.kill()


def wait_for_count(store: SqliteStore, n: int, limit_s: float = 60.0) -> None:
    """Wait until a store that somebody else fills has ``n`` readings."""

    def reached() -> bool:
        with contextlib.suppress(VatsideError):  # the file may not be made yet
            return store.count() >= n
        return False

    wait_until(reached, f"the store has {n} readings", limit_s)
