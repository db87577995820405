"""compose.yaml: read as Compose reads it, checked, and its commands run for real as processes.

There is no Docker here, so what the images themselves do is not shown: the broker's own start
command and settings run on an installed Mosquitto, the collector and the pages run from this
environment, and InfluxDB's place is taken by the double of its API.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from collector.config import load
from collector.publisher import Publisher
from tests.brokers import broker_settings, free_port, wait_until
from tests.influx_double import ORG, TOKEN, InfluxDouble
from tests.recordings import ROOT, program

#: Keys of a service that we use, out of the Compose specification ("Services top-level element").
SERVICE_KEYS = {
    "build", "cap_drop", "command", "configs", "depends_on", "environment", "healthcheck",
    "image", "ports", "read_only", "restart", "secrets", "security_opt", "tmpfs", "volumes",
}  # fmt: skip
PASSWORD = "of-the-cellar"


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    text = (ROOT / "compose.yaml").read_text(encoding="utf-8")
    parsed: dict[str, Any] = yaml.safe_load(text)
    return parsed


def plain(text: str) -> str:
    """A text as Compose hands it on: ``$$`` is one dollar, and one alone would be a variable."""
    assert not re.search(r"(?<!\$)\$(?:\$\$)*(?!\$)", text), f"a variable in {text!r}"
    return text.replace("$$", "$")


def test_it_has_the_four_services_and_nothing_unknown(compose: dict[str, Any]) -> None:
    assert set(compose) == {
        "name", "x-vatside", "services", "configs", "secrets", "volumes"
    }  # fmt: skip
    assert set(compose["services"]) == {"broker", "influx", "collector", "pages"}
    for service in compose["services"].values():
        assert set(service) <= SERVICE_KEYS
        assert service["restart"] == "unless-stopped"


def test_every_name_it_refers_to_is_there(compose: dict[str, Any]) -> None:
    used: dict[str, set[str]] = {"configs": set(), "secrets": set(), "volumes": set()}
    for service in compose["services"].values():
        used["configs"] |= {one["source"] for one in service.get("configs", [])}
        used["secrets"] |= set(service.get("secrets", []))
        used["volumes"] |= {one.partition(":")[0] for one in service.get("volumes", [])}
        for name, how in service.get("depends_on", {}).items():
            assert "healthcheck" in compose["services"][name]
            assert how == {"condition": "service_healthy"}
    for kind, names in used.items():
        assert names == set(compose[kind])


def test_every_port_is_on_this_machine_alone(compose: dict[str, Any]) -> None:
    ports = [port for one in compose["services"].values() for port in one.get("ports", [])]
    assert len(ports) == 3
    assert all(re.fullmatch(r"127\.0\.0\.1:(\d+):\1", port) for port in ports)


def test_every_service_says_whether_it_is_well(compose: dict[str, Any]) -> None:
    for service in compose["services"].values():
        check = service["healthcheck"]
        assert check["test"][0] in ("CMD", "CMD-SHELL")
        assert {"interval", "timeout", "retries", "start_period"} < set(check)


def test_secrets_come_from_files_and_stand_nowhere_else(compose: dict[str, Any]) -> None:
    for name, secret in compose["secrets"].items():
        assert secret == {"file": f"secrets/{name}"}
    for service in compose["services"].values():
        for variable, value in service.get("environment", {}).items():
            if re.search("PASSWORD|TOKEN", variable):
                assert variable.endswith("_FILE")
                assert value.removeprefix("/run/secrets/") in service["secrets"]
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert "/secrets/" in ignored


def test_collector_and_pages_are_one_image_built_from_what_is_here(compose: dict[str, Any]) -> None:
    collector, pages = (compose["services"][name] for name in ("collector", "pages"))
    assert collector["build"] == pages["build"]
    assert collector["image"] == pages["image"]
    recipe = plain(collector["build"]["dockerfile_inline"]).splitlines()
    steps = [line.split() for line in recipe]
    assert [step[0] for step in steps] == ["FROM", "RUN", *["COPY"] * 4, "RUN", "USER", "WORKDIR"]
    copied = {name for step in steps if step[0] == "COPY" for name in step[1:-1]}
    assert all((ROOT / name).exists() for name in copied)
    assert {"collector", "api", "dashboards", "pyproject.toml", "README.md", "LICENSE"} == copied
    assert steps[0][1].startswith("python:3.")
    assert "vatside" in steps[-2]  # not root


def test_its_settings_are_settings(compose: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "vatside.toml"
    path.write_text(plain(compose["configs"]["vatside"]["content"]), encoding="utf-8")
    found = load(path, {"VATSIDE_INFLUX_TOKEN": TOKEN, "VATSIDE_BROKER_PASSWORD": PASSWORD})
    services = compose["services"]
    assert found.broker is not None
    assert found.influx is not None
    assert (found.broker.host, found.broker.port) == ("broker", 1883)
    assert found.influx.url == "http://influx:8086"
    environment = services["influx"]["environment"]
    assert found.influx.org == environment["DOCKER_INFLUXDB_INIT_ORG"]
    assert found.influx.bucket == environment["DOCKER_INFLUXDB_INIT_BUCKET"]
    assert (
        f"mosquitto_passwd -c -b /tmp/passwords {found.broker.username} "
        in (services["broker"]["command"][2])
    )
    for name in ("collector", "pages"):
        assert f"vatside-data:{found.store.folder}" in services[name]["volumes"]
    assert services["pages"]["ports"] == [f"127.0.0.1:{found.pages.port}:{found.pages.port}"]


# -- run for real ----------------------------------------------------------------------------


class Stage:
    """The services as processes: what Compose gives them is put in place under a folder."""

    def __init__(self, compose: dict[str, Any], folder: Path, influx_url: str) -> None:
        self.compose = compose
        self.folder = folder
        self.broker_port, self.pages_port = free_port(), free_port()
        self.kept = folder / "data"
        self.replaced = {
            "/run/secrets/": f"{folder}/secrets/",
            "/etc/vatside/": f"{folder}/etc/",
            "/mosquitto/config/": f"{folder}/etc/",
            "/mosquitto/data/": f"{folder}/broker/",
            "/tmp/passwords": f"{folder}/passwords",
            "mqtt://broker:1883": f"mqtt://127.0.0.1:{self.broker_port}",
            "listener 1883": f"listener {self.broker_port} 127.0.0.1",
            "mosquitto_sub ": f"mosquitto_sub -p {self.broker_port} ",
            "http://influx:8086": influx_url,
            '"/data"': f'"{self.kept}"',
            '"0.0.0.0"': '"127.0.0.1"',
            "8460": str(self.pages_port),
        }
        for name in ("secrets", "etc", "broker", "data"):
            (folder / name).mkdir()
        for name, secret in (("broker-password", PASSWORD), ("influx-token", TOKEN)):
            (folder / "secrets" / name).write_text(f"{secret}\n")
        for name, file in (("mosquitto", "mosquitto.conf"), ("vatside", "vatside.toml")):
            text = self.here(compose["configs"][name]["content"])
            if name == "mosquitto" and os.geteuid() == 0:
                text += "user root\n"
            (folder / "etc" / file).write_text(text)
        self.running: dict[str, subprocess.Popen[bytes]] = {}

    def here(self, text: str) -> str:
        """A text of the file with its places put where they are here."""
        text = plain(text)
        for there, here in self.replaced.items():
            text = text.replace(there, here)
        return text

    def command(self, words: list[str]) -> list[str]:
        """A command of the file, its program from this environment."""
        first, *rest = [self.here(word) for word in words]
        programs = {
            "vatside": [str(Path(sys.executable).parent / "vatside")],
            "python": [sys.executable],
        }
        return [*programs.get(first, [first]), *rest]

    def environment(self, name: str) -> dict[str, str]:
        service = self.compose["services"][name]
        own = {key: self.here(value) for key, value in service.get("environment", {}).items()}
        outer = {key: value for key, value in os.environ.items() if not key.startswith("VATSIDE_")}
        outer["PATH"] = f"{outer.get('PATH', '')}:/usr/sbin:/usr/local/sbin"
        return outer | own

    def start(self, name: str) -> None:
        with (self.folder / f"{name}.log").open("ab") as log:
            self.running[name] = subprocess.Popen(
                self.command(self.compose["services"][name]["command"]),
                env=self.environment(name),
                cwd=ROOT,
                stdout=log,
                stderr=log,
            )

    def well(self, name: str) -> bool:
        """What the service's own health check says."""
        kind, *words = self.compose["services"][name]["healthcheck"]["test"]
        command = ["sh", "-c", self.here(words[0])] if kind == "CMD-SHELL" else self.command(words)
        done = subprocess.run(
            command, env=self.environment(name), cwd=ROOT, capture_output=True, check=False
        )
        return done.returncode == 0

    def stop(self, name: str) -> int:
        process = self.running.pop(name)
        process.send_signal(signal.SIGTERM)
        return process.wait(30)

    def close(self) -> None:
        for process in self.running.values():
            process.kill()
            process.wait(10)


