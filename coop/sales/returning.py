"""What a returned item gives back: the purchase it is tied to, and the tax that was charged then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import Ticket, TicketLine
from coop.tax.domain.refund import SoldLine, give_back
from coop.tax.domain.ticket import TaxPart, TicketRefused
from coop.tax.models import TaxCharged


@dataclass
class Purchase:
    """A line that was sold, and how much of it has come back so far."""

    line_id: int
    sold_at: datetime
    quantity: int
    price_cents: int
    parts: tuple[TaxPart, ...]
    back_quantity: int = 0
    back_cents: int = 0

    def take_back(self, quantity: int, price_cents: int) -> tuple[TaxPart, ...]:
        """Count a return (both positive) and answer the tax it gives back, as negative rows."""
        before = self.back_cents
        self.back_quantity += quantity
        self.back_cents += price_cents
        if not price_cents:
            return ()
        try:
            # By cents of the price, so that parts of a line give back exactly what the whole was charged.
            return give_back(SoldLine(self.price_cents, self.price_cents, self.parts), price_cents, before).parts
        except TicketRefused as error:
            raise Refusal(f"A return gives back more than was paid: {error}") from error

    def covers(self, quantity: int, price_cents: int) -> bool:
        return self.quantity - self.back_quantity >= quantity and self.price_cents - self.back_cents >= price_cents


def find_purchases(
    session: Session, mall: Mall, returns: Sequence[TicketIn]
) -> dict[tuple[str, int], tuple[Purchase, tuple[TaxPart, ...]]]:
    """The purchase each returned line is tied to, by ticket key and position: the buyer's oldest of that tag with enough left.

    Never more than was bought. A line without such a purchase is left out: an untied return. Three queries, whatever the number.
    """
    wanted = [ticket for ticket in returns if ticket.buyer_key]
    if not wanted:
        return {}
    bought = _bought(session, mall, wanted)
    tied: dict[tuple[str, int], tuple[Purchase, tuple[TaxPart, ...]]] = {}
    for ticket in sorted(wanted, key=lambda t: t.sold_at):
        for line in ticket.lines:
            quantity, price_cents = -line.quantity, -line.price_cents
            for purchase in bought.get((ticket.source, ticket.buyer_key, line.tag), ()):
                if purchase.sold_at <= ticket.sold_at and purchase.covers(quantity, price_cents):
                    tied[(ticket.key, line.position)] = (purchase, purchase.take_back(quantity, price_cents))
                    break
    return tied


def _bought(session: Session, mall: Mall, returns: Sequence[TicketIn]) -> dict[tuple[str, str, str], list[Purchase]]:
    """What those buyers bought under those tags, oldest first, by source, buyer and tag."""
    rows = session.execute(
        select(
            TicketLine.id,
            Ticket.sold_at,
            TicketLine.quantity,
            TicketLine.price_cents,
            Ticket.source,
            Ticket.buyer_key,
            TicketLine.tag,
            Ticket.key,
            TicketLine.position,
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(
            TicketLine.mall_id == mall.id,
            TicketLine.quantity > 0,
            TicketLine.tag.in_({line.tag for ticket in returns for line in ticket.lines}),
            Ticket.buyer_key.in_({ticket.buyer_key for ticket in returns}),
            Ticket.source.in_({ticket.source for ticket in returns}),
        )
        .order_by(Ticket.sold_at, TicketLine.id)
    ).all()
    back = {
        line_id: (int(quantity), int(cents))
        for line_id, quantity, cents in session.execute(
            select(TicketLine.returns_line_id, func.sum(-TicketLine.quantity), func.sum(-TicketLine.price_cents))
            .where(TicketLine.returns_line_id.in_([row[0] for row in rows]))
            .group_by(TicketLine.returns_line_id)
        )
    }
    charged: dict[tuple[str, int], list[TaxPart]] = defaultdict(list)
    for key, position, jurisdiction_id, rate_id, taxable, amount in session.execute(
        select(
            TaxCharged.ticket_key,
            TaxCharged.position,
            TaxCharged.jurisdiction_id,
            TaxCharged.rate_id,
            TaxCharged.taxable_cents,
            TaxCharged.amount_cents,
        )
        .where(TaxCharged.ticket_key.in_({row[7] for row in rows}))
        .order_by(TaxCharged.id)
    ):
        charged[(key, position)].append(TaxPart(position, jurisdiction_id, rate_id, "", taxable, amount))
    bought: dict[tuple[str, str, str], list[Purchase]] = defaultdict(list)
    for line_id, sold_at, quantity, price_cents, source, buyer, tag, key, position in rows:
        parts = tuple(charged[(key, position)])
        back_quantity, back_cents = back.get(line_id, (0, 0))
        bought[(source, buyer, tag)].append(Purchase(line_id, sold_at, quantity, price_cents, parts, back_quantity, back_cents))
    return bought
