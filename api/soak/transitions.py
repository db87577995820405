"""The phases of a soak run as a table: what may happen in which, and where it leads. Pure.

The rules that say when each cause comes about stand on top of ``engine``.
"""

from __future__ import annotations

import enum

from api.soak.state import Phase


class Cause(enum.StrEnum):
    """What moves a run from one phase to another, or may happen in it."""

    STARTED = "started"
    READING = "a reading"
    SETTLED = "settled"
    STEP_DONE = "step done"
    LAST_STEP_DONE = "last step done"
    LOOKED = "a look"
    TAKEN_OUT = "a specimen taken out"
    EDITED = "an edited program"
    RESTARTED = "another band for the step under way"
    EXTENDED = "further steps"
    ABANDONED = "abandoned"
    ENDED = "ended"


#: What may happen in which phase, and the phase it leads to; anything else is illegal.
TRANSITIONS: dict[Phase, dict[Cause, Phase]] = {
    Phase.NOT_STARTED: {Cause.STARTED: Phase.APPROACH},
    Phase.APPROACH: {
        Cause.READING: Phase.APPROACH,
        Cause.SETTLED: Phase.DWELL,
        Cause.LOOKED: Phase.APPROACH,
        Cause.TAKEN_OUT: Phase.APPROACH,
        Cause.EDITED: Phase.APPROACH,
        Cause.RESTARTED: Phase.APPROACH,
        Cause.ABANDONED: Phase.ABANDONED,
        Cause.ENDED: Phase.ABANDONED,
    },
    Phase.DWELL: {
        Cause.READING: Phase.DWELL,
        Cause.STEP_DONE: Phase.APPROACH,
        Cause.LAST_STEP_DONE: Phase.COOL_DOWN,
        Cause.LOOKED: Phase.DWELL,
        Cause.TAKEN_OUT: Phase.DWELL,
        Cause.EDITED: Phase.DWELL,
        Cause.RESTARTED: Phase.APPROACH,
        Cause.ABANDONED: Phase.ABANDONED,
        Cause.ENDED: Phase.ABANDONED,
    },
    Phase.COOL_DOWN: {
        Cause.READING: Phase.COOL_DOWN,
        Cause.LOOKED: Phase.COOL_DOWN,
        Cause.TAKEN_OUT: Phase.COOL_DOWN,
        Cause.EDITED: Phase.COOL_DOWN,
        Cause.EXTENDED: Phase.APPROACH,
        Cause.ABANDONED: Phase.ABANDONED,
        Cause.ENDED: Phase.FINISHED,
    },
    Phase.FINISHED: {Cause.LOOKED: Phase.FINISHED},
    Phase.ABANDONED: {Cause.LOOKED: Phase.ABANDONED},
}
