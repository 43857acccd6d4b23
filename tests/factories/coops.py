"""A small invented co-op built through the services, for month-ends: four dealers, rent, tax, a return, an unclaimed sale.

And what a co-op holds, read in a form that two runs can be compared by: without row numbers and without the moments of work.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased, undefer

import coop.rooms
from coop.books.models import Account, Entry, Period, Posting, Seal
from coop.closing.models import CloseStep
from coop.core.documents import Document
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.dealers.membership import add_dealer, found_coop
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall, add_space
from coop.leases.agreements import make_lease
from coop.leases.models import Charge
from coop.leases.rules import set_rate
from coop.sales.domain import LineIn, TenderIn, TicketIn
from coop.sales.models import ImportRefusal, SalesImport, Ticket, TicketLine
from coop.sales.service import take_tickets
from coop.statements.models import Statement
from coop.tax import service as tax
from coop.tax.models import Jurisdiction, TaxCharged

MARCH, APRIL = Month(2025, 3), Month(2025, 4)
ZONE = "America/Chicago"


def noon_zone() -> str:
    """A time zone where it is about noon now: what is dated by the day it is made on is not dated across midnight."""
    hours = 12 - datetime.now(UTC).hour
    return f"Etc/GMT{-hours:+d}" if hours else "Etc/GMT"


@dataclass(frozen=True)
class SmallCoop:
    """What was built."""

    mall: Mall
    dealers: dict[str, Dealer]


def line(dealer: Dealer | None, cents: int, *, tag: str = "", position: int = 1, discount: int = 0, quantity: int = 1) -> LineIn:
    """An item at a tag price in cents; `discount` (cents) is the dealer's own sale."""
    return LineIn(
        position=position,
        dealer_id=dealer.id if dealer else None,
        tag=tag or (f"{dealer.code}-{cents}" if dealer else ""),
        description="Pressed glass bowl",
        quantity=quantity,
        unit_price=Decimal(cents) / 100 / quantity,
        tag_cents=cents,
        discount_cents=discount,
        discount_reason="booth" if discount else "",
        discount_authority="Spring sale" if discount else "",
    )


def ticket(
    number: str,
    day: date,
    lines: Sequence[LineIn],
    *,
    zone: str = ZONE,
    kind: str = "sale",
    buyer: str = "",
    taxed: bool = True,
    tender: str = "card",
) -> TicketIn:
    """A ticket of the desk, rung at 13:30 of the mall's clock."""
    return TicketIn(
        key=f"desk/{number}",
        number=number,
        source="desk",
        kind=kind,
        sold_at=datetime(day.year, day.month, day.day, 13, 30, tzinfo=ZoneInfo(zone)).astimezone(UTC),
        lines=tuple(lines),
        tenders=(TenderIn(tender),),
        taxed=taxed,
        buyer_key=buyer,
    )


def found(session: Session, now: datetime, *, zone: str = ZONE, dealers: Iterable[str] = ()) -> SmallCoop:
    """A co-op with the mall MAIN, and dealers of these codes with a plain lease and a mail address."""
    found_coop(session, now, "Lantern Yard Dealers' Co-op", commission_percent=Decimal(10))
    mall = add_mall(session, now, "MAIN", name="Lantern Yard Antiques Hall", timezone=zone, address="4 Tannery Row")
    made = {}
    for code in dealers:
        email = f"{code.lower()}@example.org"
        made[code] = add_dealer(session, now, code, name=f"Keeper of {code}", email=email, joined_on=date(2025, 1, 1))
        make_lease(session, now, mall, made[code], starts_on=date(2025, 1, 1), commission_percent=Decimal(10))
    return SmallCoop(mall, made)


