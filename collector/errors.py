"""Every error that vatside raises on purpose.

::

    VatsideError
    ├── SettingsError      vatside.toml or the environment is wrong
    ├── PayloadError       a sensor message cannot be read
    ├── BrokerError        the MQTT broker refuses us or cannot be started
    ├── StoreError         the readings cannot be written or read
    ├── ChartError         a chart cannot be drawn
    ├── InvalidError       something entered does not make sense       (422)
    ├── NotFoundError      there is no such thing on record            (404)
    └── ConflictError      it clashes with what is on record           (409)

Each says what was wrong, where (topic, file and line, row, field) and what to do about it.
``status`` is the HTTP status that the one error handler of the api answers with.
"""

from __future__ import annotations

from typing import ClassVar


class VatsideError(Exception):
    """Something went wrong that a person can act on: ``what``, ``where`` and ``remedy``."""

    status: ClassVar[int] = 500
    title: ClassVar[str] = "vatside could not do that"

    def __init__(self, what: str, *, where: str | None = None, remedy: str | None = None) -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(what)

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        if not self.remedy:
            return f"{place}{self.what}"
        stop = "" if self.what.endswith((".", "!", "?", ":")) else "."
        return f"{place}{self.what}{stop} {self.remedy}"


class SettingsError(VatsideError):
    """The settings file or an environment variable is wrong."""

    title = "The settings are wrong"


class PayloadError(VatsideError):
    """A sensor message cannot be read; ``what`` is the reason kept with the refused message."""

    status = 422
    title = "The message cannot be read"


class BrokerError(VatsideError):
    """The MQTT broker refuses us, or the embedded one cannot be started."""

    status = 503
    title = "The broker is not available"


class StoreError(VatsideError):
    """The store of readings cannot be written or read."""

    status = 503
    title = "The store is not available"


class ChartError(VatsideError):
    """A chart cannot be drawn for paper."""

    status = 503
    title = "The chart cannot be drawn"


class InvalidError(VatsideError):
    """Something that was entered does not make sense; ``where`` names the field."""

    status = 422
    title = "That does not make sense"


class NotFoundError(VatsideError):
    """There is no such thing on record."""

    status = 404
    title = "Not on record"


class ConflictError(VatsideError):
    """It clashes with what is on record already."""

    status = 409
    title = "That clashes with the record"
