"""The lists of what is open at the till: unclaimed sales of a mall, and gift certificates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from coop.core.listing import Column, FromDay, Listed, Listing, OneOf, Words
from coop.core.money import plain_cents
from coop.floor.models import Mall
from coop.sales import claims, gifts
from coop.sales.models import GiftCertificate, Ticket, TicketLine

UNCLAIMED: Listing[claims.UnclaimedLine] = Listing(
    columns=(
        Column("item", "Item", lambda row: row.line.description, order=TicketLine.description),
        Column("tag", "Tag", lambda row: row.line.tag, order=TicketLine.tag),
        Column("ticket", "Ticket", lambda row: row.ticket.number, order=Ticket.number),
        Column("sold", "Sold", lambda row: row.ticket.sold_on.isoformat(), order=Ticket.sold_on),
        Column("waited", "Days", lambda row: str(row.age_days), amount=True),
        Column("by", "Asked for by", lambda row: ", ".join(one.dealer.code for one in row.asked)),
        Column("price", "Price", lambda row: plain_cents(row.left_cents), order=claims.LEFT, amount=True),
    ),
    usual="sold",
    filters=(
        Words("find", "Item, tag or ticket", (TicketLine.description, TicketLine.tag, Ticket.number)),
        OneOf(
            "asked",
            "Which",
            (("no", "nobody has asked for"), ("yes", "asked for")),
            lambda asked: claims.IS_ASKED if asked == "yes" else ~claims.IS_ASKED,
        ),
        FromDay("from", "Sold from", day=Ticket.sold_on),
        FromDay("to", "Sold up to", day=Ticket.sold_on, to_day=True),
    ),
    tie=TicketLine.id,
    usually={"asked": "no"},
)


def read_unclaimed(
    session: Session, mall: Mall, asked: Mapping[str, str], *, today: date, old_after_days: int
) -> Listed[claims.UnclaimedLine]:
    """A page of a mall's unclaimed lines: those that nobody asks for, unless others are wanted."""

    def made(row: Any) -> claims.UnclaimedLine:
        return claims.unclaimed_line(row, today, old_after_days)

    listed = UNCLAIMED.read(session, claims.unclaimed_query(mall), asked, made)
    return replace(listed, rows=claims.claimed(session, listed.rows))


GIFT_STATES = {"open": "open", "used": "used up", "expired": "ended with money left"}


def read_gifts(session: Session, today: date, asked: Mapping[str, str]) -> Listed[gifts.ListedCertificate]:
    """A page of the co-op's gift certificates."""
    listing: Listing[gifts.ListedCertificate] = Listing(
        columns=(
            Column("number", "Number", lambda row: row.certificate.number, order=GiftCertificate.number),
            Column("sold", "Sold", lambda row: row.certificate.sold_on.isoformat(), order=GiftCertificate.sold_on),
            Column("state", "State", lambda row: GIFT_STATES[row.state]),
            Column("ends", "Ends", lambda row: str(row.certificate.expires_on or ""), order=GiftCertificate.expires_on),
            Column(
                "amount",
                "Amount",
                lambda row: plain_cents(row.certificate.amount_cents),
                order=GiftCertificate.amount_cents,
                amount=True,
            ),
            Column("left", "Left", lambda row: plain_cents(row.left_cents), order=gifts.LEFT_OF, amount=True),
        ),
        usual="-sold",
        filters=(
            Words("number", "Number", (GiftCertificate.number,)),
            OneOf("state", "State", tuple(GIFT_STATES.items()), lambda state: gifts.is_in_state(state, today)),
            FromDay("from", "Sold from", day=GiftCertificate.sold_on),
            FromDay("to", "Sold up to", day=GiftCertificate.sold_on, to_day=True),
        ),
        tie=GiftCertificate.id.desc(),
    )
    return listing.read(session, gifts.certificates_query(), asked, lambda row: gifts.listed(row, today))
