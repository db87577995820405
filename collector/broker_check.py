"""Whether a broker lets us in and takes our topic filters, asked without disturbing anything."""

from __future__ import annotations

import secrets
import socket
import sys
import threading
from collections.abc import Iterable
from typing import Any

from collector import broker_words, topics
from collector.config import BrokerSettings
from collector.errors import BrokerError
from collector.subscriber import NO_RETAINED, client_for, connect


def answers(broker: BrokerSettings) -> bool:
    """Whether anything listens at the broker's address."""
    try:
        socket.create_connection((broker.host, broker.port), timeout=2.0).close()
    except OSError:
        return False
    return True


def refused_filters(
    broker: BrokerSettings, filters: Iterable[str], limit_s: float = 10.0
) -> dict[str, str]:
    """The topic filters that a broker refuses us, with its reasons; for a check.

    Asks under a name, in a session and in share groups of its own, so that nothing is taken
    away from a collector that runs. Raises ``BrokerError`` when the broker does not let us in.
    """
    name = f"{broker.client_id}-check-{secrets.token_hex(4)}"
    asked = [
        topics.shared(topics.unshared(f), name) if _is_shared(f, broker) else f for f in filters
    ]
    wanted = list(topics.needed(asked))
    answered = threading.Event()
    refused: dict[str, str] = {}
    fault = ["there is no answer"]

    def connected(_: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        if reason.is_failure:
            fault[0] = broker_words.refused(reason.value, str(reason), broker)
            answered.set()
            return
        if wanted:
            client.subscribe_to(wanted, NO_RETAINED)
        else:
            fault.clear()
            answered.set()

    def subscribed(_: Any, __: Any, ___: Any, reasons: list[Any], ____: Any) -> None:
        for one, reason in zip(wanted, reasons, strict=False):
            if reason.is_failure:
                refused[topics.unshared(one)] = str(reason)
        fault.clear()
        answered.set()

    def failed(*_: Any) -> None:
        fault[0] = broker_words.no_connection(sys.exception(), broker)
        answered.set()

    def ended(*_: Any) -> None:
        if not answered.is_set():
            fault[0] = broker_words.ended_unheard(broker)
            answered.set()

    client = client_for(broker, name)
    client.on_connect = connected
    client.on_connect_fail = failed
    client.on_disconnect = ended
    client.on_subscribe = subscribed
    connect(client, broker, keep_session=False)
    answered.wait(limit_s)
    client.disconnect()
    client.loop_stop()
    if fault:
        raise BrokerError(
            f"{fault[0]}.",
            where=broker.url,
            remedy="Check that the broker runs and that [broker] in vatside.toml is right.",
        )
    return refused


def _is_shared(topic_filter: str, broker: BrokerSettings) -> bool:
    return topics.shared(topic_filter, broker.share_group).startswith(topics.SHARE)
