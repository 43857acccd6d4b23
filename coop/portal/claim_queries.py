"""What a dealer's pages of unclaimed items read: lines of malls where she leased when they were sold, and her own claims."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session

from coop.core.web import Visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Lease
from coop.portal.queries import own_dealers_query
from coop.sales.claims import LEFT, UNCLAIMED
from coop.sales.models import Claim, Ticket, TicketLine

PAGE = 50
"""Rows of one page of a list."""


@dataclass(frozen=True)
class OwnUnclaimed:
    """An unclaimed line as a dealer sees it, and whether she asks for it."""

    line: TicketLine
    ticket: Ticket
    mall: Mall
    left_cents: int
    asked: bool


@dataclass(frozen=True)
class OwnClaim:
    """A claim of one of the user's dealers, with what it is on."""

    claim: Claim
    dealer: Dealer
    line: TicketLine
    ticket: Ticket
    mall: Mall


def _sold_at_hers() -> ColumnElement[bool]:
    """That a lease ran at the line's mall on the day of the sale: what was sold before or after it was not hers."""
    return and_(
        Lease.mall_id == TicketLine.mall_id,
        Lease.starts_on <= Ticket.sold_on,
        or_(Lease.ends_on.is_(None), Lease.ends_on >= Ticket.sold_on),
    )


def own_unclaimed(
    session: Session, user: Visitor, *, before_id: int | None = None, line_id: int | None = None
) -> list[OwnUnclaimed]:
    """Unclaimed sales that may be this user's, the latest first: a page and one more; or only one of them."""
    hers = own_dealers_query(user)
    # Named, so that the few lines of nobody's are found by their index among all that were ever sold.
    malls = session.scalars(select(Lease.mall_id).where(Lease.dealer_id.in_(hers)).distinct()).all()
    asked = select(Claim.id).where(Claim.line_id == TicketLine.id, Claim.state == "asked", Claim.dealer_id.in_(hers)).exists()
    leased = select(Lease.id).where(Lease.dealer_id.in_(hers), _sold_at_hers()).correlate(TicketLine, Ticket).exists()
    rows = (
        select(TicketLine, Ticket, Mall, LEFT, asked)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .join(Mall, Mall.id == TicketLine.mall_id)
        .where(TicketLine.mall_id.in_(malls), *UNCLAIMED, LEFT > 0, leased)
        .order_by(TicketLine.id.desc())
        .limit(PAGE + 1)
    )
    if before_id is not None:
        rows = rows.where(TicketLine.id < before_id)
    if line_id is not None:
        rows = rows.where(TicketLine.id == line_id)
    return [OwnUnclaimed(line, ticket, mall, int(left), has) for line, ticket, mall, left, has in session.execute(rows)]


def dealers_for(session: Session, user: Visitor, line_id: int) -> Sequence[Dealer]:
    """Which of the user's dealers leased where a line was sold, by code."""
    return session.scalars(
        select(Dealer)
        .where(
            Dealer.id.in_(own_dealers_query(user)),
            select(Lease.id)
            .join(TicketLine, TicketLine.id == line_id)
            .join(Ticket, Ticket.id == TicketLine.ticket_id)
            .where(Lease.dealer_id == Dealer.id, _sold_at_hers())
            .correlate(Dealer)
            .exists(),
        )
        .order_by(Dealer.code)
    ).all()


def own_claims(session: Session, user: Visitor) -> list[OwnClaim]:
    """What this user's dealers have asked for, the latest first, fifty at most."""
    rows = session.execute(
        select(Claim, Dealer, TicketLine, Ticket, Mall)
        .join(Dealer, Dealer.id == Claim.dealer_id)
        .join(TicketLine, TicketLine.id == Claim.line_id)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .join(Mall, Mall.id == TicketLine.mall_id)
        .where(Claim.dealer_id.in_(own_dealers_query(user)))
        .order_by(Claim.id.desc())
        .limit(PAGE)
    )
    return [OwnClaim(*row) for row in rows]