def build_coop(session: Session, now: datetime, *, zone: str = ZONE) -> SmallCoop:
    """The small co-op with its sales of March 2025, nothing charged yet.

    D01 rents booth 1, D02 case A at a flat price, D03 booth 2 from the 17th and sells nothing (so owes), D04 rents nothing and
    has no mail address.
    """
    found_coop(session, now, "Lantern Yard Dealers' Co-op", commission_percent=Decimal(10))
    mall = add_mall(session, now, "MAIN", name="Lantern Yard Antiques Hall", timezone=zone, address="4 Tannery Row")
    kinds = {"1": ("booth", "front", 12), "2": ("booth", "front", 9), "A": ("case", "case", 3)}
    spaces = {
        code: add_space(session, now, mall, code, kind=kind, zone=area, width_in16=10 * 192, depth_in16=depth * 192)
        for code, (kind, area, depth) in kinds.items()
    }
    set_rate(session, mall, "front", Decimal("2.25"), per="sqft", starts_on=date(2025, 1, 1))
    set_rate(session, mall, "case", Decimal("45"), per="flat", starts_on=date(2025, 1, 1))
    state = tax.add_jurisdiction(session, code="STATE-EL", name="State of Elmora", kind="state")
    county = tax.add_jurisdiction(session, code="COUNTY-PINE", name="Pine County", kind="county")
    tax.set_rate(session, state, Decimal("5.5"), starts_on=date(2025, 1, 1))
    tax.set_rate(session, county, Decimal("0.5"), starts_on=date(2025, 1, 1))
    tax.set_place(session, mall.id, [state, county], starts_on=date(2025, 1, 1))
    dealers = {}
    for code, name, email, held, percent, begins in (
        ("D01", "Ida Fenwick", "ida@example.org", ["1"], "10", date(2025, 3, 1)),
        ("D02", "Amos Pell", "amos@example.org", ["A"], "12.5", date(2025, 3, 1)),
        ("D03", "Vera Quill", "vera@example.org", ["2"], "10", date(2025, 3, 17)),
        ("D04", "Otis Marrow", "", [], "8", date(2025, 3, 1)),
    ):
        dealer = add_dealer(session, now, code, name=name, email=email, joined_on=date(2025, 1, 1))
        make_lease(
            session,
            now,
            mall,
            dealer,
            starts_on=begins,
            commission_percent=Decimal(percent),
            spaces=[spaces[code] for code in held],
        )
        dealers[code] = dealer
    take_tickets(session, now, mall, _march(dealers, zone))
    return SmallCoop(mall, dealers)


def _march(dealers: dict[str, Dealer], zone: str) -> list[TicketIn]:
    d1, d2, d4 = dealers["D01"], dealers["D02"], dealers["D04"]
    sold = [
        ("1001", 1, [line(d1, 12500), line(d2, 1999, position=2)]),
        ("1002", 3, [line(d1, 4250, discount=425)]),
        ("1003", 8, [line(d2, 33333), line(d2, 33333, position=2), line(d4, 500, position=3)]),
        ("1004", 15, [line(None, 1800)]),
        ("1005", 20, [line(d4, 79900, discount=5000)]),
        ("1006", 31, [line(d1, 101), line(None, 250, position=2)]),
    ]
    tickets = [ticket(number, date(2025, 3, day), lines, zone=zone, buyer=f"buyer-{number}") for number, day, lines in sold]
    back = line(d2, -33333, tag="D02-33333", quantity=-1)
    tickets.append(ticket("R1", date(2025, 3, 22), [back], zone=zone, kind="return", buyer="buyer-1003"))
    untied = line(d1, -700, tag="D01-older", quantity=-1)
    tickets.append(ticket("R2", date(2025, 3, 24), [untied], zone=zone, kind="return"))
    return tickets


# --- reading ------------------------------------------------------------------------------------------------------------


