"""Widths that aisles must keep, in the office: one to come taken back, and one said before that narrows an aisle again."""

from __future__ import annotations

import re
from datetime import date
from html import unescape

from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.floor.models import AisleWidth
from tests.integration.web.conftest import Web, send

PAGE = "/office/floor/MAIN/aisles"


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def row_of(web: Web, day: date) -> int:
    with transaction(web.sessions) as session:
        return session.scalars(select(AisleWidth.id).where(AisleWidth.starts_on == day)).one()


def test_a_width_that_narrows_an_aisle_again_later_is_said_and_one_to_come_is_taken_back(web: Web) -> None:
    """It is November 3. What was asked before today stays written down."""
    client = web.browser("manager")

    def set_width(day: str, width: str) -> str:
        assert send(client, PAGE, aisle="", starts_on=day, width=width, said_by="the co-op's meeting").status_code == 303
        return words(client.get(PAGE).text)

    assert "as was said before" not in set_width("2026-12-01", "4'")
    page = set_width("2026-11-20", "5'")
    assert "From Dec 1, 2026 on it may be 4' 0\" again, as was said before" in page
    assert "as was said before" not in client.get(PAGE).text, "said once"
    page = set_width("2026-11-01", "3'")
    assert "as was said before" not in page, "no narrower from November 3 on"
    assert "Take back the width of every aisle from Dec 1, 2026" in page
    assert "Take back the width of every aisle from Nov 1, 2026" not in page

    refused = send(client, f"{PAGE}/{row_of(web, date(2026, 11, 1))}/back").text
    assert "The width of every aisle was asked from Nov 1, 2026 on and stays written down: set another" in words(refused)
    assert send(client, f"{PAGE}/{row_of(web, date(2026, 12, 1))}/back").status_code == 303
    with transaction(web.sessions) as session:
        assert date(2026, 12, 1) not in session.scalars(select(AisleWidth.starts_on)).all()
        said = session.scalars(select(AuditLog.detail).where(AuditLog.action == "aisle width taken back")).all()
        assert [one.partition(": ")[2] for one in said] == ["every aisle from 2026-12-01: 4' 0\""]
