"""A small mall without a plan whose bays were laid by hand: two dealers who rent there, one who does not, a manager."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.core.mail import Outbox
from coop.dealers.models import Dealer, Member
from coop.dealers.notes import write_letters
from coop.floor.models import Mall
from coop.leases.editing import By
from coop.overflow import telling
from coop.overflow.asking import Asked, PieceAsked, ask_floor
from coop.overflow.judging import Place
from coop.overflow.models import BayRow, OverflowPiece, OverflowRequest
from coop.overflow.reading import pieces_of
from tests.factories.house import add_person
from tests.factories.leases import make_lease, make_space
from tests.factories.overflow_floor import lay_bay, lay_rules
from tests.factories.people import make_coop, make_dealer, make_mall

TODAY = date(2026, 11, 3)
MONDAY, SUNDAY = date(2026, 11, 9), date(2026, 12, 6)
"""Four weeks to come."""


class Aisles:
    """Ida holds booth 12 without end, Amos 14 until January 31; Ruth rents nothing. Bay A1-2 is before 12, the others at a wall.

    Everything is by id, so that it can be read in any session.
    """

    def __init__(self, session: Session, now: datetime, **rules: Any) -> None:
        make_coop(session, now)
        mall = make_mall(session, now)
        lay_rules(session, mall, **rules)
        ida, amos, ruth = (make_dealer(session, now, code) for code in ("D01", "D02", "D03"))
        for dealer in (ida, amos, ruth):
            session.get_one(Member, dealer.member_id).email = f"{dealer.code.lower()}@example.org"
        make_lease(session, now, mall, ida, [make_space(session, now, mall, "12")])
        make_lease(session, now, mall, amos, [make_space(session, now, mall, "14")], ends_on=date(2027, 1, 31))
        lay_bay(session, mall, "A1-1", 120, 24)
        lay_bay(session, mall, "A1-2", 60, 18, y=200, backing="booth", before="12")
        lay_bay(session, mall, "A2-1", 96, 30, y=400)
        self.mall_id = mall.id
        self.by = By(add_person(session, now, "manager@example.org", ("manager",)))
        self.ida = By(add_person(session, now, "ida@example.org", ("dealer",), ida.member_id))

    def mall(self, session: Session) -> Mall:
        return session.get_one(Mall, self.mall_id)

    def dealer(self, session: Session, code: str = "D01") -> Dealer:
        return session.scalars(select(Dealer).where(Dealer.code == code)).one()

    def bay(self, session: Session, code: str = "A1-1") -> BayRow:
        return session.scalars(select(BayRow).where(BayRow.code == code, BayRow.ended_on.is_(None))).one()

    def place(
        self, session: Session, bay: str = "A1-1", at: int = 0, first: date = MONDAY, last: date = SUNDAY, *, turned: bool = False
    ) -> Place:
        """Inches along a bay, over the four weeks to come."""
        return Place(self.bay(session, bay), at * IN16_PER_INCH, first, last, turned)

    def ask(
        self, session: Session, now: datetime, *pieces: PieceAsked, code: str = "D01", **more: Any
    ) -> tuple[OverflowRequest, list[OverflowPiece]]:
        """A request for four weeks from Monday on, and its pieces."""
        asked = Asked(MONDAY, 4, pieces=pieces or (piece(),), **more)
        row = ask_floor(session, now, self.dealer(session, code), self.mall(session), asked, by=self.by)
        return row, pieces_of(session, [row])[row.id]

    def logged(self, session: Session, *kinds: str) -> list[str]:
        rows = session.scalars(select(AuditLog).where(AuditLog.subject_kind.in_(kinds)).order_by(AuditLog.id))
        return [f"{row.action}: {row.detail}" for row in rows]


def piece(name: str = "Oak hutch", width: int = 40, depth: int = 18, height: int = 36, **more: Any) -> PieceAsked:
    """Inches; it weighs 50 lb unless told."""
    sizes = (side * IN16_PER_INCH for side in (width, depth, height))
    return PieceAsked(name, *sizes, **{"weight_oz": 800, **more})


def told(session: Session, now: datetime) -> dict[str, str]:
    """Write the letters of every job named so far, twice; each body by its address and subject."""
    for job in session.scalars(select(Job).where(Job.kind == telling.TELL).order_by(Job.id)).all():
        for _ in range(2):
            write(session, now, telling.NOTES[job.args["what"]](session, job.args))
    return mails(session)


def write(session: Session, now: datetime, letters: Any) -> None:
    web = "https://mall.example.org"
    write_letters(session, now, list(letters), kind=telling.MAIL, mail_domain="example.org", web_address=web)


def mails(session: Session) -> dict[str, str]:
    rows = session.scalars(select(Outbox).where(Outbox.kind == telling.MAIL).order_by(Outbox.id)).all()
    found = {f"{row.recipient}: {row.subject}": row.text_body for row in rows}
    assert len(found) == len(rows), "each mail once"
    return found
