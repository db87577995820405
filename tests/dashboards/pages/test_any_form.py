"""Every form of every page, filled with junk: an answer in words each time, never a fault."""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

import pytest
from starlette.testclient import TestClient

#: What people and programs type where something else belongs.
JUNK = (
    *("", "0", "-1", "1,5", "1e309", "nan", "inf", "1e20", "1e-320", "-0.0", "1_000", "٣", "abc"),
    *("2026-01-14T10:00", "9999-12-31T23:59", "0001-01-01T00:00", "2026-13-45T99:99"),
    *("'; DROP TABLE print; --", "<script>alert(1)</script>", "\x00", "x" * 5_000, "60 90 2"),
)

#: Seeded, so that what is found is found again.
ROUNDS = range(3)


@dataclass
class Form:
    """One form of a page: where it goes, how, and the values its fields offer."""

    action: str
    method: str
    offered: dict[str, list[str]] = field(default_factory=dict)


class Page(HTMLParser):
    """The forms and links of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.links: list[str] = []
        self._open = False
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "a":
            self.links.append(told.get("href", ""))
        elif tag == "form":
            self.forms.append(Form(told.get("action", ""), told.get("method", "get")))
            self._open = True
        elif self._open and tag == "option":
            self.forms[-1].offered[self._select].append(told.get("value", ""))
        elif self._open and tag in ("input", "textarea", "select", "button") and "name" in told:
            self._select = told["name"]
            self.forms[-1].offered.setdefault(self._select, []).append(told.get("value", ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._open = False


def kind_of(address: str) -> str:
    """An address with its numbers taken out: a hundred prints have one kind of page."""
    return re.sub(r"\d+", "1", address.partition("#")[0])


def every_form(client: TestClient) -> list[Form]:
    """One form of each kind, from every kind of page that a link leads to."""
    waiting, seen, forms = ["/"], {"/"}, dict[str, Form]()
    while waiting:
        address = waiting.pop()
        answer = client.get(address)
        assert answer.status_code < 500, address
        if "html" not in answer.headers.get("content-type", ""):
            continue
        page = Page()
        page.feed(answer.text)
        for form in page.forms:
            form.action = form.action or address
            forms.setdefault(f"{kind_of(form.action)} {sorted(form.offered)}", form)
        for link in page.links:
            # Charts drawn for paper take a second each and ask for nothing.
            own = link.startswith("/") and not re.match(r"/api/|/soak/\d+/(report|evid|prof)", link)
            if own and kind_of(link) not in seen:
                seen.add(kind_of(link))
                waiting.append(link)
    return list(forms.values())


@pytest.mark.parametrize("seed", ROUNDS)
def test_junk_in_any_form_is_answered_in_words(client: TestClient, seed: int) -> None:
    chance = random.Random(seed)
    forms = every_form(client)
    assert len(forms) > 20
    for form in forms:
        fields = {
            name: chance.choice(offered) if chance.random() < 0.4 else chance.choice(JUNK)
            for name, offered in form.offered.items()
            if chance.random() < 0.8
        }
        if form.method == "post":
            answer = client.post(form.action, data=fields)
        else:
            answer = client.get(form.action, params=fields)
        told = {name: text[:40] for name, text in fields.items()}
        assert answer.status_code < 500, f"seed {seed}: {form.method} {form.action} {told}"
    for address in ("/", "/prints", "/causes", "/soak", "/health"):
        assert client.get(address).status_code == 200, f"seed {seed}: {address}"
