"""What a returned item, or a delivery charge, gives back: the purchase it is tied to, and the tax that was charged then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.money import round_half_up
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import Claim, Ticket, TicketLine
from coop.tax.domain.layaway import complete
from coop.tax.domain.refund import GivenBack, SoldLine, give_back
from coop.tax.domain.ticket import DELIVERY, TaxPart, TicketRefused, TicketTax, Untaxed
from coop.tax.models import TaxCharged, TaxUntaxed


@dataclass(frozen=True)
class Tie:
    """What a returned line (or DELIVERY) gives back of a purchase; amounts are negative."""

    purchase: Purchase
    back: GivenBack
    maker_coupon_cents: int = 0
    trade_in_cents: int = 0


Tied = dict[tuple[str, int], Tie]
"""By ticket key and position."""


@dataclass
class Purchase:
    """A line that was sold, or a delivery that was charged, and how much of it has come back so far."""

    id: int
    """The line's; of a delivery its ticket's."""
    ticket_id: int
    sold_at: datetime
    quantity: int
    price_cents: int
    parts: tuple[TaxPart, ...]
    untaxed: tuple[Untaxed, ...] = ()
    maker_coupon_cents: int = 0
    trade_in_cents: int = 0
    certificate: str = ""
    dealer_id: int | None = None
    """Who was credited with it; None: nobody yet."""
    claimed: bool = False
    """Whether it was nobody's when it was sold, and has been claimed since."""
    back_quantity: int = 0
    back_cents: int = 0

    @property
    def gross_cents(self) -> int:
        """The price before reductions, as its tax rows make it up; a line sold before those were kept has its price alone."""
        rows = [(p.jurisdiction_id, p.taxable_cents) for p in self.parts if not p.part]
        rows += [(u.jurisdiction_id, u.amount_cents) for u in self.untaxed]
        return sum(cents for jurisdiction, cents in rows if jurisdiction == rows[0][0]) if rows else self.price_cents

    def take_back(self, quantity: int, price_cents: int) -> Tie:
        """Count a return (both positive) and answer what it gives back: negative rows of tax, and negative amounts."""
        # By cents of the price, so that parts of a line give back exactly what the whole was charged; by articles where a
        # coupon has left no price but a tax.
        whole, now, before = self.price_cents, price_cents, self.back_cents
        if not whole:
            whole, now, before = self.quantity, quantity, self.back_quantity
        self.back_quantity += quantity
        self.back_cents += price_cents
        if not now:
            return Tie(self, GivenBack(0, (), ()))
        try:
            back = give_back(SoldLine(self.gross_cents, whole, self.parts, self.untaxed), now, before)
        except TicketRefused as error:
            raise Refusal(f"A return gives back more than was paid: {error}") from error

        def of(cents: int) -> int:
            return round_half_up(Fraction(cents * (whole - before - now), whole)) - round_half_up(
                Fraction(cents * (whole - before), whole)
            )

        return Tie(self, back, of(self.maker_coupon_cents), of(self.trade_in_cents))

    def covers(self, quantity: int, price_cents: int) -> bool:
        return self.quantity - self.back_quantity >= quantity and self.price_cents - self.back_cents >= price_cents


def find_purchases(session: Session, mall: Mall, returns: Sequence[TicketIn]) -> Tied:
    """The purchase each returned line is tied to, by ticket key and position: the buyer's oldest of that tag with enough left.

    A delivery charge that comes back is that of a sale the return's lines are tied to. Never more than was bought. What has no
    such purchase is left out: an untied return. Seven queries at most, whatever the number.
    """
    wanted = [ticket for ticket in returns if ticket.buyer_key]
    if not wanted:
        return {}
    bought = _bought(session, mall, wanted)
    tied: Tied = {}
    in_order = sorted(wanted, key=lambda t: t.sold_at)
    for ticket in in_order:
        for line in ticket.lines:
            quantity, price_cents = -line.quantity, -line.price_cents
            for purchase in bought.get((ticket.source, ticket.buyer_key, line.tag), ()):
                if purchase.sold_at <= ticket.sold_at and purchase.covers(quantity, price_cents):
                    tied[(ticket.key, line.position)] = purchase.take_back(quantity, price_cents)
                    break
    _tie_deliveries(session, [ticket for ticket in in_order if ticket.delivery_cents], tied)
    return tied


