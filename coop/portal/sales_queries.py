"""What a dealer's page of sales reads: every line credited to her, what they come to, and her last thirteen months."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased

from coop.core.charts import Chart, chart_of_months
from coop.core.listing import Column, FromDay, Listed, Listing, OneOf, Words
from coop.core.money import plain_cents
from coop.core.web import Visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.portal.queries import own_dealers_query
from coop.sales.models import Ticket, TicketLine
from coop.sales.queries import sold_by_month


@dataclass(frozen=True)
class OwnLine:
    """An item sold for a dealer, or brought back."""

    on: date
    """The day it was credited to her."""
    sold_on: date
    ticket: str
    returns: str
    """Number of the ticket of the sale it brings back; empty when untied, and of a sale."""
    kind: str
    dealer: str
    mall: str
    tag: str
    description: str
    quantity: int
    tag_cents: int
    discount_cents: int
    """With the coupons she bears."""
    discount_reason: str
    price_cents: int
    is_claimed: bool
    """It was unclaimed, and she said that it was hers."""

    @property
    def marks(self) -> list[str]:
        """What is not plain of it, in words."""
        marks = []
        if self.kind == "return":
            marks.append(f"brought back of {self.returns}" if self.returns else "brought back")
        if self.is_claimed:
            marks.append("claimed by you")
        return marks


_SOLD, _SOLD_TICKET = aliased(TicketLine), aliased(Ticket)
_CLAIMED = TicketLine.credited_on != TicketLine.posting_date
_OFF = TicketLine.discount_cents + TicketLine.seller_coupon_cents
_KINDS = {"sold": Ticket.kind == "sale", "back": Ticket.kind == "return", "off": _OFF != 0, "claimed": _CLAIMED}


SALES: Listing[OwnLine] = Listing(
    columns=(
        Column("on", "Day", lambda row: row.on.isoformat(), order=TicketLine.credited_on),
        Column("item", "Item", lambda row: row.description, order=func.lower(TicketLine.description)),
        Column("tag", "Tag", lambda row: row.tag, order=TicketLine.tag),
        Column("ticket", "Ticket", lambda row: row.ticket),
        Column("sold", "Sold", lambda row: row.sold_on.isoformat()),
        Column("mall", "Mall", lambda row: row.mall),
        Column("dealer", "Dealer", lambda row: row.dealer),
        Column("pieces", "Pieces", lambda row: str(row.quantity), order=TicketLine.quantity, amount=True),
        Column("at_tag", "At tag", lambda row: plain_cents(row.tag_cents), order=TicketLine.tag_cents, amount=True),
        Column("discount", "Discount", lambda row: plain_cents(row.discount_cents), order=_OFF, amount=True),
        Column("net", "Net", lambda row: plain_cents(row.price_cents), order=TicketLine.price_cents, amount=True),
        Column("marks", "Note", lambda row: ", ".join(row.marks)),
    ),
    usual="-on",
    filters=(
        FromDay("from", "From", TicketLine.credited_on),
        FromDay("to", "To", TicketLine.credited_on, to_day=True),
        Words("find", "Tag or words", (TicketLine.tag, TicketLine.description)),
        OneOf(
            "kind",
            "Kind",
            (("sold", "sold"), ("back", "brought back"), ("off", "with a discount"), ("claimed", "claimed by me")),
            narrow=lambda kind: _KINDS[kind],
        ),
        OneOf("mall", "Mall", (), narrow=lambda code: Mall.code == code),
    ),
    tie=TicketLine.id.desc(),
)


def own_malls(session: Session, user: Visitor) -> Sequence[tuple[str, str]]:
    """Code and name of each mall where something was sold for this user, by code."""
    sold = (
        select(TicketLine.id)
        .where(TicketLine.mall_id == Mall.id, TicketLine.dealer_id.in_(own_dealers_query(user)))
        .correlate(Mall)
        .exists()
    )
    return [(code, name) for code, name in session.execute(select(Mall.code, Mall.name).where(sold).order_by(Mall.code))]


def _own_lines(user: Visitor) -> Select[Any]:
    of_line: list[Any] = [
        TicketLine.credited_on,
        Ticket.sold_on,
        Ticket.number,
        func.coalesce(_SOLD_TICKET.number, ""),
        Ticket.kind,
        Dealer.code,
        Mall.name,
        TicketLine.tag,
        TicketLine.description,
        TicketLine.quantity,
        TicketLine.tag_cents,
        _OFF.label("off"),
        TicketLine.discount_reason,
        TicketLine.price_cents,
        _CLAIMED.label("claimed"),
    ]
    return (
        select(*of_line)
        .select_from(TicketLine)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .join(Dealer, Dealer.id == TicketLine.dealer_id)
        .join(Mall, Mall.id == TicketLine.mall_id)
        .outerjoin(_SOLD, _SOLD.id == TicketLine.returns_line_id)
        .outerjoin(_SOLD_TICKET, _SOLD_TICKET.id == _SOLD.ticket_id)
        .where(TicketLine.dealer_id.in_(own_dealers_query(user)))
    )


@dataclass(frozen=True)
class Sums:
    """What the lines that are asked for come to, on every page, in cents."""

    pieces: int
    tag_cents: int
    discount_cents: int
    net_cents: int


def own_sales(
    session: Session, user: Visitor, asked: Mapping[str, str], malls: Sequence[tuple[str, str]]
) -> tuple[Listed[OwnLine], Sums]:
    """A page of this user's lines, and what all that are asked for come to: three queries."""
    listing = SALES.with_choices("mall", malls)
    query = _own_lines(user)
    whole = listing.narrow(query, asked).subquery()
    sums = session.execute(
        select(*(func.coalesce(func.sum(whole.c[name]), 0) for name in ("quantity", "tag_cents", "off", "price_cents")))
    ).one()
    return listing.read(session, query, asked, lambda row: OwnLine(*row)), Sums(*(int(one) for one in sums))


# --- by month -----------------------------------------------------------------------------------------------------------


def sold_chart(session: Session, user: Visitor, today: date) -> Chart:
    """This user's net sales of the last thirteen months. Two queries."""
    months = sold_by_month(session, TicketLine.dealer_id.in_(own_dealers_query(user)), today)
    return chart_of_months("Net sales by month", months)
