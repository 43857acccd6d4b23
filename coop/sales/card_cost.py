"""Each dealer's part of what a month's tickets were paid by card, for the card cost."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from sqlalchemy import Select, and_, case, func, select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.sales.domain import Tendered, card_parts_of
from coop.sales.models import LayawayAgreement, LayawayMove, Tender, Ticket, TicketLine
from coop.sales.queries import credited_between

IN_KIND = ("coupon", "trade-in")
"""Tenders that are no money: each is part of a line's price, and of no other's."""
_IN_MONEY = TicketLine.price_cents - TicketLine.maker_coupon_cents - TicketLine.trade_in_cents


def card_parts(session: Session, mall_id: int, month: Month) -> dict[int, Fraction]:
    """Each dealer's part of what was paid by card for what she was credited in a month: dealer id -> exact cents.

    Without tax and delivery, less what came back by card; an item claimed later counts in the month it was credited in. A layaway
    counts when it is completed, by how its payments came. Three queries; the lines are streamed.
    """
    credited = credited_between(mall_id, month.first_day, month.last_day)
    paid = paid_by_tickets(session, select(TicketLine.ticket_id).where(credited))
    lines = (
        select(TicketLine.ticket_id, TicketLine.dealer_id, func.sum(_IN_MONEY))
        .where(credited)
        .group_by(TicketLine.ticket_id, TicketLine.dealer_id)
        .execution_options(yield_per=5000)
    )
    found = session.execute(lines)
    return card_parts_of(paid, ((ticket, dealer, int(cents)) for ticket, dealer, cents in found if dealer is not None))


@dataclass(frozen=True)
class CardTicket:
    """A dealer's part of one ticket that was paid by card, wholly or in part."""

    number: str
    sold_on: date
    price_cents: int
    """Of her lines, paid in money."""
    part: Fraction
    """Of that by card, in exact cents."""


def card_tickets(session: Session, mall_id: int, month: Month, dealer_id: int) -> list[CardTicket]:
    """The tickets that make up a dealer's part in `card_parts`, by when they were sold."""
    credited = and_(credited_between(mall_id, month.first_day, month.last_day), TicketLine.dealer_id == dealer_id)
    paid = paid_by_tickets(session, select(TicketLine.ticket_id).where(credited))
    lines = session.execute(
        select(Ticket.id, Ticket.number, Ticket.sold_on, func.sum(_IN_MONEY))
        .join(TicketLine, TicketLine.ticket_id == Ticket.id)
        .where(credited)
        .group_by(Ticket.id, Ticket.number, Ticket.sold_on, Ticket.sold_at)
        .order_by(Ticket.sold_at, Ticket.id)
    )
    parts = [
        CardTicket(
            number, sold_on, int(cents), card_parts_of(paid, [(ticket_id, dealer_id, int(cents))]).get(dealer_id, Fraction())
        )
        for ticket_id, number, sold_on, cents in lines
    ]
    return [each for each in parts if each.part]


def paid_by_tickets(session: Session, of_tickets: Select[int]) -> dict[int, Tendered]:
    """How these tickets were paid in money; one of a layaway by how its payments came."""
    paid: dict[int, Tendered] = {}
    by_card = case((Tender.kind == "card", Tender.amount_cents), else_=0)
    tenders = (
        select(Tender.ticket_id, func.sum(by_card), func.sum(Tender.amount_cents))
        .where(Tender.ticket_id.in_(of_tickets), Tender.kind.not_in(IN_KIND))
        .group_by(Tender.ticket_id)
        .execution_options(yield_per=5000)
    )
    for ticket_id, card, money in session.execute(tenders):
        paid[ticket_id] = Tendered(int(card), int(money))
    came = case((LayawayMove.kind == "paid", LayawayMove.amount_cents), else_=-LayawayMove.amount_cents)
    layaways = (
        select(LayawayAgreement.ticket_id, func.sum(came))
        .join(LayawayMove, LayawayMove.layaway_id == LayawayAgreement.id)
        .where(LayawayAgreement.ticket_id.in_(of_tickets), LayawayMove.tender == "card")
        .group_by(LayawayAgreement.ticket_id)
    )
    for ticket_id, card in session.execute(layaways):
        held = paid[ticket_id]
        paid[ticket_id] = Tendered(held.card_cents + int(card), held.money_cents)
    return paid
