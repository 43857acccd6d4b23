"""Where an entry came from, as a link where there is a page of it. Two queries at most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import url_for
from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session

from coop.books.bank_matching import FROM_LINE
from coop.books.journal import JOURNAL
from coop.books.models import Entry
from coop.books.payments import PAYMENT
from coop.books.queries import LAYAWAY
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Charge, DepositLine, Lease
from coop.office.tax_queries import return_by_number
from coop.payouts.models import PayoutLine, PayoutPart, PayoutRun
from coop.payouts.queries import PAYOUT
from coop.sales.gifts import GIFT
from coop.sales.models import Claim, GiftCertificate, GiftMove, LayawayAgreement, LayawayMove, Ticket, TicketLine
from coop.tax.filing_queries import FILING


@dataclass(frozen=True)
class Source:
    words: str
    address: str = ""
    """Of its page; empty where there is none."""


def source_of(session: Session, entry: Entry) -> Source:
    """What made an entry."""
    plain = Source(f"{entry.source_kind} {entry.source_id}, {entry.purpose}")
    match entry.source_kind:
        case "entry":
            return Source(f"entry {entry.source_id}, {entry.purpose}", url_for("books.entry", entry_id=int(entry.source_id)))
        case kind if kind == JOURNAL:
            return Source(f"journal entry {entry.source_id}", url_for("books.by_hand", journal_id=int(entry.source_id)))
        case kind if kind == FROM_LINE:
            return Source(f"a line of the bank, {entry.purpose}", url_for("bank.line", line_id=int(entry.source_id)))
        case kind if kind == FILING and return_by_number(session, entry.source_id) is not None:
            return Source(f"sales-tax return {entry.source_id}", url_for("tax.filed", number=entry.source_id))
        case kind if kind == PAYMENT:
            code = entry.source_id.split("/")[1] if entry.source_id.count("/") > 1 else ""
            known = session.scalar(select(Dealer.id).where(Dealer.code == code))
            return plain if known is None else Source(f"payment of {code}", url_for("dealers.dealer", code=code))
    asked = _asked(entry)
    row = None if asked is None else session.execute(asked).first()
    return plain if row is None else _linked(entry.source_kind, row)


def _asked(entry: Entry) -> Select[Any, Any] | None:
    """What finds the thing behind an entry; None where nothing is kept of it."""
    at_mall = select(Mall.code, Lease.id).join(Lease, Lease.mall_id == Mall.id)
    match entry.source_kind:
        case "ticket":
            return select(Mall.code, Ticket).join(Ticket, Ticket.mall_id == Mall.id).where(Ticket.key == entry.source_id)
        case "lease":
            return at_mall.join(Charge, Charge.lease_id == Lease.id).where(Charge.entry_id == entry.id)
        case "deposit":
            return at_mall.join(DepositLine, DepositLine.lease_id == Lease.id).where(DepositLine.entry_id == entry.id)
        case kind if kind == LAYAWAY:
            return (
                select(Mall.code, LayawayAgreement.number)
                .join(LayawayAgreement, LayawayAgreement.mall_id == Mall.id)
                .join(LayawayMove, LayawayMove.layaway_id == LayawayAgreement.id)
                .where(LayawayMove.entry_id == entry.id)
            )
        case kind if kind == PAYOUT:
            return (
                select(PayoutRun.number, Dealer.code)
                .join(PayoutLine, PayoutLine.run_id == PayoutRun.id)
                .join(PayoutPart, PayoutPart.line_id == PayoutLine.id)
                .join(Dealer, Dealer.id == PayoutLine.dealer_id)
                .where(or_(PayoutPart.entry_id == entry.id, PayoutPart.back_entry_id == entry.id))
            )
        case kind if kind == GIFT:
            return (
                select(GiftCertificate.number, GiftCertificate.id)
                .join(GiftMove, GiftMove.certificate_id == GiftCertificate.id)
                .where(GiftMove.entry_id == entry.id)
            )
        case "claim":
            return (
                select(Mall.code, TicketLine.id)
                .join(TicketLine, TicketLine.mall_id == Mall.id)
                .join(Claim, Claim.line_id == TicketLine.id)
                .where(Claim.entry_id == entry.id)
            )
    return None


def _linked(kind: str, row: Any) -> Source:
    first, second = row[0], row[1]
    match kind:
        case "ticket":
            return Source(f"ticket {second.number}", url_for("sales.ticket", mall_code=first, ticket_id=second.id))
        case "lease" | "deposit":
            return Source(f"lease {second} of {first}", url_for("leases.lease", mall_code=first, lease_id=second))
        case "claim":
            return Source("a claim of an unclaimed sale", url_for("sales.line", mall_code=first, line_id=second))
        case one if one == LAYAWAY:
            return Source(f"layaway {second}", url_for("layaways.layaway", mall_code=first, number=second))
        case one if one == GIFT:
            return Source(f"gift certificate {first}", url_for("sales.certificate", certificate_id=second))
    return Source(f"payout run {first}, {second}", url_for("payouts.payment", number=first, code=second))
