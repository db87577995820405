"""Says over MQTT which machines may be started, for a lamp or a small display.

One retained JSON message a machine on ``vatside/<client_id>/ready/<machine>``, said again every
half minute. Each names the moment until which it is good, so that a display that hears no more
of us does not go on showing old advice; when we leave in order they are taken back. It advises;
it switches nothing.
"""

from __future__ import annotations

import json
import logging
import re
import threading
import unicodedata
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta

from api.causes.proportions import Share
from api.readiness import Readiness
from api.readiness_answers import readiness_of_all
from api.workshop import Workshop
from collector.config import BrokerSettings
from collector.errors import VatsideError
from collector.publisher import Publisher

#: How often the advice is said again [s], and when after a broker that was away.
EVERY_S, AFTER_FAULT_S = 30.0, 60.0

#: Advice is good for this many turns.
GOOD_FOR = 4

_log = logging.getLogger(__name__)


def topics_of(machines: Mapping[int, str], client_id: str) -> dict[int, str]:
    """The topic of each machine by its id: its name in small letters, the id where names clash."""
    levels = {id: _level(name) for id, name in machines.items()}
    taken = [*levels.values()]
    return {
        id: f"vatside/{client_id}/ready/{level if level and taken.count(level) == 1 else id}"
        for id, level in levels.items()
    }


def _level(name: str) -> str:
    """A machine's name as one level of a topic: a-z, 0-9 and hyphens."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")


def payload_of(found: Readiness, now: datetime, good_for_s: float) -> bytes:
    """What is said of one machine: advice, temperatures [°C], wait [min], risks and the words.

    A risk is a share with its 95 % interval, null where the log cannot tell it.
    """
    wait_min = None if found.wait_s is None else round(found.wait_s / 60)
    said = {
        "machine": found.machine,
        "advice": found.advice.value,
        "at": now.isoformat(),
        "good_until": (now + timedelta(seconds=good_for_s)).isoformat(),
        "vat_c": None if found.vat_c is None else round(found.vat_c, 1) + 0.0,
        "limit_c": None if found.limit is None else round(found.limit.from_c, 1) + 0.0,
        "limit_from": None if found.limit is None else found.limit.source.value,
        "wait_min": wait_min,
        "risk_now": _risk(found.risk_now),
        "risk_then": _risk(found.risk_then),
        "sentences": list(found.sentences),
    }
    return json.dumps(said, ensure_ascii=False).encode()


def _risk(share: Share | None) -> dict[str, float] | None:
    if share is None:
        return None
    ends = {"share": share.share, "from": share.lo, "to": share.hi}
    return {name: round(value, 3) for name, value in ends.items()}


class ReadyMessages:
    """Publishes the advice in a thread of its own for as long as it is open."""

    def __init__(
        self,
        workshop: Workshop,
        broker: BrokerSettings,
        *,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        every_s: float = EVERY_S,
    ) -> None:
        self._workshop = workshop
        self._broker = broker
        self._clock = clock
        self._every_s = every_s
        self._stopping = threading.Event()
        self._said: set[str] = set()
        self._thread = threading.Thread(target=self._run, name="ready messages", daemon=True)

    def start(self) -> None:
        """Begin in the background; a broker that is away is tried again."""
        self._thread.start()

    def stop(self) -> None:
        """Take back what was said, and end."""
        self._stopping.set()
        self._thread.join(timeout=10)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with Publisher(self._broker) as publisher:
                    while not self._stopping.is_set():
                        self._say(publisher)
                        self._stopping.wait(self._every_s)
                    self._publish(publisher, {})
            except VatsideError as fault:
                _log.warning("readiness is not published: %s", fault)
                self._stopping.wait(AFTER_FAULT_S)

    def _say(self, publisher: Publisher) -> None:
        now = self._clock()
        found = readiness_of_all(self._workshop, now)
        topics = topics_of({id: one.machine for id, one in found}, self._broker.client_id)
        good_for_s = GOOD_FOR * self._every_s
        self._publish(
            publisher, {topics[id]: payload_of(one, now, good_for_s) for id, one in found}
        )

    def _publish(self, publisher: Publisher, messages: Mapping[str, bytes]) -> None:
        """Say these, and take back what was said of machines that are not among them."""
        taken_back = dict.fromkeys(self._said - messages.keys(), b"")
        for topic, payload in {**taken_back, **messages}.items():
            publisher.publish(topic, payload, retain=True)
        publisher.drain()
        self._said = {*messages}
