"""The lists of tax: returns by their due dates, and certificates on file."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from coop.core.listing import Column, Listed, Listing, OneOf, Words
from coop.tax.due import DueRow
from coop.tax.models import TaxCertificate

KINDS = {"resale": "buys to sell again", "exempt": "exempt buyer"}
STATES = {"late": "late", "to file": "to be filed", "filed": "filed", "running": "not over yet"}


def state_of(row: DueRow) -> str:
    """How a return stands: one of STATES."""
    if row.filed is not None:
        return "filed"
    return "late" if row.late else "to file" if row.over else "running"


RETURNS: Listing[DueRow] = Listing(
    columns=(
        Column("period", "Period", lambda row: row.period.name, by=lambda row: row.period.first_day),
        Column("office", "Office", lambda row: row.office, by=lambda row: row.office.lower()),
        Column("due", "Due", lambda row: row.due_on.isoformat(), by=lambda row: row.due_on),
        Column("state", "State", lambda row: STATES[state_of(row)], by=lambda row: list(STATES).index(state_of(row))),
        Column("number", "Return", lambda row: row.filed.number if row.filed else ""),
    ),
    usual="-due",
    filters=(
        Words("office", "Office", of=lambda row: (row.office,)),
        OneOf("state", "State", tuple(STATES.items()), of=state_of),
    ),
)


def _day(on: date | None) -> str:
    return on.isoformat() if on else ""


def certificate_list(session: Session, today: date, asked: Mapping[str, str]) -> Listed[TaxCertificate]:
    """A page of the certificates on file."""

    def good(wanted: str) -> ColumnElement[bool]:
        ends = or_(TaxCertificate.expires_on.is_(None), TaxCertificate.expires_on >= today)
        return ends if wanted == "good" else ~ends

    listing: Listing[TaxCertificate] = Listing(
        columns=(
            Column("number", "Number", lambda it: it.number, order=TaxCertificate.number),
            Column("buyer", "Buyer", lambda it: it.buyer_name, order=TaxCertificate.buyer_name),
            Column("why", "Why", lambda it: KINDS[it.kind], order=TaxCertificate.kind),
            Column("states", "States", lambda it: " ".join(it.states)),
            Column("from", "From", lambda it: it.starts_on.isoformat(), order=TaxCertificate.starts_on),
            Column(
                "until",
                "Good until",
                lambda it: it.expires_on.isoformat() if it.expires_on else "",
                order=TaxCertificate.expires_on,
            ),
        ),
        usual="number",
        filters=(
            Words("find", "Number or buyer", (TaxCertificate.number, TaxCertificate.buyer_name)),
            OneOf("kind", "Why", tuple(KINDS.items()), narrow=lambda kind: TaxCertificate.kind == kind),
            OneOf("state", "State", (("good", "good today"), ("expired", "expired")), narrow=good),
        ),
        tie=TaxCertificate.id,
    )
    return listing.read(session, select(TaxCertificate), asked, lambda row: row[0])
