"""Runs vatside's parts as separate processes and keeps them running.

The pages run in the process that calls; the embedded broker, the collector and (in the demo)
the simulated workshop are children. A child that dies is started again after a pause that
doubles up to half a minute, so that one part's fault never takes the record down with it.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
#: A child that lived this long was healthy; its next restart is prompt again.
HEALTHY_S = 60.0
STOP_LIMIT_S = 8.0

Say = Callable[[str], None]


@dataclass
class Child:
    """One part: its name in messages and the command that starts it."""

    name: str
    command: Sequence[str]
    restart: bool = True
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    pause_s: float = FIRST_PAUSE_S
    due_s: float = 0.0

    def start(self, now_s: float) -> None:
        """Start the process; its input is a pipe that closes when this process ends."""
        self.process = subprocess.Popen(self.command, stdin=subprocess.PIPE)
        self.started_s = now_s


@dataclass
class Supervisor:
    """Starts children in order, restarts those that die, stops them in reverse order."""

    children: list[Child] = field(default_factory=list)
    say: Say = lambda text: print(text, file=sys.stderr, flush=True)
    _stopping: threading.Event = field(default_factory=threading.Event)
    _watch: threading.Thread | None = None

    def start(self) -> None:
        """Start every child and a thread that watches them."""
        for child in self.children:
            child.start(time.monotonic())
        self._watch = threading.Thread(target=self._keep_running, name="supervisor", daemon=True)
        self._watch.start()

    def stop(self) -> None:
        """Ask every child to stop, the last started first; kill one that does not."""
        self._stopping.set()
        if self._watch is not None:
            self._watch.join()
        for child in reversed(self.children):
            if child.process is None:
                continue
            child.process.terminate()
            try:
                child.process.wait(STOP_LIMIT_S)
            except subprocess.TimeoutExpired:
                child.process.kill()
                child.process.wait()
            _close_input(child.process)

    def _keep_running(self) -> None:
        while not self._stopping.wait(0.2):
            for child in self.children:
                self._look_at(child, time.monotonic())

    def _look_at(self, child: Child, now_s: float) -> None:
        if child.process is None:
            if child.restart and now_s >= child.due_s:
                child.start(now_s)
            return
        code = child.process.poll()
        if code is None:
            return
        _close_input(child.process)
        child.process = None
        if not child.restart:
            if code:
                self.say(f"vatside: the {child.name} ended with code {code}.")
            return
        if now_s - child.started_s > HEALTHY_S:
            child.pause_s = FIRST_PAUSE_S
        child.due_s = now_s + child.pause_s
        self.say(
            f"vatside: the {child.name} stopped (code {code}); "
            f"starting it again in {child.pause_s:g} s."
        )
        child.pause_s = min(2 * child.pause_s, LONGEST_PAUSE_S)


def _close_input(process: subprocess.Popen[bytes]) -> None:
    if process.stdin is not None:
        process.stdin.close()


def end_with_parent() -> None:
    """Have this process stop as if asked to (SIGTERM) when whoever started it is gone.

    The parent holds the other end of our standard input; even a parent that was killed
    closes it, so no part is left behind holding a port or a file.
    """

    def wait() -> None:
        # Not through sys.stdin: its lock would be held while the interpreter shuts down.
        with contextlib.suppress(OSError):
            while os.read(0, 4_096):
                pass
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=wait, name="parent", daemon=True).start()


def command(*arguments: str) -> list[str]:
    """The command line that runs vatside's own command in a child process.

    ``-P`` keeps a folder that happens to be called like one of our packages, where the user
    stands, from being taken for it.
    """
    return [sys.executable, "-P", "-m", "dashboards.cli", *arguments]


def free_port(host: str = "127.0.0.1") -> int:
    """A TCP port that is free on ``host`` at this moment."""
    with closing(socket.socket(socket.AF_INET, socket.SOCK_STREAM)) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def port_is_free(host: str, port: int) -> bool:
    """Whether a service could listen on this TCP port now."""
    return port_fault(host, port) is None


def port_fault(host: str, port: int) -> OSError | None:
    """Why no service could listen on this TCP port now; None when one could."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with closing(socket.socket(family, socket.SOCK_STREAM)) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as fault:
            return fault
    return None
