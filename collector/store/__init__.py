"""Where readings are kept: one contract, and one module per kind of store."""

from collector.store.contract import (
    Accounts,
    Appended,
    Arrival,
    Buckets,
    Change,
    Changes,
    CollectingStore,
    Coverage,
    Deliveries,
    Delivery,
    Gap,
    ReadingStore,
    Refusal,
    RefusedMessage,
    SensorState,
)

__all__ = [
    "Accounts",
    "Appended",
    "Arrival",
    "Buckets",
    "Change",
    "Changes",
    "CollectingStore",
    "Coverage",
    "Deliveries",
    "Delivery",
    "Gap",
    "ReadingStore",
    "Refusal",
    "RefusedMessage",
    "SensorState",
]
