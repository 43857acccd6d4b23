"""Where an entry came from, as a link where there is a page of it. Two queries at most."""

from __future__ import annotations

from dataclasses import dataclass

from flask import url_for
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.models import Entry
from coop.books.payments import PAYMENT
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Charge, DepositLine, Lease
from coop.office.tax_queries import return_by_number
from coop.sales.models import LayawayAgreement, LayawayMove
from coop.tax.filing_queries import FILING


@dataclass(frozen=True)
class Source:
    words: str
    address: str = ""
    """Of its page; empty where there is none."""


def source_of(session: Session, entry: Entry) -> Source:
    """What made an entry."""
    plain = f"{entry.source_kind} {entry.source_id}, {entry.purpose}"
    match entry.source_kind:
        case "lease":
            return _of_lease(session, plain, select(Charge.lease_id).where(Charge.entry_id == entry.id))
        case "deposit":
            return _of_lease(session, plain, select(DepositLine.lease_id).where(DepositLine.entry_id == entry.id))
        case "layaway":
            row = session.execute(
                select(Mall.code, LayawayAgreement.number)
                .join(LayawayAgreement, LayawayAgreement.mall_id == Mall.id)
                .join(LayawayMove, LayawayMove.layaway_id == LayawayAgreement.id)
                .where(LayawayMove.entry_id == entry.id)
            ).first()
            if row is not None:
                return Source(f"layaway {row[1]}", url_for("layaways.layaway", mall_code=row[0], number=row[1]))
        case "entry":
            return Source(f"entry {entry.source_id}, {entry.purpose}", url_for("books.entry", entry_id=int(entry.source_id)))
        case "journal":
            return Source(f"journal entry {entry.source_id}", url_for("books.by_hand", journal_id=int(entry.source_id)))
        case kind if kind == FILING and return_by_number(session, entry.source_id) is not None:
            return Source(f"sales-tax return {entry.source_id}", url_for("tax.filed", number=entry.source_id))
        case kind if kind == PAYMENT:
            code = entry.source_id.split("/")[1] if entry.source_id.count("/") > 1 else ""
            if session.scalar(select(Dealer.id).where(Dealer.code == code)) is not None:
                return Source(f"payment of {code}", url_for("dealers.dealer", code=code))
    return Source(plain)


def _of_lease(session: Session, plain: str, lease_ids: object) -> Source:
    row = session.execute(
        select(Mall.code, Lease.id).join(Lease, Lease.mall_id == Mall.id).where(Lease.id.in_(lease_ids))  # type: ignore[arg-type]
    ).first()
    if row is None:
        return Source(plain)
    return Source(f"lease {row[1]} of {row[0]}", url_for("leases.lease", mall_code=row[0], lease_id=row[1]))
