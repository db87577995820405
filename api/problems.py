"""Every error as ``application/problem+json`` (RFC 9457), and never a traceback.

One table of rules:

* an error of ours carries its own status, place and remedy;
* what the web framework refuses (fields, methods, paths) is put into the same form;
* anything else is a fault of ours: 500, with a reference that stands in the log beside it.
"""

from __future__ import annotations

import asyncio
import logging
import re
import secrets
from collections.abc import Callable, Iterable
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.routing import compile_path
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.checked import field_name, remedy_for, sentence
from collector.errors import VatsideError

log = logging.getLogger(__name__)

#: The largest body of a request that is taken [bytes] ...
BODY_MAX = 1_048_576

#: ... and at addresses that end like these: pictures, tables, whole records.
BODY_MAX_AT = {
    "/photographs": 17 * 1_048_576,
    "/prints/import": 16 * 1_048_576,
    "/api/record": 128 * 1_048_576,
}

#: How long a client may leave us waiting for the next piece of a body [s].
BODY_WAIT_S = 30.0

#: Sent with everything that says nothing else of it: what is sent is what it is declared as, and
#: no other page shows it within itself.
HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"content-security-policy", b"frame-ancestors 'none'"),
)

#: How many wrong fields of one request are named.
FAULTS_MAX = 20


class Fault(BaseModel):
    """One wrong field of a request."""

    where: str | None = None
    detail: str
    remedy: str | None = None


class Problem(BaseModel):
    """What went wrong, where, and what to do about it (RFC 9457)."""

    type: str = Field(examples=["urn:vatside:conflict"])
    title: str = Field(examples=["That clashes with the record"])
    status: int = Field(examples=[409])
    detail: str = Field(examples=["print 7 has been changed since revision 2"])
    where: str | None = Field(None, examples=["print"])
    remedy: str | None = Field(None, examples=["Reload it and make your correction again."])
    faults: list[Fault] = Field([], description="Every wrong field, where there are several.")
    reference: str | None = Field(None, description="Stands in the log beside a fault of ours.")


#: Makes the answer of a problem for a person's browser; None leaves it as JSON.
Shown = Callable[[Request, Problem], Response | None]


def problem_of(error: VatsideError) -> Problem:
    """An error of ours as a problem."""
    return Problem(
        type=f"urn:vatside:{_slug(type(error).__name__)}",
        title=error.title,
        status=error.status,
        detail=error.what,
        where=error.where,
        remedy=error.remedy,
    )


