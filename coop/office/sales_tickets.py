"""Tickets and the items sold on them, as the office lists them, and one ticket whole. No query grows with the rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select, true
from sqlalchemy.orm import Session, aliased

from coop.books.models import Entry
from coop.core.csv_text import defused
from coop.core.listing import Column, FromDay, Listed, Listing, OneOf, Words
from coop.core.money import format_cents
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.models import GiftCertificate, GiftMove, LayawayAgreement, Tender, Ticket, TicketLine
from coop.tax.models import Jurisdiction, TaxCharged, TaxUntaxed

_AT_ONCE = 10_000
"""Tickets that one query looks up: a page is one, a long CSV a few."""


@dataclass(frozen=True)
class Tied:
    """A ticket that another returns items of, or that returns items of it."""

    id: int
    number: str


@dataclass
class TicketMore:
    """What of a ticket stands in other tables."""

    pieces: int = 0
    """Sold, or of a return brought back."""
    paid_by: list[str] = field(default_factory=list)
    returns: list[Tied] = field(default_factory=list)
    """The sales it brings items of back."""
    returned_by: list[Tied] = field(default_factory=list)


@dataclass(frozen=True)
class TicketRow:
    """A ticket as the list shows it."""

    more: TicketMore
    id: int
    number: str
    kind: str
    sold_at: datetime
    sold_on: date
    posting_date: date
    net_cents: int
    tax_cents: int
    total_cents: int
    is_layaway: bool


@dataclass(frozen=True)
class TicketWords(Words):
    """Keeps tickets of this number, and those with an item of this tag, description or dealer.

    Items are looked through on the days that are asked for alone: their words stand in no index, their days do.
    """

    mall_id: int = 0
    days: tuple[date | None, date | None] = (None, None)

    def where(self, asked: str) -> ColumnElement[bool]:
        first, last = self.days
        dealers = select(Dealer.id).where(has_words((Dealer.code,), asked))
        items = select(TicketLine.ticket_id).where(
            TicketLine.mall_id == self.mall_id,
            true() if first is None else TicketLine.posting_date >= first,
            true() if last is None else TicketLine.posting_date <= last,
            or_(has_words((TicketLine.tag, TicketLine.description), asked), TicketLine.dealer_id.in_(dealers)),
        )
        return or_(has_words((Ticket.number,), asked), Ticket.id.in_(items))


@dataclass(frozen=True)
class Code(Words):
    """Keeps what is of the dealer with exactly this code."""

    def where(self, asked: str) -> ColumnElement[bool]:
        return Dealer.code == asked.upper()


def has_words(texts: Iterable[Any], asked: str) -> ColumnElement[bool]:
    return or_(*(func.lower(text).contains(asked.lower(), autoescape=True) for text in texts))


def _cents(cents: int) -> str:
    return format_cents(cents, grouped=False)


def _numbers(tied: Sequence[Tied]) -> str:
    return " ".join(one.number for one in tied)


_KINDS = {
    "sale": Ticket.kind == "sale",
    "return": Ticket.kind == "return",
    "layaway": Ticket.layaway_completed_on.is_not(None),
    "delivery": Ticket.delivery_cents != 0,
    "late": Ticket.posting_date != Ticket.sold_on,
}
_DAYS = (FromDay("from", "From", Ticket.posting_date), FromDay("to", "To", Ticket.posting_date, to_day=True))

TICKETS: Listing[TicketRow] = Listing(
    columns=(
        Column("number", "Ticket", lambda row: defused(row.number), order=Ticket.number),
        Column("sold", "Sold", lambda row: row.sold_on.isoformat(), order=Ticket.sold_at),
        Column("posted", "In the books", lambda row: row.posting_date.isoformat()),
        Column("kind", "Kind", lambda row: "layaway" if row.is_layaway else row.kind),
        Column("pieces", "Pieces", lambda row: str(row.more.pieces), amount=True),
        Column("net", "Net", lambda row: _cents(row.net_cents), order=Ticket.net_cents, amount=True),
        Column("tax", "Tax", lambda row: _cents(row.tax_cents), order=Ticket.tax_cents, amount=True),
        Column("total", "Total", lambda row: _cents(row.total_cents), order=Ticket.total_cents, amount=True),
        Column("paid", "Paid by", lambda row: ", ".join(row.more.paid_by)),
        Column("returns", "Returns", lambda row: defused(_numbers(row.more.returns))),
        Column("returned", "Returned by", lambda row: defused(_numbers(row.more.returned_by))),
    ),
    usual="-sold",
    filters=(
        *_DAYS,
        TicketWords("find", "Number, tag or words"),
        OneOf(
            "kind",
            "Kind",
            (
                ("sale", "sales"),
                ("return", "returns"),
                ("layaway", "completed layaways"),
                ("delivery", "with delivery"),
                ("late", "came late into the books"),
            ),
            narrow=lambda kind: _KINDS[kind],
        ),
    ),
    tie=Ticket.id.desc(),
)


def usual_days(month: Month, today: date) -> dict[str, str]:
    """The days a list has while nobody has asked for others: those of the month so far."""
    return {"from": month.first_day.isoformat(), "to": min(today, month.last_day).isoformat()}


def list_tickets(session: Session, mall_id: int, asked: Mapping[str, str], usually: Mapping[str, str]) -> Listed[TicketRow]:
    """A page of a mall's tickets: six queries, and four more for each ten thousand tickets of a CSV."""
    more: dict[int, TicketMore] = defaultdict(TicketMore)
    shown = (
        Ticket.id,
        Ticket.number,
        Ticket.kind,
        Ticket.sold_at,
        Ticket.sold_on,
        Ticket.posting_date,
        Ticket.net_cents,
        Ticket.tax_cents,
        Ticket.total_cents,
        Ticket.layaway_completed_on.is_not(None),
    )
    found = select(*shown).where(Ticket.mall_id == mall_id)
    days = _days(asked if any(one.key in asked for one in TICKETS.filters) else usually)
    filters = tuple(replace(one, mall_id=mall_id, days=days) if isinstance(one, TicketWords) else one for one in TICKETS.filters)
    listed = replace(TICKETS, filters=filters, usually=usually).read(
        session, found, asked, lambda row: TicketRow(more[row.id], *row)
    )
    ids = [row.id for row in listed.rows]
    for start in range(0, len(ids), _AT_ONCE):
        _fill(session, ids[start : start + _AT_ONCE], more)
    return listed


