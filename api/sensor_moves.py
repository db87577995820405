"""A sensor that moves from one machine to another: one link ends where the other begins."""

from __future__ import annotations

from datetime import datetime

from api.checked import checked
from api.record import ChannelLink, Machine, Record
from collector.readings import Role


def move_sensor(
    record: Record, channel: str, role: Role, *, to: int, at: datetime, revision: int | None = None
) -> int | None:
    """Link a channel to machine ``to`` from ``at`` on, as one change of the record.

    Its link to another machine that holds then ends there; what else measured the role on the
    new machine ends as well. A link that was to end later ends then for the new machine.
    Gives the machine it came from, if it sat on one. Raises ``NotFoundError``, and
    ``ConflictError`` where ``revision`` is not the new machine's or a later link stands in the way.
    """
    with record.transaction():
        came_from, until = None, None
        for kept in record.machines.all():
            held = [one for one in kept.entry.channels if one.channel == channel and one.holds(at)]
            if kept.id != to and held:
                came_from, until = kept.id, held[0].until
                record.machines.change(kept.id, _ended(kept.entry, held[0], at))
        machine = record.machines.get(to).entry
        for one in machine.channels:
            if one.holds(at) and (one.role is role or one.channel == channel):
                machine = _ended(machine, one, at)
        link = ChannelLink(channel=channel, role=role, since=at, until=until)
        links = (*machine.channels, link)
        moved = checked(Machine, {**machine.model_dump(), "channels": links})
        record.machines.change(to, moved, revision=revision)
        return came_from


def _ended(machine: Machine, link: ChannelLink, at: datetime) -> Machine:
    """The machine with a link that ends at a moment; one that began just then goes."""
    ends = () if link.since == at else (link.model_copy(update={"until": at}),)
    channels = tuple(one for one in machine.channels if one is not link)
    return machine.model_copy(update={"channels": (*channels, *ends)})
