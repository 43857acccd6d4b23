"""One ticket whole, for the office: its items, its tax, how it was paid, and what hangs on it. No query grows with the rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import and_, func, select
from sqlalchemy.orm import Session, aliased

from coop.books.models import Entry
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.office.sales_tickets import Tied
from coop.sales.models import GiftCertificate, GiftMove, LayawayAgreement, Tender, Ticket, TicketLine
from coop.tax.models import Jurisdiction, TaxCharged, TaxUntaxed


@dataclass(frozen=True)
class JurisdictionTax:
    """What a ticket was charged for one jurisdiction, at one of its rates."""

    name: str
    part: str
    """The name of an upper tier; empty for the jurisdiction's rate."""
    taxable_cents: int
    amount_cents: int


@dataclass(frozen=True)
class Untaxed:
    """What of a ticket a jurisdiction did not tax, and why."""

    name: str
    reason: str
    amount_cents: int


@dataclass(frozen=True)
class ShownLine:
    """An item of a ticket with its dealer and what it is tied to."""

    line: TicketLine
    dealer: Dealer | None
    returns: Tied | None
    """The ticket whose item it brings back."""
    returned_by: Sequence[Tied]


@dataclass(frozen=True)
class TicketView:
    """One ticket whole."""

    ticket: Ticket
    lines: Sequence[ShownLine]
    taxes: Sequence[JurisdictionTax]
    untaxed: Sequence[Untaxed]
    tenders: Sequence[Tender]
    gifts: Sequence[tuple[GiftMove, GiftCertificate]]
    layaway: LayawayAgreement | None
    entries: Sequence[Entry]
    """Its own first, then those beside it, as of a surcharge."""

    @property
    def lowered(self) -> bool:
        """Whether anything was taken off an item."""
        return any(one.line.price_cents != one.line.tag_cents for one in self.lines)


def ticket_view(session: Session, mall: Mall, ticket_id: int) -> TicketView | None:
    """A ticket of a mall with everything that hangs on it; None where it has none of that number. Nine queries."""
    ticket = session.get(Ticket, ticket_id)
    if ticket is None or ticket.mall_id != mall.id:
        return None
    return TicketView(
        ticket,
        _lines(session, ticket),
        _taxes(session, ticket),
        _untaxed(session, ticket),
        session.scalars(select(Tender).where(Tender.ticket_id == ticket.id).order_by(Tender.id)).all(),
        [
            (move, certificate)
            for move, certificate in session.execute(
                select(GiftMove, GiftCertificate)
                .join(GiftCertificate, GiftCertificate.id == GiftMove.certificate_id)
                .where(GiftMove.ticket_id == ticket.id)
                .order_by(GiftMove.id)
            )
        ],
        session.scalar(select(LayawayAgreement).where(LayawayAgreement.ticket_id == ticket.id)),
        session.scalars(
            select(Entry).where(Entry.source_kind == "ticket", Entry.source_id == ticket.key).order_by(Entry.id)
        ).all(),
    )


def _lines(session: Session, ticket: Ticket) -> list[ShownLine]:
    sold, sale, back, taken_back = aliased(TicketLine), aliased(Ticket), aliased(TicketLine), aliased(Ticket)
    rows = session.execute(
        select(TicketLine, Dealer, sale.id, sale.number)
        .outerjoin(Dealer, Dealer.id == TicketLine.dealer_id)
        .outerjoin(sold, sold.id == TicketLine.returns_line_id)
        .outerjoin(sale, sale.id == sold.ticket_id)
        .where(TicketLine.ticket_id == ticket.id)
        .order_by(TicketLine.position)
    ).all()
    returned: dict[int, list[Tied]] = defaultdict(list)
    brought = (
        select(back.returns_line_id, taken_back.id, taken_back.number)
        .join(taken_back, taken_back.id == back.ticket_id)
        .where(back.returns_line_id.in_([line.id for line, *_ in rows]))
        .order_by(back.id)
    )
    for line_id, back_id, number in session.execute(brought):
        if line_id is not None:
            returned[line_id].append(Tied(back_id, number))
    return [
        ShownLine(line, dealer, Tied(sale_id, number) if sale_id is not None else None, returned[line.id])
        for line, dealer, sale_id, number in rows
    ]


def _taxes(session: Session, ticket: Ticket) -> list[JurisdictionTax]:
    rows = session.execute(
        select(Jurisdiction.name, TaxCharged.part, func.sum(TaxCharged.taxable_cents), func.sum(TaxCharged.amount_cents))
        .join(Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id)
        .where(TaxCharged.ticket_key == ticket.key)
        .group_by(Jurisdiction.id, Jurisdiction.name, TaxCharged.part)
        .order_by(Jurisdiction.id, TaxCharged.part)
    )
    return [JurisdictionTax(name, part, int(taxable), int(amount)) for name, part, taxable, amount in rows]


def _untaxed(session: Session, ticket: Ticket) -> list[Untaxed]:
    rows = session.execute(
        select(Jurisdiction.name, TaxUntaxed.reason, func.sum(TaxUntaxed.amount_cents))
        .join(Jurisdiction, Jurisdiction.id == TaxUntaxed.jurisdiction_id)
        .where(and_(TaxUntaxed.ticket_key == ticket.key, TaxUntaxed.amount_cents != 0))
        .group_by(Jurisdiction.id, Jurisdiction.name, TaxUntaxed.reason)
        .order_by(Jurisdiction.id, TaxUntaxed.reason)
    )
    return [Untaxed(name, reason, int(amount)) for name, reason, amount in rows]
