"""Each dealer's part of what a month's tickets were paid by card, for the card cost."""

from __future__ import annotations

from fractions import Fraction

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from coop.core.periods import Month
from coop.sales.domain import Tendered, card_parts_of
from coop.sales.models import LayawayAgreement, LayawayMove, Tender, TicketLine
from coop.sales.queries import credited_between

IN_KIND = ("coupon", "trade-in")
"""Tenders that are no money: each is part of a line's price, and of no other's."""


def card_parts(session: Session, mall_id: int, month: Month) -> dict[int, Fraction]:
    """Each dealer's part of what was paid by card for what she was credited in a month: dealer id -> exact cents.

    Without tax and delivery, less what came back by card; an item claimed later counts in the month it was credited in. A layaway
    counts when it is completed, by how its payments came. Three queries; the lines are streamed.
    """
    credited = credited_between(mall_id, month.first_day, month.last_day)
    of_tickets = select(TicketLine.ticket_id).where(credited)
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
    in_money = TicketLine.price_cents - TicketLine.maker_coupon_cents - TicketLine.trade_in_cents
    lines = (
        select(TicketLine.ticket_id, TicketLine.dealer_id, func.sum(in_money))
        .where(credited)
        .group_by(TicketLine.ticket_id, TicketLine.dealer_id)
        .execution_options(yield_per=5000)
    )
    found = session.execute(lines)
    return card_parts_of(paid, ((ticket, dealer, int(cents)) for ticket, dealer, cents in found if dealer is not None))
