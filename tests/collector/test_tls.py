"""TLS with an authority of one's own, client certificates and passwords, at a real Mosquitto."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from collector.config import BrokerSettings, load
from collector.errors import BrokerError, SettingsError
from collector.publisher import Publisher
from collector.subscriber import Subscriber, wait_until_subscribed
from collector.tls import tls_context
from tests.brokers import free_port, mosquitto, wait_until
from tests.recordings import program


class Authority:
    """A certificate authority of our own, and what it signs: PEM files in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        self._openssl(
            *("req", "-x509", *NEW_KEY, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2"),
            *("-subj", "/CN=Cellar authority"),
            *("-addext", "keyUsage=critical,keyCertSign,cRLSign"),
        )

    def sign(self, name: str, host: str | None = None) -> None:
        """A key and a certificate for a name: NAME.key and NAME.pem."""
        self._openssl(
            *("req", "-new", *NEW_KEY, "-keyout", f"{name}.key", "-out", f"{name}.csr"),
            *("-subj", f"/CN={name}"),
        )
        uses = "serverAuth" if host else "clientAuth"
        names = f"subjectAltName=IP:{host}\n" if host else ""
        (self.folder / "uses").write_text(f"extendedKeyUsage={uses}\n{names}")
        self._openssl(
            *("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key"),
            *("-CAcreateserial", "-days", "2", "-extfile", "uses", "-out", f"{name}.pem"),
        )

    def _openssl(self, *arguments: str) -> None:
        done = subprocess.run(
            [program("openssl"), *arguments], cwd=self.folder, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr


NEW_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")


@contextmanager
def guarded_broker(folder: Path, *lines: str) -> Iterator[tuple[Path, int]]:
    """A Mosquitto with a TLS listener; the folder of the certificates and its port."""
    authority = Authority(folder / "keys")
    authority.sign("broker", "127.0.0.1")
    authority.sign("collector")
    keys, port = authority.folder, free_port()
    listener = [
        f"listener {port} 127.0.0.1",
        f"cafile {keys / 'ca.pem'}",
        f"certfile {keys / 'broker.pem'}",
        f"keyfile {keys / 'broker.key'}",
    ]
    with mosquitto(folder / "broker", [*listener, *lines]):
        yield keys, port


def settings_of(folder: Path, port: int, *lines: str) -> BrokerSettings:
    """The [broker] table as a person writes it, read from the file."""
    path = folder / "vatside.toml"
    path.write_text("\n".join(["[broker]", f'url = "mqtts://127.0.0.1:{port}"', *lines, ""]))
    broker = load(path, {}).broker
    assert broker is not None
    return broker


@contextmanager
def trying(broker: BrokerSettings) -> Iterator[Subscriber]:
    subscriber = Subscriber(broker, ["cellar/#"])
    subscriber.start()
    try:
        yield subscriber
    finally:
        subscriber.stop()


@pytest.mark.services
def test_with_our_authority_and_our_certificate_it_listens(tmp_path: Path) -> None:
    with guarded_broker(tmp_path, "require_certificate true") as (_, port):
        broker = settings_of(
            tmp_path,
            port,
            'ca_file = "keys/ca.pem"',
            'certificate_file = "keys/collector.pem"',
            'key_file = "keys/collector.key"',
        )
        with trying(broker) as subscriber:
            wait_until_subscribed(subscriber, 10)
            with Publisher(broker) as publisher:
                publisher.publish("cellar/vat", b"20.5")
                publisher.drain()
            (got,) = subscriber.take(1, 10)
            assert got.payload == b"20.5"
        with trying(replace(broker, certificate_file=None, key_file=None)) as stranger:
            wait_until(lambda: stranger.link.fault is not None, "it is turned away")
            assert not stranger.link.subscribed


@pytest.mark.services
def test_a_broker_of_another_authority_or_another_name_is_not_believed(tmp_path: Path) -> None:
    with guarded_broker(tmp_path) as (_, port):
        Authority(tmp_path / "others")
        for ca_file in ("", 'ca_file = "others/ca.pem"'):
            with trying(settings_of(tmp_path, port, ca_file)) as subscriber:
                wait_until(
                    lambda s=subscriber: "certificate is not accepted" in (s.link.fault or ""),  # type: ignore[misc]
                    "the fault is said",
                )
        right = settings_of(tmp_path, port, 'ca_file = "keys/ca.pem"')
        with trying(replace(right, host="localhost")) as subscriber:
            wait_until(lambda: "not valid for" in (subscriber.link.fault or ""), "it is said")
        with pytest.raises(BrokerError):
            Publisher(settings_of(tmp_path, port), connect_limit_s=1).start()


@pytest.mark.services
def test_name_and_password(tmp_path: Path) -> None:
    words = tmp_path / "words"
    words.touch()
    subprocess.run(
        [program("mosquitto_passwd"), "-b", str(words), "north", "frost"],
        check=True,
        capture_output=True,
    )
    with mosquitto(tmp_path / "broker", ["allow_anonymous false", f"password_file {words}"]) as it:
        path = tmp_path / "vatside.toml"
        path.write_text(f'[broker]\nurl = "{it.url}"\nusername = "north"\n')
        right = load(path, {"VATSIDE_BROKER_PASSWORD": "frost"}).broker
        wrong = load(path, {"VATSIDE_BROKER_PASSWORD": "thaw"}).broker
        assert right is not None
        assert wrong is not None
        with trying(right) as subscriber:
            wait_until_subscribed(subscriber, 10)
        with trying(wrong) as stranger:
            wait_until(lambda: "refuses us" in (stranger.link.fault or ""), "it is said")


def test_files_that_are_no_certificates_are_told(tmp_path: Path) -> None:
    (tmp_path / "empty.pem").touch()
    for key in ("ca_file", "certificate_file"):
        broker = settings_of(tmp_path, 1, f'{key} = "empty.pem"')
        with pytest.raises(SettingsError, match=f"{key}.*cannot be used.*PEM"):
            tls_context(broker)
        with pytest.raises(SettingsError, match="cannot be used"):
            Subscriber(broker, ["cellar/#"])


@pytest.mark.services
def test_a_locked_key_is_told_and_asks_nobody(tmp_path: Path) -> None:
    authority = Authority(tmp_path / "keys")
    authority.sign("collector")
    authority._openssl(
        *("ec", "-in", "collector.key", "-aes256", "-passout", "pass:frost", "-out", "locked.key")
    )
    lines = ('certificate_file = "keys/collector.pem"', 'key_file = "keys/locked.key"')
    with pytest.raises(SettingsError, match="locked with a passphrase"):
        tls_context(settings_of(tmp_path, 1, *lines))
