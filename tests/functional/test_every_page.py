"""Every page there is, as the table of rights lists them: an audit finds nothing, in light at a desk and in dark on a phone, and
nothing scrolls sideways at 320 pixels."""

from __future__ import annotations

from collections import defaultdict

import pytest
from playwright.sync_api import Browser

from tests.functional.browsing import DESKTOP, NARROWEST, PHONE, Served, audited, context, width_of
from tests.integration.web.test_rights import TABLE

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


def pages_by_role(served: Served) -> dict[str | None, list[str]]:
    """Each address that is read, with the first role that may; a stranger's under None. And what any role's first page is."""
    found: dict[str | None, list[str]] = defaultdict(list)
    for (endpoint, method), (address, allowed) in TABLE.items():
        if method == "GET" and not endpoint.startswith(("edge.", "feeds.")):
            who = next((one for one in ROLES if one in allowed), None) if "stranger" not in allowed else None
            found[who].append(address if isinstance(address, str) else address(served.house, who or "stranger"))
    for who, path in MORE:
        found[who].append(path)
    return found


def test_an_audit_finds_nothing_on_any_page_and_none_scrolls_sideways(browser: Browser, served: Served, axe: str) -> None:
    faults: list[str] = []
    seen = 0
    for who, paths in pages_by_role(served).items():
        with context(browser, served, who, DESKTOP, bypass_csp=True) as opened:
            page = opened.new_page()
            for path in paths:
                answer = opened.request.get(served.base + path, max_redirects=0)
                # Neither files, nor what leads on, nor the part of a page that its script asks for again.
                if answer.status in (302, 303) or not answer.body().startswith(b"<!doctype html>"):
                    continue
                seen += 1
                page.set_viewport_size({"width": DESKTOP[0], "height": DESKTOP[1]})
                page.emulate_media(color_scheme="light")
                page.goto(served.base + path)
                faults += [f"light, desktop: {fault}" for fault in audited(page, axe, path)]
                page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
                page.emulate_media(color_scheme="dark")
                faults += [f"dark, phone: {fault}" for fault in audited(page, axe, path)]
                page.set_viewport_size({"width": NARROWEST[0], "height": NARROWEST[1]})
                if (width := width_of(page)) > NARROWEST[0]:
                    faults.append(f"{path}: {width} pixels wide")
    assert not faults, "\n".join(faults)
    assert seen > 100
