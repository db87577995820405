"""The demo's way to the api: plain HTTP, as any script of a user's own would do it."""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.parse
import urllib.request
from dataclasses import dataclass
from typing import Any

from collector.errors import ConflictError, NotFoundError, VatsideError

ANSWER_LIMIT_S = 20.0
READY_LIMIT_S = 60.0


class ApiSilentError(VatsideError):
    """The api does not answer, or has nothing to answer from yet (503)."""

    status = 503


@dataclass(frozen=True, slots=True)
class Answer:
    """What the api said: the JSON body (an object or a list) and the ETag, if it gave one."""

    body: Any
    etag: str = ""


@dataclass(frozen=True, slots=True)
class ApiClient:
    """Requests to the api at ``url`` (``http://HOST:PORT``).

    Every method raises ``ApiSilentError`` for no answer or 503, ``NotFoundError`` for 404,
    ``ConflictError`` for 409 and ``VatsideError`` for any other refusal.
    """

    url: str

    def get(self, path: str, **query: str) -> Answer:
        """What stands there."""
        return self._ask("GET", f"{path}?{urllib.parse.urlencode(query)}" if query else path)

    def make(self, path: str, body: object, key: str) -> int:
        """Put something new on record and give its id; the same key makes nothing twice."""
        made = self._ask("POST", path, body, {"Idempotency-Key": key}).body
        return int(made["id"])

    def correct(self, path: str, body: object, etag: str) -> None:
        """Change something, provided nobody changed it since ``etag`` was given."""
        self._ask("PATCH", path, body, {"If-Match": etag})

    def wait_until_ready(self, limit_s: float = READY_LIMIT_S) -> None:
        """Wait until the api answers."""
        end_s = time.monotonic() + limit_s
        while True:
            try:
                self.get("/api/resins")
                return
            except ApiSilentError:
                if time.monotonic() > end_s:
                    raise
                time.sleep(0.1)

    def _ask(
        self, method: str, path: str, body: object = None, headers: dict[str, str] | None = None
    ) -> Answer:
        sent = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            self.url.rstrip("/") + path,
            data=sent,
            method=method,
            headers={"Content-Type": "application/json", **(headers or {})},
        )
        try:
            with urllib.request.urlopen(request, timeout=ANSWER_LIMIT_S) as answer:
                return Answer(json.loads(answer.read()), answer.headers.get("ETag", ""))
        except urllib.error.HTTPError as refusal:
            with refusal:
                raise _refusal(refusal.code, refusal.read(), f"{method} {path}") from None
        except (urllib.error.URLError, TimeoutError, ConnectionError) as fault:
            raise ApiSilentError(
                f"The api does not answer ({fault}).",
                where=self.url,
                remedy="Start the pages first, or name the address they are served on.",
            ) from None


def _refusal(status: int, body: bytes, where: str) -> VatsideError:
    """The error that a problem document (RFC 9457) stands for."""
    try:
        problem = json.loads(body)
        what = str(problem.get("detail") or problem.get("title"))
    except (ValueError, AttributeError):
        what = f"The api answers with status {status}."
    kind = {404: NotFoundError, 409: ConflictError, 503: ApiSilentError}.get(status, VatsideError)
    return kind(what, where=where)