def _slug(name: str) -> str:
    """``NotFoundError`` as ``not-found``."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", name.removesuffix("Error")).lower()


def _problem_of_request(error: RequestValidationError) -> Problem:
    """What the web framework found wrong with path, query, headers or body."""
    errors = error.errors()
    if errors[0]["type"] == "json_invalid":
        return Problem(
            type="urn:vatside:malformed",
            title="That is not JSON",
            status=HTTPStatus.BAD_REQUEST,
            detail=f"the body cannot be read as JSON: {errors[0]['ctx']['error']}",
            where=f"body, character {errors[0]['loc'][-1]}",
            remedy="Send well-formed JSON.",
        )
    faults = [
        Fault(
            where=field_name(fault["loc"][1:]),
            detail=sentence(fault["msg"]),
            remedy=remedy_for(fault["type"]),
        )
        for fault in errors[:FAULTS_MAX]
    ]
    return Problem(
        type="urn:vatside:invalid",
        title="That does not make sense",
        status=HTTPStatus.UNPROCESSABLE_ENTITY,
        detail=faults[0].detail,
        where=faults[0].where,
        remedy=faults[0].remedy,
        faults=faults,
    )


_REMEDIES = {
    HTTPStatus.BAD_REQUEST: "Check the body and its Content-Type; /api/docs shows an example.",
    HTTPStatus.NOT_FOUND: "Check the address; /api/docs lists every one.",
    HTTPStatus.METHOD_NOT_ALLOWED: "Use another method; /api/docs lists what each address takes.",
    HTTPStatus.REQUEST_TIMEOUT: "Send it again, whole.",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: f"Send at most {BODY_MAX // 1024} KiB in one request; "
    f"a picture may have {BODY_MAX_AT['/photographs'] // 1_048_576 - 1} MiB.",
}


def _problem_of_http(error: HTTPException) -> Problem:
    status = HTTPStatus(error.status_code)
    return Problem(
        type=f"urn:vatside:{status.phrase.lower().replace(' ', '-')}",
        title=status.phrase,
        status=status,
        detail=error.detail if error.detail != status.phrase else status.description,
        remedy=_REMEDIES.get(status),
    )


def _problem_of_fault(error: Exception, path: str) -> Problem:
    """A fault of ours: the log gets the traceback, the user a reference to it."""
    reference = secrets.token_hex(4)
    log.error("fault %s at %s", reference, path, exc_info=error)
    return Problem(
        type="urn:vatside:fault",
        title="vatside made a mistake",
        status=HTTPStatus.INTERNAL_SERVER_ERROR,
        detail="something went wrong inside vatside; nothing was half written",
        remedy=f"Try again. If it stays, look for {reference} in vatside's log.",
        reference=reference,
    )


def _not_allowed(request: Request) -> HTTPException | None:
    """The refusal of a method that the address of the api does not take; None: it takes it.

    The framework lets ``PATCH /api/breaks/groups`` through to ``PATCH /api/breaks/{id}``, and
    names the methods of the first route of an address alone.
    """
    path, paths = request.url.path, request.app.openapi()["paths"]
    found = paths.get(path) or next(
        (verbs for form, verbs in paths.items() if compile_path(form)[0].match(path)), None
    )
    if found is None or request.method.lower() in found:
        return None
    allowed = ", ".join(verb.upper() for verb in found)
    return HTTPException(HTTPStatus.METHOD_NOT_ALLOWED, headers={"Allow": allowed})


def _answer(request: Request, problem: Problem, shown: Shown | None) -> Response:
    if shown is not None and not request.url.path.startswith("/api"):
        page = shown(request, problem)
        if page is not None:
            return page
    return response_of(problem)


def response_of(problem: Problem) -> JSONResponse:
    """A problem as it is sent to a program."""
    return JSONResponse(
        problem.model_dump(exclude_none=True, exclude_defaults=True),
        status_code=problem.status,
        media_type="application/problem+json",
    )


def answer_with_problems(app: FastAPI, shown: Shown | None = None) -> None:
    """Make an app answer every error with a problem.

    ``shown`` may turn a problem outside /api into a page.
    """

    def ours(request: Request, error: Exception) -> Response:
        assert isinstance(error, VatsideError)
        return _answer(request, problem_of(error), shown)

    def fields(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        refused = _not_allowed(request)
        if refused is not None:
            return web(request, refused)
        return _answer(request, _problem_of_request(error), shown)

    def web(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
            error = _not_allowed(request) or error
        answer = _answer(request, _problem_of_http(error), shown)
        answer.headers.update(error.headers or {})
        return answer

    app.add_exception_handler(VatsideError, ours)
    app.add_exception_handler(RequestValidationError, fields)
    app.add_exception_handler(HTTPException, web)
    app.add_middleware(Guard, shown=shown)
    _document_problems(app)


def _document_problems(app: FastAPI) -> None:
    """Put the shape of a problem into the OpenAPI document; every route refers to it."""
    plain = app.openapi

    def openapi() -> dict[str, Any]:
        document = plain()
        schema = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas = document.setdefault("components", {}).setdefault("schemas", {})
        schemas |= {**schema.pop("$defs"), "Problem": schema}
        _replace_framework_faults(document)
        return document

    app.openapi = openapi  # type: ignore[method-assign]


class Guard:
    """Refuses bodies that are too large or do not come, and turns any other fault into a problem.

    It stands outside everything else, so that not even a fault of the framework shows, and sees
    to the headers that everything is sent with.
    """

    def __init__(self, app: ASGIApp, shown: Shown | None = None) -> None:
        self._app = app
        self._shown = shown

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        begun = False

        async def sending(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message["headers"] = with_headers(message.get("headers", ()))
            await send(message)

        async def answer(problem: Problem) -> None:
            await _answer(request, problem, self._shown)(scope, receive, sending)

        path = request.url.path
        most = next((most for end, most in BODY_MAX_AT.items() if path.endswith(end)), BODY_MAX)
        declared = request.headers.get("content-length", "0")
        if declared.isdecimal() and int(declared[:20]) > most:
            await answer(_problem_of_http(_too_large()))
            return
        try:
            await self._app(scope, _limited(receive, most), sending)
        except Exception as error:
            if begun:
                raise
            if isinstance(error, HTTPException):
                await answer(_problem_of_http(error))
            else:
                await answer(_problem_of_fault(error, request.url.path))


def with_headers(headers: Iterable[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """The headers of an answer with those that none goes without."""
    sent = list(headers)
    there = {name.lower() for name, _ in sent}
    return sent + [header for header in HEADERS if header[0] not in there]


def _too_large() -> HTTPException:
    return HTTPException(
        HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "the body of the request is too large"
    )


def _limited(receive: Receive, most: int) -> Receive:
    """Receive a body piece by piece; refuse it once it is too large or its client has stopped."""
    received = 0
    whole = False

    async def limited() -> Message:
        nonlocal received, whole
        try:
            # After the body a client only tells that it has gone, whenever that is.
            message = await asyncio.wait_for(receive(), None if whole else BODY_WAIT_S)
        except TimeoutError:
            raise HTTPException(
                HTTPStatus.REQUEST_TIMEOUT, "the rest of the request did not come"
            ) from None
        whole = not message.get("more_body", False)
        received += len(message.get("body", b""))
        if received > most:
            raise _too_large()
        return message

    return limited


def _replace_framework_faults(document: dict[str, Any]) -> None:
    """Where the framework documents its own form for wrong fields, ours stands: it is sent.

    So does the problem of a body that cannot be read at all, which it leaves out.
    """
    for operations in document["paths"].values():
        for operation in operations.values():
            if "requestBody" in operation:
                bad = HTTPStatus.BAD_REQUEST
                operation["responses"][str(int(bad))] = _documented(bad)
            wrong = operation["responses"].get("422")
            if wrong is not None:
                wrong["content"] = _CONTENT
    for name in ("HTTPValidationError", "ValidationError"):
        document["components"]["schemas"].pop(name, None)


_CONTENT = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}


def problems(*statuses: HTTPStatus) -> dict[int | str, dict[str, object]]:
    """For the OpenAPI document: the problems that a route may answer with.

    Any route may answer with a fault of ours or a store that is not available, too.
    """
    always = HTTPStatus.INTERNAL_SERVER_ERROR, HTTPStatus.SERVICE_UNAVAILABLE
    return {int(status): _documented(status) for status in (*statuses, *always)}


def _documented(status: HTTPStatus) -> dict[str, object]:
    return {"description": status.phrase, "content": _CONTENT}
