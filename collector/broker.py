"""The embedded broker: a small MQTT broker in a process of its own, for a first start.

It listens to this machine alone unless it is told otherwise, speaks MQTT 3.1.1 on one port
and MQTT 5 on another, and is started again when it dies. Its process ends with ours, however
we end.

What it keeps, measured with iotcore 0.4.0: everything is in memory, so nothing survives a
restart of the broker, and nothing is kept for a collector that has never connected. While it
lives, a collector that was killed or stopped gets everything that was published meanwhile, in
order, as long as it fits into the log of its subscription; beyond that the oldest are lost and
nobody is told. A publisher is not slowed down by a subscriber that lags. Logs are cut into
segments of 1 MiB, of about 8,000 messages of 100 bytes and 3 MB of memory each; all
subscriptions share ``SEGMENTS_N`` of them. With eight subscriptions and 30,000 such messages
published to each while the collector was away, the newest 21,252 of each came, and the broker
took 97 MB and no more. Where that is not enough, or where a restart must lose nothing, use
Mosquitto with persistence and ``max_queued_messages 0``.
"""

from __future__ import annotations

import argparse
import contextlib
import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Self

from collector.config import LOOPBACK
from collector.errors import BrokerError, SettingsError

SEGMENT_BYTES = 1024 * 1024
#: Segments of all subscriptions together; each subscription gets its share, 2 to 16.
SEGMENTS_N = 24

PAYLOAD_MOST_BYTES = 1024 * 1024
INFLIGHT_N = 1_000

READY_LIMIT_S = 10.0
STOP_LIMIT_S = 5.0
FIRST_PAUSE_S = 0.2
LONGEST_PAUSE_S = 10.0

Say = Callable[[str], None]


