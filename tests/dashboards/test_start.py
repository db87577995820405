"""How the parts are started: the embedded broker where the settings want it, guarded."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.config import load
from collector.errors import BrokerError
from collector.publisher import Publisher
from dashboards import start
from tests.brokers import broker_settings, free_port


def test_the_embedded_broker_listens_where_the_settings_say_and_asks_for_the_password(
    tmp_path: Path,
) -> None:
    path = tmp_path / "vatside.toml"
    port, port_mqtt5 = free_port(), free_port()
    path.write_text(
        f'[embedded_broker]\nport = {port}\nport_mqtt5 = {port_mqtt5}\nusername = "north"\n'
    )
    settings = load(path, {"VATSIDE_EMBEDDED_BROKER_PASSWORD": "frost"})
    with start.broker_for(settings) as url:
        assert url == f"mqtt://127.0.0.1:{port_mqtt5}" == settings.broker_or_embedded.url
        with Publisher(settings.broker_or_embedded) as publisher:
            publisher.publish("cellar/vat", b"20.5")
            publisher.drain()
        with pytest.raises(BrokerError):
            Publisher(broker_settings(url), connect_limit_s=1).start()


def test_a_broker_that_is_named_is_used_and_none_is_started(tmp_path: Path) -> None:
    path = tmp_path / "vatside.toml"
    path.write_text('[broker]\nurl = "mqtt://127.0.0.1:1"\n')
    with start.broker_for(load(path, {})) as url:
        assert url == "mqtt://127.0.0.1:1"
