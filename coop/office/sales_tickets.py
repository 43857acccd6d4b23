"""Tickets and the items sold on them, as the office lists them. No query grows with the rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, false, func, or_, select, true, union
from sqlalchemy.orm import Session, aliased

from coop.core.listing import Column, FromDay, Listed, Listing, OneOf, Words, has_words
from coop.core.money import plain_cents
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.sales.models import Tender, Ticket, TicketLine

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

    A whole tag and a dealer's whole code stand in an index, and find theirs alone, with the ticket of that number. Else items are
    looked through, on the days that are asked for: their words stand in no index, their days do.
    """

    mall_id: int = 0
    days: tuple[date | None, date | None] = (None, None)
    is_tag: bool = False
    dealer_id: int | None = None
    """Whose whole code it is."""

    def where(self, asked: str) -> ColumnElement[bool]:
        items = select(TicketLine.ticket_id)
        first, last = self.days
        if self.is_tag or self.dealer_id is not None:
            tagged = items.where(TicketLine.mall_id == self.mall_id, _tagged(asked))
            # Hers at every mall, by the index of dealers: the list's own mall narrows them.
            hers = items.where(false() if self.dealer_id is None else TicketLine.dealer_id == self.dealer_id)
            # A ticket's own number may be the same text: some tills number them as others write tags.
            numbered = select(Ticket.id).where(
                Ticket.mall_id == self.mall_id,
                true() if first is None else Ticket.posting_date >= first,
                true() if last is None else Ticket.posting_date <= last,
                Ticket.number.in_((asked, asked.upper())),
            )
            return Ticket.id.in_(union(tagged, hers, numbered))
        dealers = select(Dealer.id).where(has_words((Dealer.code,), asked))
        items = items.where(
            TicketLine.mall_id == self.mall_id,
            true() if first is None else TicketLine.posting_date >= first,
            true() if last is None else TicketLine.posting_date <= last,
            or_(has_words((TicketLine.tag, TicketLine.description), asked), TicketLine.dealer_id.in_(dealers)),
        )
        return or_(has_words((Ticket.number,), asked), Ticket.id.in_(items))


@dataclass(frozen=True)
class ItemWords(Words):
    """Keeps items whose tag or description has these words; a whole tag finds its own alone."""

    is_tag: bool = False

    def where(self, asked: str) -> ColumnElement[bool]:
        return _tagged(asked) if self.is_tag else super().where(asked)


def _tagged(asked: str) -> ColumnElement[bool]:
    """Items of this whole tag, as it was typed or in capitals."""
    return TicketLine.tag.in_((asked, asked.upper()))


def _is_tag(session: Session, mall_id: int, asked: str) -> bool:
    there = select(TicketLine.id).where(TicketLine.mall_id == mall_id, _tagged(asked)).limit(1)
    return bool(asked) and session.scalar(there) is not None


@dataclass(frozen=True)
class Code(Words):
    """Keeps what is of the dealer with exactly this code."""

    def where(self, asked: str) -> ColumnElement[bool]:
        return Dealer.code == asked.upper()


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

_WORDS = TicketWords("find", "Number, tag or words")

TICKETS: Listing[TicketRow] = Listing(
    columns=(
        Column("number", "Ticket", lambda row: row.number, order=Ticket.number),
        Column("sold", "Sold", lambda row: row.sold_on.isoformat(), order=Ticket.sold_at),
        Column("posted", "In the books", lambda row: row.posting_date.isoformat()),
        Column("kind", "Kind", lambda row: "layaway" if row.is_layaway else row.kind),
        Column("pieces", "Pieces", lambda row: str(row.more.pieces), amount=True),
        Column("net", "Net", lambda row: plain_cents(row.net_cents), order=Ticket.net_cents, amount=True),
        Column("tax", "Tax", lambda row: plain_cents(row.tax_cents), order=Ticket.tax_cents, amount=True),
        Column("total", "Total", lambda row: plain_cents(row.total_cents), order=Ticket.total_cents, amount=True),
        Column("paid", "Paid by", lambda row: ", ".join(row.more.paid_by)),
        Column("returns", "Returns", lambda row: _numbers(row.more.returns)),
        Column("returned", "Returned by", lambda row: _numbers(row.more.returned_by)),
    ),
    usual="-sold",
    filters=(
        *_DAYS,
        _WORDS,
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
    """A page of a mall's tickets: eight queries, and four more for each ten thousand tickets of a CSV."""
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
    values = replace(TICKETS, usually=usually).values(asked)
    words = values["find"]
    told = TicketWords(
        _WORDS.key,
        _WORDS.label,
        mall_id=mall_id,
        days=_days(values),
        is_tag=_is_tag(session, mall_id, words),
        dealer_id=session.scalar(select(Dealer.id).where(Dealer.code == words.upper())) if words else None,
    )
    filters = tuple(told if one is _WORDS else one for one in TICKETS.filters)
    listed = replace(TICKETS, filters=filters, usually=usually).read(
        session, found, asked, lambda row: TicketRow(more[row.id], *row)
    )
    ids = [row.id for row in listed.rows]
    for start in range(0, len(ids), _AT_ONCE):
        _fill(session, ids[start : start + _AT_ONCE], more)
    return listed


def _days(values: Mapping[str, str]) -> tuple[date | None, date | None]:
    """The first and the last day that are asked for; None where there is none, or none that can be read."""

    def read(key: str) -> date | None:
        try:
            return date.fromisoformat(values[key])
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
        Column("ticket", "Ticket", lambda row: row.ticket),
        Column("dealer", "Dealer", lambda row: row.dealer, order=Dealer.code),
        Column("tag", "Tag", lambda row: row.tag, order=TicketLine.tag),
        Column("description", "Item", lambda row: row.description, order=func.lower(TicketLine.description)),
        Column("quantity", "Pieces", lambda row: str(row.quantity), order=TicketLine.quantity, amount=True),
        Column("at_tag", "At tag", lambda row: plain_cents(row.tag_cents), order=TicketLine.tag_cents, amount=True),
        Column("discount", "Discount", lambda row: plain_cents(row.discount_cents), order=TicketLine.discount_cents, amount=True),
        Column("price", "Price", lambda row: plain_cents(row.price_cents), order=TicketLine.price_cents, amount=True),
        Column("tax", "Tax", lambda row: plain_cents(row.tax_cents), order=TicketLine.tax_cents, amount=True),
    ),
    usual="-on",
    filters=(
        FromDay("from", "From", TicketLine.posting_date),
        FromDay("to", "To", TicketLine.posting_date, to_day=True),
        ItemWords("find", "Tag or words", (TicketLine.tag, TicketLine.description)),
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
    """A page of the items of a mall: three queries."""
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

    is_tag = _is_tag(session, mall_id, asked.get("find", "").strip())
    filters = tuple(replace(one, is_tag=is_tag) if isinstance(one, ItemWords) else one for one in LINES.filters)
    return replace(LINES, filters=filters, usually=usually).read(session, query, asked, made)