def configuration(
    host: str,
    port: int,
    port_v5: int,
    *,
    subscriptions_n: int = 8,
    users: Mapping[str, str] | None = None,
) -> str:
    """The broker's configuration as TOML; ``subscriptions_n`` filters share its memory.

    Raises ``SettingsError`` when other machines could connect without a password.
    """
    if host not in LOOPBACK and not users:
        raise SettingsError(
            f"The embedded broker would listen on {host} without a password.",
            where="broker",
            remedy="Give it a user and a password, or let it listen on 127.0.0.1 alone.",
        )
    segments_n = min(16, max(2, SEGMENTS_N // max(1, subscriptions_n)))
    return "\n".join(
        [
            "id = 0",
            "[router]",
            "id = 0",
            "max_connections = 500",
            "max_outgoing_packet_count = 200",
            f"max_segment_size = {SEGMENT_BYTES}",
            f"max_segment_count = {segments_n}",
            *_listener("v4", host, port, users),
            *_listener("v5", host, port_v5, users),
            "",
        ]
    )


def _listener(version: str, host: str, port: int, users: Mapping[str, str] | None) -> list[str]:
    lines = [
        f"[{version}.1]",
        f'name = "{version}-1"',
        f'listen = "{f"[{host}]" if ":" in host else host}:{port}"',
        "next_connection_delay_ms = 1",
        f"[{version}.1.connections]",
        "connection_timeout_ms = 60000",
        f"max_payload_size = {PAYLOAD_MOST_BYTES}",
        f"max_inflight_count = {INFLIGHT_N}",
        "dynamic_filters = true",
    ]
    if users:
        lines.append(f"[{version}.1.connections.auth]")
        lines += [f"{_quoted(name)} = {_quoted(password)}" for name, password in users.items()]
    return lines


def _quoted(text: str) -> str:
    """A TOML basic string."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    if not plain.isprintable():
        raise SettingsError(
            "A user or password of the embedded broker holds a control character.",
            where="broker",
            remedy="Use printable characters.",
        )
    return f'"{plain}"'


class EmbeddedBroker:
    """Runs the broker in a child process and starts it again when it dies.

    ``port`` is for MQTT 3.1.1 (most sensors), ``port_v5`` for MQTT 5 (the collector); 0 takes
    any free one. ``users`` maps names to passwords; needed beyond loopback.
    """

    def __init__(
        self,
        port: int = 0,
        port_v5: int = 0,
        *,
        host: str = "127.0.0.1",
        subscriptions_n: int = 8,
        users: Mapping[str, str] | None = None,
        say: Say = lambda text: print(text, file=sys.stderr, flush=True),
    ) -> None:
        self.host = "127.0.0.1" if host == "localhost" else host
        self.port = port or _free_port(self.host)
        self.port_v5 = port_v5 or _free_port(self.host)
        self.restarts_n = 0
        self._text = configuration(
            self.host, self.port, self.port_v5, subscriptions_n=subscriptions_n, users=users
        )
        self._say = say
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()
        self._watch: threading.Thread | None = None

    @property
    def url(self) -> str:
        """Where an MQTT 5 client on this machine finds the broker."""
        return f"mqtt://{self._reachable}:{self.port_v5}"

    @property
    def url_v4(self) -> str:
        """Where an MQTT 3.1.1 client on this machine finds the broker."""
        return f"mqtt://{self._reachable}:{self.port}"

    @property
    def pid(self) -> int | None:
        """Process id of the broker; None when it does not run."""
        process = self._process
        return process.pid if process is not None and process.poll() is None else None

    def start(self) -> Self:
        """Start the broker and wait until it answers; raises ``BrokerError`` when it does not."""
        if self._watch is not None:
            return self
        for port in (self.port, self.port_v5):
            if _answers(self._reachable, port):
                raise BrokerError(
                    f"Port {port} is taken; is vatside running already?",
                    where=f"{self.host}:{port}",
                    remedy="Stop what listens there, or name that broker in [broker], url.",
                )
        self._stopping.clear()
        self._folder = tempfile.TemporaryDirectory(prefix="vatside-broker-")
        path = Path(self._folder.name) / "broker.toml"
        path.touch(mode=0o600)
        path.write_text(self._text, encoding="utf-8")
        try:
            self._launch()
        except BaseException:
            self.stop()
            raise
        self._watch = threading.Thread(target=self._keep_running, name="broker", daemon=True)
        self._watch.start()
        return self

    def stop(self) -> None:
        """Stop the broker; what it held is gone."""
        self._stopping.set()
        self._end_process()
        if self._watch is not None:
            self._watch.join()
            self._watch = None
        self._end_process()  # one that the watch was starting just then
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def _reachable(self) -> str:
        return {"0.0.0.0": "127.0.0.1", "::": "[::1]", "::1": "[::1]"}.get(self.host, self.host)

    def _launch(self) -> None:
        assert self._folder is not None
        # A session of its own: Ctrl-C in a terminal stops the collector first, then the broker.
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-P", "-m", "collector.broker"),  # -P: not from where we stand
                f"{self._folder.name}/broker.toml",
            ],
            stdin=subprocess.PIPE,
            start_new_session=True,
        )
        end_s = time.monotonic() + READY_LIMIT_S
        while not all(_answers(self._reachable, port) for port in (self.port, self.port_v5)):
            code = self._process.poll()
            if code is not None or time.monotonic() > end_s:
                self._end_process()
                raise BrokerError(
                    "The embedded broker does not answer."
                    if code is None
                    else f"The embedded broker ended with code {code} when it was started.",
                    where=f"{self.host}:{self.port}, {self.host}:{self.port_v5}",
                    remedy="Name another port, or a broker of your own in [broker], url.",
                )
            time.sleep(0.02)

    def _keep_running(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._stopping.is_set():
            process = self._process
            if process is not None and process.poll() is None:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(0.5)
                continue
            self._say("The embedded broker ended; what it held is gone. Starting it again.")
            if self._stopping.wait(pause_s):
                return
            self._end_process()
            try:
                self._launch()
                self.restarts_n += 1
                pause_s = FIRST_PAUSE_S
            except BrokerError as error:
                self._say(str(error))
                pause_s = min(LONGEST_PAUSE_S, pause_s * 2)

    def _end_process(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.terminate()
        try:
            process.wait(STOP_LIMIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdin is not None:
            process.stdin.close()


def _free_port(host: str) -> int:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def _answers(host: str, port: int) -> bool:
    try:
        socket.create_connection((host.strip("[]"), port), timeout=0.5).close()
    except OSError:
        return False
    return True


def _end_with_parent() -> None:
    with contextlib.suppress(OSError):
        sys.stdin.buffer.read()  # returns when the parent's end of the pipe closes
    os._exit(0)


def main(argv: list[str] | None = None) -> None:
    """The child process: serve by a configuration file until killed or left by the parent."""
    parser = argparse.ArgumentParser(prog="python -m collector.broker", description=main.__doc__)
    parser.add_argument("configuration", type=Path)
    path = parser.parse_args(argv).configuration
    from iotcore.iotcore import IotCoreBroker

    # The broker tells of every packet as if it were an error; only its end matters here.
    logging.disable(logging.CRITICAL)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    IotCoreBroker(config_path=str(path)).run_forever()


if __name__ == "__main__":
    main()
