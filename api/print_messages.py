"""Takes prints from MQTT messages: one JSON form, known again by its key.

On ``vatside/prints`` a program at the printer, a button or a script sends a JSON object::

    {"key": "north-0142", "machine": "North", "resin": "Harbour Grey",
     "start": "2026-01-14T19:30:00Z", "settings": {"layer_height_mm": 0.05}}

``key`` names the print for good. The first message with a key puts the print on record; each
later one corrects it, field by field (RFC 7396), such as its ``end`` or its ``parts``. Machine,
resin and plate are given by name or id, the bottle by lot or id; everything else as in
``POST /api/prints``. A message that comes again changes nothing. One that makes no sense is
refused and taken from the broker all the same; it is kept with its reason until somebody
corrects or dismisses it.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from api.checked import checked
from api.prints import Print
from api.record import Kept, Record
from api.record.ledger import KEY_MAX
from api.record.refused_prints import Settled
from api.routes.asking import merge
from collector.config import BrokerSettings
from collector.errors import InvalidError, StoreError, VatsideError

if TYPE_CHECKING:
    from collector.inbox import Message

#: Where prints are sent to.
TOPIC = "vatside/prints"

#: The longest message that is taken [bytes].
MOST_BYTES = 65_536

TAKE_WAIT_S = 0.5
AFTER_FAULT_S = 5.0

_log = logging.getLogger(__name__)


def take_print(record: Record, payload: bytes) -> Kept[Print]:
    """Put the print of a message on record, or correct it when its key is known.

    Raises ``InvalidError`` naming the field, ``ConflictError`` and ``StoreError``.
    """
    fields = _fields_of(payload)
    key = fields.pop("key", None)
    if not (isinstance(key, str) and 0 < len(key) <= KEY_MAX):
        raise InvalidError(
            "the message has no key",
            where="key",
            remedy=f"Give a text of 1 to {KEY_MAX} characters that names this print for good.",
        )
    with record.transaction():
        named = _by_id(record, fields)
        before = record.prints.made_with_key(key)
        if before is None:
            return record.prints.add(checked(Print, merge({}, named)), key=key)
        merged = merge(before.entry.model_dump(mode="json"), named)
        return record.prints.change(before.id, checked(Print, merged))


def take_refused(
    record: Record, number: int, message: Mapping[str, Any] | bytes | None = None
) -> Kept[Print]:
    """Take a message that was refused, as ``message`` should have been, else as it came.

    Raises as :func:`take_print` does and then leaves it waiting; ``NotFoundError``, and
    ``ConflictError`` when it was seen to already.
    """
    with record.transaction():
        refused = record.refused_prints.open(number)
        if message is None and refused.bytes_n > len(refused.payload):
            raise InvalidError(
                f"only the beginning of its {refused.bytes_n:,} bytes was kept",
                where="message",
                remedy="Write out what it should have said, or dismiss it.",
            )
        payload = refused.payload if message is None else message
        if not isinstance(payload, bytes):
            payload = json.dumps(payload).encode()
        kept = take_print(record, payload)
        record.refused_prints.settle(number, Settled.TAKEN, kept.id)
        return kept


def _fields_of(payload: bytes) -> dict[str, Any]:
    if len(payload) > MOST_BYTES:
        raise InvalidError(
            f"the message has {len(payload)} bytes",
            where="message",
            remedy=f"Send at most {MOST_BYTES}.",
        )
    try:
        fields = json.loads(payload)
    except (ValueError, RecursionError):
        fields = None
    if not isinstance(fields, dict):
        raise InvalidError(
            "the message is no JSON object", where="message", remedy="Send one, in UTF-8."
        )
    return fields


def _by_id(record: Record, fields: Mapping[str, Any]) -> dict[str, Any]:
    """The fields with ids in the place of names."""
    found = dict(fields)
    ledgers = {
        "machine": record.machines.named,
        "resin": record.resins.named,
        "plate": record.plates.named,
    }
    for kind, named in ledgers.items():
        name = found.get(kind)
        if isinstance(name, str):
            kept: Kept[Any] | None = named(name)
            if kept is None:
                raise _unknown(kind, name)
            found[kind] = kept.id
    lot, resin = found.get("bottle"), found.get("resin")
    if isinstance(lot, str):
        bottle = record.bottles.of_lot(resin, lot) if isinstance(resin, int) else None
        if bottle is None:
            raise _unknown("bottle", lot)
        found["bottle"] = bottle.id
    return found


def _unknown(kind: str, name: str) -> InvalidError:
    return InvalidError(
        f"there is no {kind} named {name[:80]} on record",
        where=kind,
        remedy=f"Put the {kind} on record first. A bottle is sent with its resin.",
    )


def _reason(fault: VatsideError) -> str:
    """A fault as a sentence that is kept: place, what was wrong, what to do."""
    stop = "" if fault.what.endswith((".", "!", "?")) else "."
    place = f"{fault.where}: " if fault.where else ""
    return f"{place}{fault.what}{stop} {fault.remedy or ''}".rstrip()


class PrintMessages:
    """Takes prints from a broker in a thread of its own for as long as it is open.

    The broker keeps what is sent while we are away; a message is acknowledged when its print is
    on record or it was refused. ``taken_n`` and ``refused_n`` count both.
    """

    def __init__(self, record: Record, broker: BrokerSettings) -> None:
        self._record = record
        name = f"{broker.client_id}-prints"
        from collector.subscriber import Subscriber

        self._subscriber = Subscriber(replace(broker, client_id=name, share_group=None), [TOPIC])
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="print messages", daemon=True)
        self.taken_n = 0
        self.refused_n = 0

    @property
    def listening(self) -> bool:
        """Whether the broker sends us what comes now."""
        return self._subscriber.link.subscribed

    def start(self) -> None:
        """Begin in the background; a broker that is away is tried again."""
        self._subscriber.start()
        self._thread.start()

    def stop(self) -> None:
        """Finish the message at hand, and leave."""
        self._stopping.set()
        self._thread.join(timeout=10)
        self._subscriber.stop()

    def _run(self) -> None:
        while not self._stopping.is_set():
            for message in self._subscriber.take(1, TAKE_WAIT_S):
                self._take_until_settled(message)

    def _take_until_settled(self, message: Message) -> None:
        """Take one message; while the record cannot be written it is tried again."""
        while not self._stopping.is_set():
            try:
                self._take(message)
            except StoreError as fault:
                _log.warning("a print that came by message waits: %s", fault)
                self._stopping.wait(AFTER_FAULT_S)
                continue
            self._subscriber.acknowledge([message])
            return

    def _take(self, message: Message) -> None:
        """Put a message's print on record, or keep the message with the reason why not."""
        try:
            take_print(self._record, message.payload)
            self.taken_n += 1
        except StoreError:
            raise
        except VatsideError as fault:
            self._record.refused_prints.add(message.topic, message.payload, _reason(fault))
            self.refused_n += 1
            _log.warning("a print that came on %s was refused: %s", message.topic, fault)