def content(session: Session) -> dict[str, list[Any]]:
    """What a co-op holds of business, sorted, by kind: the same for two runs that came to the same."""
    return {
        "balances": _rows(
            session,
            select(Account.path, func.sum(Posting.amount_cents))
            .join(Posting, Posting.account_id == Account.id)
            .group_by(Account.path),
        ),
        "entries": _rows(
            session,
            select(
                Entry.business_date, Entry.kind, Entry.source_id, Entry.purpose, Entry.memo, Account.path, Posting.amount_cents
            )
            .join(Posting, Posting.entry_id == Entry.id)
            .join(Account, Account.id == Posting.account_id),
        ),
        "lines": _lines(session),
        "tax": _rows(
            session,
            select(TaxCharged.ticket_key, TaxCharged.position, Jurisdiction.code, TaxCharged.amount_cents).join(
                Jurisdiction, Jurisdiction.id == TaxCharged.jurisdiction_id
            ),
        ),
        "charges": _rows(
            session,
            select(Dealer.code, Charge.what, Charge.change, Charge.label, Charge.working, Charge.amount_cents).join(
                Dealer, Dealer.id == Charge.dealer_id
            ),
        ),
        "periods": _rows(session, select(Period.first_day, Period.state)),
        "seals": _rows(session, select(Seal.chain, Seal.number, Seal.reason, Seal.entries, Seal.debits_cents)),
        "steps": _rows(session, select(CloseStep.name, CloseStep.state, CloseStep.report)),
        "statements": _statements(session),
        "mail": _rows(
            session,
            # Not its Message-ID, which is salted with what each co-op alone knows.
            select(Outbox.key, Outbox.recipient, Outbox.subject, Outbox.text_body, Outbox.state),
        ),
        "imports": _rows(
            session,
            select(
                SalesImport.file_sha256,
                SalesImport.state,
                SalesImport.rows,
                SalesImport.rows_taken,
                SalesImport.rows_unclaimed,
                SalesImport.rows_refused,
                SalesImport.rows_here,
                SalesImport.tickets,
                SalesImport.taken_cents,
                SalesImport.unclaimed_cents,
            ),
        ),
        "refusals": _rows(session, select(ImportRefusal.row, ImportRefusal.reason, ImportRefusal.sentence)),
    }


def _rows(session: Session, query: Any) -> list[Any]:
    return sorted((tuple(row) for row in session.execute(query)), key=repr)


def _lines(session: Session) -> list[Any]:
    """Every ticket line, with its ticket and the line it gives back."""
    original, bought = aliased(TicketLine), aliased(Ticket)
    return _rows(
        session,
        select(
            Ticket.key,
            Ticket.kind,
            Ticket.sold_on,
            Ticket.posting_date,
            Ticket.total_cents,
            TicketLine.position,
            Dealer.code,
            TicketLine.tag,
            TicketLine.quantity,
            TicketLine.price_cents,
            TicketLine.tax_cents,
            bought.key,
            original.position,
        )
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .outerjoin(Dealer, Dealer.id == TicketLine.dealer_id)
        .outerjoin(original, original.id == TicketLine.returns_line_id)
        .outerjoin(bought, bought.id == original.ticket_id),
    )


def _statements(session: Session) -> list[Any]:
    """Every statement's value, and the hash of the bytes that were kept of it."""
    found = session.execute(
        select(Statement, Document)
        .outerjoin(Document, Document.id == Statement.document_id)
        .options(undefer(Statement.value_json), undefer(Document.content))
        .order_by(Statement.number)
    )
    return [
        (s.number, s.value_json, s.value_sha256, s.closing_cents, d and d.file_name, d and hashlib.sha256(d.content).hexdigest())
        for s, d in found
    ]


def everything(session: Session, *, besides: Iterable[str] = ()) -> dict[str, tuple[int, str]]:
    """How many rows each table has, and a hash over all of them: whether anything at all has changed."""
    found = {}
    for table in coop.rooms.METADATA.sorted_tables:
        if table.name not in besides:
            rows = sorted(repr(tuple(row)) for row in session.execute(select(table)))
            found[table.name] = (len(rows), hashlib.sha256("\n".join(rows).encode()).hexdigest())
    return found