def _days(asked: Mapping[str, str]) -> tuple[date | None, date | None]:
    """The first and the last day that are asked for; None where there is none, or none that can be read."""

    def read(key: str) -> date | None:
        try:
            return date.fromisoformat(asked.get(key, "").strip())
        except ValueError:
            return None

    return read("from"), read("to")


def _fill(session: Session, ids: Sequence[int], more: dict[int, TicketMore]) -> None:
    pieces = select(TicketLine.ticket_id, func.sum(func.abs(TicketLine.quantity))).where(TicketLine.ticket_id.in_(ids))
    for ticket_id, count in session.execute(pieces.group_by(TicketLine.ticket_id)):
        more[ticket_id].pieces = int(count)
    tenders = select(Tender.ticket_id, Tender.kind).where(Tender.ticket_id.in_(ids)).order_by(Tender.id)
    for ticket_id, kind in session.execute(tenders):
        if kind not in more[ticket_id].paid_by:
            more[ticket_id].paid_by.append(kind)
    for sale_id, _sale, back_id, back in session.execute(_TIED.where(_SOLD.ticket_id.in_(ids))):
        more[sale_id].returned_by.append(Tied(back_id, back))
    for sale_id, sale, back_id, _back in session.execute(_TIED.where(_BROUGHT.ticket_id.in_(ids))):
        more[back_id].returns.append(Tied(sale_id, sale))


