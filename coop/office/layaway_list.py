"""The list of a mall's layaways: its columns, what it is sorted by and what narrows it."""

from __future__ import annotations

from collections.abc import Mapping

from sqlalchemy.orm import Session

from coop.core.listing import Column, FromDay, Listing, OneOf, Words
from coop.core.listing import Listed as Page
from coop.core.money import plain_cents
from coop.sales.layaway import HELD_OF, Listed, layaways_query
from coop.sales.models import LayawayAgreement

STATES = ("open", "completed", "cancelled")


LAYAWAYS: Listing[Listed] = Listing(
    columns=(
        Column("number", "Layaway", lambda row: str(row.layaway.number), order=LayawayAgreement.number),
        Column("buyer", "Buyer", lambda row: row.layaway.buyer_name, order=LayawayAgreement.buyer_name),
        Column("state", "State", lambda row: row.layaway.state, order=LayawayAgreement.state),
        Column("agreed", "Agreed", lambda row: row.layaway.accepted_on.isoformat(), order=LayawayAgreement.accepted_on),
        Column("due", "Due", lambda row: row.layaway.due_on.isoformat(), order=LayawayAgreement.due_on),
        Column(
            "ended",
            "Ended",
            lambda row: row.layaway.closed_on.isoformat() if row.layaway.closed_on else "",
            order=LayawayAgreement.closed_on,
        ),
        Column("prices", "Prices", lambda row: plain_cents(row.layaway.net_cents), order=LayawayAgreement.net_cents, amount=True),
        Column("held", "Held", lambda row: plain_cents(row.held_cents), order=HELD_OF, amount=True),
        Column("left", "To pay", lambda row: plain_cents(row.left_cents) if row.layaway.state == "open" else "", amount=True),
    ),
    usual="due",
    filters=(
        Words("find", "Buyer", (LayawayAgreement.buyer_name,)),
        OneOf("state", "State", tuple((state, state) for state in STATES), narrow=lambda state: LayawayAgreement.state == state),
        FromDay("from", "Due from", day=LayawayAgreement.due_on),
        FromDay("to", "Due up to", day=LayawayAgreement.due_on, to_day=True),
    ),
    tie=LayawayAgreement.id,
    usually={"state": "open"},
)


def read_layaways(session: Session, mall_id: int, asked: Mapping[str, str]) -> Page[Listed]:
    """A page of a mall's layaways: those that are open, unless others are asked for."""
    return LAYAWAYS.read(session, layaways_query(mall_id), asked, lambda row: Listed(row[0], int(row[1])))
