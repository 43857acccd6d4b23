"""Lent floor of the house of tests: two bays, who stands in them, what was asked for and answered. Nothing else changes by it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from coop.core.documents import keep_document
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.overflow.models import OverflowAnswer, OverflowDraft, Walk, WalkMark
from tests.factories.overflow_floor import lay_bay, lay_piece, lay_request, lay_rules, lay_stay


@dataclass(frozen=True)
class OverflowLaid:
    """Ids of what was laid."""

    bay: int
    """A1-1, 10 ft at a wall: 0 to 4 ft is D01's hall bench, from 6 ft on comes D01's rocker, and between is D02's pie safe."""
    other_bay: int
    waiting: int
    """D01 asks for four weeks for a blanket chest."""
    granted: int
    """D01 asked for the hall bench and the rocker, and has floor for both."""
    withdrawn: int
    stay: int
    """The hall bench's, since October 20, until December 6."""
    to_come: int
    """The rocker's, from November 9."""
    others: int
    """D02's pie safe."""
    rules: int
    """House rules to come, the usual ones."""
    draft: int
    """One that was dropped in October before it was worked out."""
    walk: int
    """Of October 27: the hall bench was in its place."""
    sheet: int
    """The document of a sheet to walk with."""


def add_overflow_rows(session: Session, now: datetime, mall: Mall, ida: Dealer, amos: Dealer) -> OverflowLaid:
    """At the mall, on November 3, 2026, as rows: the log has no line of it."""
    bay, other = lay_bay(session, mall), lay_bay(session, mall, "A1-2", 60, y=100)
    asked = lay_request(session, mall, ida, asked_on=date(2026, 10, 1), not_before=date(2026, 10, 12), weeks=7, state="granted")
    bench = lay_piece(session, ida, "Hall bench", (48, 18, 34), asked, weight_oz=640, colour="#8a5a2b", price_cents=310_00)
    rocker = lay_piece(session, ida, "Cane rocker", (24, 20, 40), asked)
    waiting = lay_request(session, mall, ida, asked_on=date(2026, 10, 20), not_before=date(2026, 11, 9), weeks=4)
    lay_piece(session, ida, "Blanket chest", (40, 18, 20), waiting)
    withdrawn = lay_request(
        session, mall, ida, asked_on=date(2026, 9, 1), not_before=date(2026, 11, 9), weeks=2, state="withdrawn"
    )
    lay_piece(session, ida, "Fern stand", (12, 12, 30), withdrawn)
    safe = lay_piece(session, amos, "Pie safe", (20, 16, 50), price_cents=999_00)
    stay = lay_stay(session, bench, bay, date(2026, 10, 20), date(2026, 12, 6))
    to_come = lay_stay(session, rocker, bay, date(2026, 11, 9), date(2026, 12, 6), at=72)
    others = lay_stay(session, safe, bay, date(2026, 10, 20), date(2026, 12, 6), at=50)
    told = "Given by the manager: Hall bench in bay A1-1, Oct 20 to Dec 6, 2026."
    session.add(
        OverflowAnswer(request_id=asked.id, answer="granted", sentence=told, at=datetime(2026, 9, 15, 15, tzinfo=now.tzinfo))
    )
    draft = OverflowDraft(
        mall_id=mall.id, first_day=date(2026, 10, 12), weeks=8, seconds=30, state="dropped", created_at=now - timedelta(days=30)
    )
    walk = Walk(mall_id=mall.id, on_date=date(2026, 10, 27), created_at=now - timedelta(days=7))
    session.add_all((draft, walk))
    session.flush()
    session.add(WalkMark(walk_id=walk.id, stay_id=stay.id, mark="in place"))
    sheet = keep_document(
        session,
        now,
        file_name=f"overflow-{mall.code}-2026-10-27-0.pdf",
        media_type="application/pdf",
        content=b"%PDF-",
        made_with="tests",
    )
    session.flush()
    return OverflowLaid(
        bay=bay.id,
        other_bay=other.id,
        waiting=waiting.id,
        granted=asked.id,
        withdrawn=withdrawn.id,
        stay=stay.id,
        to_come=to_come.id,
        others=others.id,
        rules=lay_rules(session, mall, date(2027, 1, 1)).id,
        draft=draft.id,
        walk=walk.id,
        sheet=sheet.id,
    )
