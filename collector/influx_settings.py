"""The table ``[influx]``: which InfluxDB 2 keeps the readings, instead of a file here."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from collector.secret_files import secret
from collector.settings_file import Table, shown

#: Its keys, and what they mean.
INFLUX_SETTINGS: Mapping[str, str] = {
    "influx.url": "http://HOST:PORT of an InfluxDB 2 that keeps the readings, or https://",
    "influx.org": "its organization",
    "influx.bucket": "its bucket; vatside when left out",
    "influx.measurement": "name of the measurement; reading when left out",
    "influx.spool_limit_mb": "most that waits on disk while the server is away, in MB; 1024",
}

TOKEN = "VATSIDE_INFLUX_TOKEN"


@dataclass(frozen=True, slots=True)
class InfluxSettings:
    """An InfluxDB 2 and what we may say there. The token never shows in a ``repr``."""

    url: str
    org: str
    token: str = field(repr=False)
    bucket: str = "vatside"
    measurement: str = "reading"
    spool_limit_mb: int = 1_024


def influx_of(table: Table, environ: Mapping[str, str]) -> InfluxSettings:
    """The table read and checked; raises ``SettingsError``."""
    table.check_keys(key.partition(".")[2] for key in INFLUX_SETTINGS)
    for key, example in (("url", "http://127.0.0.1:8086"), ("org", "cellar")):
        if key not in table.values:
            raise table.error(None, f"the server has no {key}.", f'Add {key} = "{example}".')
    token = secret(environ, TOKEN)
    if token is None:
        raise table.error(None, "there is no token for it.", f"Put one into {TOKEN}.")
    if re.search(r"\s", token) or not token.isascii():
        raise table.error(
            None, "the token holds a space or a letter that none has.", f"Look at {TOKEN} again."
        )
    return InfluxSettings(
        url=_url(table, table.text("url") or ""),
        org=table.text("org") or "",
        token=token,
        bucket=_name(table, "bucket") or "vatside",
        measurement=_name(table, "measurement") or "reading",
        spool_limit_mb=table.whole("spool_limit_mb", 1, 1_048_576, 1_024),
    )


def _url(table: Table, url: str) -> str:
    remedy = "Write http://HOST:PORT, or https://HOST:PORT."
    if "@" in url:
        raise table.error("url", "a name or password stands in the address.", table.password_advice)
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as fault:
        raise table.error("url", f"{shown(url)} is no address: {fault}.", remedy) from None
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0:
        raise table.error("url", f"{shown(url)} is no address of a server.", remedy)
    if re.search(r"\s", url) or parts.query or parts.fragment:
        raise table.error("url", f"{shown(url)} goes on after the path.", remedy)
    return url.rstrip("/")


def _name(table: Table, key: str) -> str | None:
    """A name for bucket or measurement that line protocol and Flux take as it is."""
    name = table.text(key)
    if name is not None and not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,63}", name):
        raise table.error(
            key,
            f"{shown(name)} is no name for it.",
            "Use letters, digits, spaces and . _ - only, beginning with a letter or digit.",
        )
    return name
