"""What a returned item gives back: the purchase it is tied to, and the tax that was charged then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import Ticket, TicketLine
from coop.tax.domain.refund import GivenBack, SoldLine, give_back
from coop.tax.domain.ticket import TaxPart, TicketRefused, Untaxed
from coop.tax.models import TaxCharged, TaxUntaxed


@dataclass
class Purchase:
    """A line that was sold, and how much of it has come back so far."""

    line_id: int
    sold_at: datetime
    quantity: int
    price_cents: int
    parts: tuple[TaxPart, ...]
    untaxed: tuple[Untaxed, ...] = ()
    back_quantity: int = 0
    back_cents: int = 0

    @property
    def gross_cents(self) -> int:
        """The price before reductions, as its tax rows make it up; a line sold before those were kept has its price alone."""
        rows = [(p.jurisdiction_id, p.taxable_cents) for p in self.parts if not p.part]
        rows += [(u.jurisdiction_id, u.amount_cents) for u in self.untaxed]
        return sum(cents for jurisdiction, cents in rows if jurisdiction == rows[0][0]) if rows else self.price_cents

    def take_back(self, quantity: int, price_cents: int) -> GivenBack:
        """Count a return (both positive) and answer what of its tax it gives back, as negative rows."""
        before = self.back_cents
        self.back_quantity += quantity
        self.back_cents += price_cents
        if not price_cents:
            return GivenBack(0, (), ())
        try:
            # By cents of the price, so that parts of a line give back exactly what the whole was charged.
            return give_back(SoldLine(self.gross_cents, self.price_cents, self.parts, self.untaxed), price_cents, before)
        except TicketRefused as error:
            raise Refusal(f"A return gives back more than was paid: {error}") from error

    def covers(self, quantity: int, price_cents: int) -> bool:
        return self.quantity - self.back_quantity >= quantity and self.price_cents - self.back_cents >= price_cents


def find_purchases(
    session: Session, mall: Mall, returns: Sequence[TicketIn]
) -> dict[tuple[str, int], tuple[Purchase, GivenBack]]:
    """The purchase each returned line is tied to, by ticket key and position: the buyer's oldest of that tag with enough left.

    Never more than was bought. A line without such a purchase is left out: an untied return. Four queries, whatever the number.
    """
    wanted = [ticket for ticket in returns if ticket.buyer_key]
    if not wanted:
        return {}
    bought = _bought(session, mall, wanted)
    tied: dict[tuple[str, int], tuple[Purchase, GivenBack]] = {}
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
    keys = {row[7] for row in rows}
    charged: dict[tuple[str, int], list[TaxPart]] = defaultdict(list)
    for row in session.scalars(select(TaxCharged).where(TaxCharged.ticket_key.in_(keys)).order_by(TaxCharged.id)):
        part = TaxPart(row.position, row.jurisdiction_id, row.rate_id, row.part, row.taxable_cents, row.amount_cents)
        charged[(row.ticket_key, row.position)].append(part)
    untaxed: dict[tuple[str, int], list[Untaxed]] = defaultdict(list)
    for free in session.scalars(select(TaxUntaxed).where(TaxUntaxed.ticket_key.in_(keys)).order_by(TaxUntaxed.id)):
        kind: Literal["deduction", "exempt"] = "deduction" if free.kind == "deduction" else "exempt"
        reason = Untaxed(free.position, free.jurisdiction_id, kind, free.reason, free.amount_cents)
        untaxed[(free.ticket_key, free.position)].append(reason)
    bought: dict[tuple[str, str, str], list[Purchase]] = defaultdict(list)
    for line_id, sold_at, quantity, price_cents, source, buyer, tag, key, position in rows:
        rows_of_tax = tuple(charged[(key, position)]), tuple(untaxed[(key, position)])
        purchase = Purchase(line_id, sold_at, quantity, price_cents, *rows_of_tax, *back.get(line_id, (0, 0)))
        bought[(source, buyer, tag)].append(purchase)
    return bought
