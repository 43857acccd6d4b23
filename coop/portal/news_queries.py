"""What is new for a dealer: statements, answers, letters, claims and disputes decided, floor lent and asked back, lately."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.periods import Month, shown_day
from coop.core.web import Visitor
from coop.leases.models import Charge, Dispute, Letter
from coop.overflow.models import OverflowAnswer, OverflowPiece, OverflowRequest, Stay, Walk, WalkMark
from coop.portal.lease_queries import own_letters_query
from coop.portal.queries import own_dealers_query
from coop.sales.models import Claim, TicketLine
from coop.statements.models import Statement, StatementQuestion

NEWS_FOR = timedelta(days=30)
MOST = 8
"""Of the newest, whatever they are about: all of them stand on pages of their own."""


@dataclass(frozen=True)
class News:
    """One thing that happened, with what finds it."""

    on: date
    kind: str
    """statement, answer, letter, claim, dispute, or of lent floor: floor, recall, found."""
    words: str
    """The month of a statement, the line asked about, a letter's subject, the item claimed, the charge disputed; of lent floor
    the answer, or the piece.
    """
    key: str = ""
    """Number of a statement; id of a letter that has its paper; how a claim or a dispute was decided; id of
    a request for floor, the day a piece must go by, how it was found.
    """


def own_news(session: Session, user: Visitor, now: datetime, timezone: str) -> list[News]:
    """The newest of each kind, the latest first: eight queries."""
    since = now - NEWS_FOR
    found = [
        *_statements(session, user, since, timezone),
        *_answers(session, user, since, timezone),
        *_letters(session, user, local_date(since, timezone)),
        *_claims(session, user, since, timezone),
        *_disputes(session, user, local_date(since, timezone)),
        *_floor(session, user, since, timezone),
        *_recalls(session, user, since, timezone),
        *_found(session, user, local_date(since, timezone)),
    ]
    return sorted(found, key=lambda one: one.on, reverse=True)[:MOST]


def _statements(session: Session, user: Visitor, since: datetime, timezone: str) -> list[News]:
    rows = session.execute(
        select(Statement.created_at, Statement.first_day, Statement.number)
        .where(Statement.dealer_id.in_(own_dealers_query(user)), Statement.created_at >= since)
        .order_by(Statement.id.desc())
        .limit(MOST)
    )
    return [News(local_date(at, timezone), "statement", Month.of(first_day).name, number) for at, first_day, number in rows]


def _answers(session: Session, user: Visitor, since: datetime, timezone: str) -> list[News]:
    rows = session.execute(
        select(StatementQuestion.answered_at, StatementQuestion.said, Statement.number)
        .join(Statement, Statement.id == StatementQuestion.statement_id)
        .where(Statement.dealer_id.in_(own_dealers_query(user)), StatementQuestion.answered_at >= since)
        .order_by(StatementQuestion.answered_at.desc())
        .limit(MOST)
    )
    return [News(local_date(at, timezone), "answer", said, number) for at, said, number in rows if at is not None]


def _letters(session: Session, user: Visitor, since: date) -> list[News]:
    rows = session.execute(
        select(Letter.made_on, Letter.subject, Letter.id, Letter.document_id)
        .where(own_letters_query(user), Letter.made_on >= since)
        .order_by(Letter.id.desc())
        .limit(MOST)
    )
    return [News(on, "letter", subject, str(letter_id) if paper else "") for on, subject, letter_id, paper in rows]


def _claims(session: Session, user: Visitor, since: datetime, timezone: str) -> list[News]:
    rows = session.execute(
        select(Claim.decided_at, TicketLine.description, Claim.state)
        .join(TicketLine, TicketLine.id == Claim.line_id)
        .where(Claim.dealer_id.in_(own_dealers_query(user)), Claim.decided_at >= since)
        .order_by(Claim.decided_at.desc())
        .limit(MOST)
    )
    return [News(local_date(at, timezone), "claim", item, state) for at, item, state in rows if at is not None]


def _disputes(session: Session, user: Visitor, since: date) -> list[News]:
    rows = session.execute(
        select(Dispute.closed_on, Charge.label, Charge.first_day, Dispute.outcome)
        .join(Charge, Charge.id == Dispute.charge_id)
        .where(Charge.dealer_id.in_(own_dealers_query(user)), Dispute.closed_on >= since)
        .order_by(Dispute.closed_on.desc(), Dispute.id.desc())
        .limit(MOST)
    )
    return [
        News(on, "dispute", f"{label}, {Month.of(first_day).name}", outcome)
        for on, label, first_day, outcome in rows
        if on is not None
    ]


def _floor(session: Session, user: Visitor, since: datetime, timezone: str) -> list[News]:
    rows = session.execute(
        select(OverflowAnswer.at, OverflowAnswer.sentence, OverflowAnswer.request_id)
        .join(OverflowRequest, OverflowRequest.id == OverflowAnswer.request_id)
        .where(OverflowRequest.dealer_id.in_(own_dealers_query(user)), OverflowAnswer.at >= since)
        .order_by(OverflowAnswer.at.desc(), OverflowAnswer.id.desc())
        .limit(MOST)
    )
    return [News(local_date(at, timezone), "floor", sentence, str(request_id)) for at, sentence, request_id in rows]


def _recalls(session: Session, user: Visitor, since: datetime, timezone: str) -> list[News]:
    rows = session.execute(
        select(Stay.recalled_at, OverflowPiece.name, Stay.ends_on)
        .join(OverflowPiece, OverflowPiece.id == Stay.piece_id)
        .where(OverflowPiece.dealer_id.in_(own_dealers_query(user)), Stay.recalled_at >= since, Stay.state == "stands")
        .order_by(Stay.recalled_at.desc())
        .limit(MOST)
    )
    return [News(local_date(at, timezone), "recall", name, shown_day(last)) for at, name, last in rows if at is not None]


def _found(session: Session, user: Visitor, since: date) -> list[News]:
    rows = session.execute(
        select(Walk.on_date, OverflowPiece.name, WalkMark.mark)
        .join(WalkMark, WalkMark.walk_id == Walk.id)
        .join(Stay, Stay.id == WalkMark.stay_id)
        .join(OverflowPiece, OverflowPiece.id == Stay.piece_id)
        .where(OverflowPiece.dealer_id.in_(own_dealers_query(user)), Walk.on_date >= since, WalkMark.mark != "in place")
        .order_by(Walk.on_date.desc(), WalkMark.id.desc())
        .limit(MOST)
    )
    return [News(on, "found", name, mark) for on, name, mark in rows]
