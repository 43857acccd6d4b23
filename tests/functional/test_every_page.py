"""Every page there is, as the table of rights lists them: an audit finds nothing, in light at a desk and in dark on a phone, and
nothing scrolls sideways at 320 pixels."""

from __future__ import annotations

from itertools import groupby

import pytest
from playwright.sync_api import Browser, Error, Page

from tests.functional.browsing import DESKTOP, NARROWEST, PHONE, Served, audited, context, width_of
from tests.integration.web.test_rights import TABLE
from tests.integration.web.turn_rights import Address

pytestmark = pytest.mark.browser

ROLES = ("manager", "bookkeeper", "auditor", "desk", "dealer", "nobody")
MORE = (
    ("desk", "/home"),
    ("desk", "/office/"),
    ("nobody", "/home"),
    ("manager", "/office/months/MAIN/2026-11"),
    ("manager", "/office/letters/2"),
    ("manager", "/office/tax/offices/elder-revenue-office/2026-10"),
    ("manager", "/office/tax/jurisdictions/EL/rules/article"),
    ("manager", "/office/tax/jurisdictions/EL/settings?of=state"),
    ("dealer", "/portal/statements/none"),
)
"""The same addresses where they show something else: a month not over, a letter that came to nothing, what is not there."""


def first_reader(allowed: frozenset[str]) -> str | None:
    """The first role that may read it; a stranger is None."""
    return next((one for one in ROLES if one in allowed), None) if "stranger" not in allowed else None


ASKED: list[tuple[str | None, Address]] = sorted(
    [
        *(
            (first_reader(allowed), address)
            for (endpoint, method), (address, allowed) in TABLE.items()
            if method == "GET" and not endpoint.startswith(("edge.", "feeds."))
        ),
        *MORE,
    ],
    key=lambda one: one[0] or "",
)
"""Each address that is read, with the first role that may; one role's after another's, whose window stays open."""
AT_ONCE = 16


@pytest.mark.parametrize("first", range(0, len(ASKED), AT_ONCE))
def test_an_audit_finds_nothing_on_any_page_and_none_scrolls_sideways(
    browser: Browser, served: Served, axe: str, first: int
) -> None:
    faults: list[str] = []
    seen = 0
    for who, asked in groupby(ASKED[first : first + AT_ONCE], key=lambda one: one[0]):
        with context(browser, served, who, DESKTOP, bypass_csp=True) as opened:
            page = opened.new_page()
            for _, address in asked:
                path = address if isinstance(address, str) else address(served.house, who or "stranger")
                page.set_viewport_size({"width": DESKTOP[0], "height": DESKTOP[1]})
                page.emulate_media(color_scheme="light")
                if not shows_a_page(page, served.base + path):
                    continue
                seen += 1
                faults += [f"light, desktop: {fault}" for fault in audited(page, axe, path)]
                page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
                page.emulate_media(color_scheme="dark")
                faults += [f"dark, phone: {fault}" for fault in audited(page, axe, path)]
                page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
                if (width := width_of(page)) > NARROWEST[0]:
                    faults.append(f"{path}: {width} pixels wide")
    assert not faults, "\n".join(faults)
    # Files come in a row in the table, but never so many.
    assert seen >= min(AT_ONCE, len(ASKED) - first) // 4


def shows_a_page(page: Page, address: str) -> bool:
    """Go there. Neither files are pages, nor what leads on, nor the part of a page that its script asks for again."""
    try:
        answer = page.goto(address)
    except Error as error:
        if "Download is starting" not in error.message:
            raise
        return False
    assert answer is not None
    assert answer.status < 500, address
    kind = answer.headers.get("content-type", "")
    return kind.startswith("text/html") and answer.request.redirected_from is None and page.evaluate("document.doctype !== null")