_SOLD, _BROUGHT, _SALE, _RETURN = aliased(TicketLine), aliased(TicketLine), aliased(Ticket), aliased(Ticket)
_TIED = (
    select(_SALE.id, _SALE.number, _RETURN.id, _RETURN.number)
    .select_from(_BROUGHT)
    .join(_SOLD, _SOLD.id == _BROUGHT.returns_line_id)
    .join(_SALE, _SALE.id == _SOLD.ticket_id)
    .join(_RETURN, _RETURN.id == _BROUGHT.ticket_id)
    .distinct()
    .order_by(_SALE.id, _RETURN.id)
)
"""Sales and returns of items of them, each pair once."""


# --- items --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LineRow:
    """An item sold, or brought back, as the list shows it."""

    id: int
    ticket_id: int
    ticket: str
    on: date
    """In the books."""
    dealer: str
    """Her code; empty: nobody's yet."""
    claimed_on: date | None
    """The day it was credited to her, where that is a later one."""
    tag: str
    description: str
    quantity: int
    tag_cents: int
    discount_cents: int
    """With the coupons she bears."""
    price_cents: int
    tax_cents: int


_LINE_KINDS = {
    "sold": TicketLine.price_cents >= 0,
    "back": TicketLine.price_cents < 0,
    "nobodys": TicketLine.credited_on.is_(None),
    "off": or_(TicketLine.discount_cents != 0, TicketLine.seller_coupon_cents != 0),
}

LINES: Listing[LineRow] = Listing(
    columns=(
        Column("on", "Day", lambda row: row.on.isoformat(), order=TicketLine.posting_date),
        Column("ticket", "Ticket", lambda row: defused(row.ticket)),
        Column("dealer", "Dealer", lambda row: row.dealer, order=Dealer.code),
        Column("tag", "Tag", lambda row: defused(row.tag), order=TicketLine.tag),
        Column("description", "Item", lambda row: defused(row.description), order=func.lower(TicketLine.description)),
        Column("quantity", "Pieces", lambda row: str(row.quantity), order=TicketLine.quantity, amount=True),
        Column("at_tag", "At tag", lambda row: _cents(row.tag_cents), order=TicketLine.tag_cents, amount=True),
        Column("discount", "Discount", lambda row: _cents(row.discount_cents), order=TicketLine.discount_cents, amount=True),
        Column("price", "Price", lambda row: _cents(row.price_cents), order=TicketLine.price_cents, amount=True),
        Column("tax", "Tax", lambda row: _cents(row.tax_cents), order=TicketLine.tax_cents, amount=True),
    ),
    usual="-on",
    filters=(
        FromDay("from", "From", TicketLine.posting_date),
        FromDay("to", "To", TicketLine.posting_date, to_day=True),
        Words("find", "Tag or words", (TicketLine.tag, TicketLine.description)),
        Code("dealer", "Dealer code"),
        OneOf(
            "kind",
            "Kind",
            (("sold", "sold"), ("back", "brought back"), ("off", "with a discount"), ("nobodys", "nobody’s yet")),
            narrow=lambda kind: _LINE_KINDS[kind],
        ),
    ),
    tie=TicketLine.id.desc(),
)


def list_lines(session: Session, mall_id: int, asked: Mapping[str, str], usually: Mapping[str, str]) -> Listed[LineRow]:
    """A page of the items of a mall: two queries."""
    query = (
        select(
            TicketLine.id,
            Ticket.id,
            Ticket.number,
            TicketLine.posting_date,
            func.coalesce(Dealer.code, ""),
            TicketLine.credited_on,
            TicketLine.tag,
            TicketLine.description,
            TicketLine.quantity,
            TicketLine.tag_cents,
            TicketLine.discount_cents + TicketLine.seller_coupon_cents,
            TicketLine.price_cents,
            TicketLine.tax_cents,
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .outerjoin(Dealer, Dealer.id == TicketLine.dealer_id)
        .where(TicketLine.mall_id == mall_id)
    )

    def made(row: Any) -> LineRow:
        line_id, ticket_id, number, on, dealer, credited_on, *rest = row
        return LineRow(line_id, ticket_id, number, on, dealer, credited_on if credited_on != on else None, *rest)

    return replace(LINES, usually=usually).read(session, query, asked, made)


# --- one ticket ---------------------------------------------------------------------------------------------------------


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