@pytest.fixture
def stage(compose: dict[str, Any], tmp_path: Path) -> Iterator[tuple[Stage, InfluxDouble]]:
    program("mosquitto")
    program("mosquitto_passwd")
    program("mosquitto_sub")
    with (
        InfluxDouble() as double,
        contextlib.closing(Stage(compose, tmp_path, double.url)) as opened,
    ):
        yield opened, double


@pytest.mark.services
def test_the_services_run_and_a_message_gets_from_the_broker_to_influx_and_the_pages(
    stage: tuple[Stage, InfluxDouble],
) -> None:
    running, double = stage
    assert running.compose["services"]["influx"]["environment"]["DOCKER_INFLUXDB_INIT_ORG"] == ORG
    assert not running.well("broker")
    running.start("broker")
    wait_until(lambda: running.well("broker"), "the broker is well", 60)
    assert not running.well("collector")
    running.start("collector")
    wait_until(lambda: running.well("collector"), "the collector is well", 60)
    login = replace(
        broker_settings(f"mqtt://127.0.0.1:{running.broker_port}", "a-sensor"),
        username="vatside",
        password=PASSWORD,
    )
    at_ms = time.time_ns() // 1_000_000 // 1_000 * 1_000
    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at_ms / 1_000))
    with Publisher(login) as sensor:
        sensor.publish("cellar/north/vat", json.dumps({"temperature": 21.5, "at": moment}).encode())
        sensor.publish("cellar/room/temperature", b"18.25")
    wait_until(lambda: double.values("vat-north") == {at_ms: 21.5}, "the reading is at the server")
    wait_until(lambda: len(double.values("room-temp")) == 1, "the other as well")
    running.start("pages")
    wait_until(lambda: running.well("pages"), "the pages are well", 60)
    address = f"http://127.0.0.1:{running.pages_port}/api/latest"
    with urllib.request.urlopen(address, timeout=20) as answer:
        text = answer.read().decode()
    assert "21.5" in text
    assert "18.25" in text
    assert running.stop("collector") == 0
    assert not running.well("collector")
    assert running.stop("pages") in (0, 130)
    assert running.stop("broker") == 0
    for name in ("collector", "pages", "broker"):
        log = (running.folder / f"{name}.log").read_text()
        assert "Traceback" not in log
        assert TOKEN not in log
        assert PASSWORD not in log