def _tie_deliveries(session: Session, returns: Sequence[TicketIn], tied: Tied) -> None:
    sold: dict[str, list[int]] = {}
    """By return: the sales its lines are tied to, in their order."""
    for ticket in returns:
        ties = (tied.get((ticket.key, line.position)) for line in ticket.lines)
        sold[ticket.key] = list(dict.fromkeys(tie.purchase.ticket_id for tie in ties if tie))
    ids = {ticket_id for of in sold.values() for ticket_id in of}
    if not ids:
        return
    back = dict(
        session.execute(
            select(Ticket.delivery_of_id, func.sum(-Ticket.delivery_cents))
            .where(Ticket.delivery_of_id.in_(ids))
            .group_by(Ticket.delivery_of_id)
        ).all()
    )
    charged = session.scalars(select(Ticket).where(Ticket.id.in_(ids), Ticket.delivery_cents > 0)).all()
    parts, untaxed = rows_of(session, {ticket.key for ticket in charged})
    deliveries = {
        ticket.id: Purchase(
            ticket.id,
            ticket.id,
            ticket.sold_at,
            0,
            ticket.delivery_cents,
            tuple(parts[(ticket.key, DELIVERY)]),
            tuple(untaxed[(ticket.key, DELIVERY)]),
            certificate=ticket.certificate,
            back_cents=int(back.get(ticket.id, 0)),
        )
        for ticket in charged
    }
    for ticket in returns:
        for ticket_id in sold[ticket.key]:
            delivery = deliveries.get(ticket_id)
            if delivery is not None and delivery.covers(0, -ticket.delivery_cents):
                tied[(ticket.key, DELIVERY)] = delivery.take_back(0, -ticket.delivery_cents)
                break


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
            Ticket.id,
            TicketLine.maker_coupon_cents,
            TicketLine.trade_in_cents,
            Ticket.certificate,
            TicketLine.dealer_id,
            Claim.id,
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .outerjoin(Claim, (Claim.line_id == TicketLine.id) & (Claim.state == "granted"))
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
    claimed = _still_unclaimed(session, [row[0] for row in rows if row[13] is None])
    charged, untaxed = rows_of(session, {row[7] for row in rows})
    bought: dict[tuple[str, str, str], list[Purchase]] = defaultdict(list)
    for (
        line_id,
        sold_at,
        quantity,
        price_cents,
        source,
        buyer,
        tag,
        key,
        position,
        ticket_id,
        coupon,
        trade_in,
        number,
        dealer_id,
        claim_id,
    ) in rows:
        purchase = Purchase(
            line_id,
            ticket_id,
            sold_at,
            quantity,
            price_cents,
            tuple(charged[(key, position)]),
            tuple(untaxed[(key, position)]),
            coupon,
            trade_in,
            number,
            dealer_id or claimed.get(line_id),
            claim_id is not None or line_id in claimed,
            *back.get(line_id, (0, 0)),
        )
        bought[(source, buyer, tag)].append(purchase)
    return bought


def _still_unclaimed(session: Session, line_ids: Sequence[int]) -> dict[int, int]:
    """Hold lines that are nobody's as they are until this is over; the dealer of those that were claimed just before."""
    if not line_ids:
        return {}
    held = session.execute(
        select(TicketLine.id, TicketLine.dealer_id)
        .where(TicketLine.id.in_(line_ids))
        .order_by(TicketLine.id)
        .with_for_update(read=True)
    ).all()
    return {line_id: dealer_id for line_id, dealer_id in held if dealer_id is not None}


_Parts = dict[tuple[str, int], list[TaxPart]]
_Untaxed = dict[tuple[str, int], list[Untaxed]]


def rows_of(session: Session, keys: Iterable[str]) -> tuple[_Parts, _Untaxed]:
    """The tax rows of tickets, by key and position; a line number in them is a position.

    What a layaway's completion gave back of its agreement's tax is taken off it: no row of the two is left where nothing is.
    """
    charged: dict[tuple[str, int], list[TaxPart]] = defaultdict(list)
    untaxed: dict[tuple[str, int], list[Untaxed]] = defaultdict(list)
    by_key: dict[str, tuple[list[TaxPart], list[Untaxed]]] = defaultdict(lambda: ([], []))
    for row in session.scalars(select(TaxCharged).where(TaxCharged.ticket_key.in_(keys)).order_by(TaxCharged.id)):
        part = TaxPart(row.position, row.jurisdiction_id, row.rate_id, row.part, row.taxable_cents, row.amount_cents)
        by_key[row.ticket_key][0].append(part)
    for free in session.scalars(select(TaxUntaxed).where(TaxUntaxed.ticket_key.in_(keys)).order_by(TaxUntaxed.id)):
        kind: Literal["deduction", "exempt"] = "deduction" if free.kind == "deduction" else "exempt"
        reason = Untaxed(free.position, free.jurisdiction_id, kind, free.reason, free.amount_cents)
        by_key[free.ticket_key][1].append(reason)
    for key, (parts, rows) in by_key.items():
        whole = complete(TicketTax(tuple(parts), tuple(rows)), TicketTax((), ()))
        for part in whole.parts:
            charged[(key, part.line)].append(part)
        for reason in whole.untaxed:
            untaxed[(key, reason.line)].append(reason)
    return charged, untaxed
