"""Entries as drafts and as SQL, and a small set of books with something of everything the database guards."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account, ensure_account, tender_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Period
from coop.books.service import close_period, ensure_period, lock_period, post_entries, reverse_entry, seal_period
from coop.core import audit
from coop.core.documents import keep_document
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.models import Charge, DepositLine
from coop.sales.models import LayawayAgreement, LayawayLine, LayawayMove, Tender, Ticket, TicketLine
from coop.statements.models import Statement
from coop.tax.models import TaxCharged
from coop.tax.service import add_jurisdiction, set_rate
from tests.factories.leases import make_lease, make_space
from tests.factories.people import make_coop, make_dealer, make_mall

AUGUST, SEPTEMBER, OCTOBER, NOVEMBER = (Month(2026, n) for n in (8, 9, 10, 11))


def sale(session: Session, mall: Mall, dealer: Dealer, cents: int, on: date, source_id: str) -> EntryDraft:
    """A cash sale for a dealer, without tax."""
    return EntryDraft(
        mall_id=mall.id,
        business_date=on,
        kind="sale",
        source_kind="ticket",
        source_id=source_id,
        purpose="sale",
        postings=((tender_account(session, mall, "cash"), cents), (dealer_account(session, mall, dealer), -cents)),
    )


def bank_charge(session: Session, cents: int, on: date, source_id: str) -> EntryDraft:
    """Something of the co-op's own, of no mall."""
    return EntryDraft(
        mall_id=None,
        business_date=on,
        kind="bank",
        source_kind="bank",
        source_id=source_id,
        purpose="charge",
        postings=((ensure_account(session, "Expenses:Bank-charges", "expense"), cents), (bank_account(session), -cents)),
    )


def shut(session: Session, now: datetime, period: Period) -> None:
    """Seal and close a month, as the month-end does."""
    lock_period(session, period.id)
    seal_period(session, now, period, "close")
    close_period(session, now, period)


@dataclass(frozen=True)
class Books:
    """Ids of what was laid out."""

    main: int
    east: int
    dealer: int
    other_dealer: int
    cash: int
    owed: int
    closed_period: int
    """September of MAIN."""
    open_period: int
    """October of MAIN."""
    east_period: int
    """October of EAST."""
    closed_entry: int
    entry: int
    """A sale of October."""
    reversed_entry: int
    reversal: int
    seal: int
    document: int
    statement: int
    audit_row: int
    jurisdiction: int
    rate: int
    ended_rate: int
    tax_charged: int
    space: int
    lease: int
    held: int
    """Of the space, from 1 March to 30 June."""
    held_later: int
    """Of the space, from 1 September without end."""
    coop_period: int
    """September of the co-op itself: open, though MAIN's is closed."""
    bank: int
    """An account of no mall."""
    ticket: int
    claimed_line: int
    """Of a dealer."""
    unclaimed_line: int
    """Of a return, that is not tied to what it returns."""
    tied_line: int
    tender: int
    charge: int
    free_charge: int
    """Of nothing, so without an entry."""
    deposit_line: int
    layaway: int
    """Completed by the ticket."""


def lay_out(session: Session, now: datetime) -> Books:
    """Two malls, two dealers; September closed and sealed at MAIN, October open; one of each thing that never changes."""
    make_coop(session, now)
    main, east = make_mall(session, now, "MAIN"), make_mall(session, now, "EAST")
    ida, amos = make_dealer(session, now, "D01"), make_dealer(session, now, "D02")
    closed, opened, elsewhere = (
        ensure_period(session, mall.id, month) for mall, month in ((main, SEPTEMBER), (main, OCTOBER), (east, OCTOBER))
    )
    old, *_ = post_entries(
        session,
        now,
        [
            sale(session, main, ida, 125_00, date(2026, 9, 4), "september/1"),
            sale(session, main, amos, 80_50, date(2026, 9, 30), "september/2"),
        ],
    )
    shut(session, now, closed)
    entry, wrong, _ = post_entries(
        session,
        now,
        [
            sale(session, main, ida, 40_00, date(2026, 10, 5), "october/1"),
            sale(session, main, amos, 12_34, date(2026, 10, 6), "october/2"),
            sale(session, east, amos, 99_99, date(2026, 10, 7), "october/3"),
        ],
    )
    reversal = reverse_entry(session, now, wrong, on=date(2026, 10, 8), memo="Rung up twice")
    seal = seal_period(session, now, opened, "day")
    assert seal is not None
    document = keep_document(
        session,
        now,
        file_name="statement.pdf",
        media_type="application/pdf",
        content=b"%PDF-1.7\n%%EOF\n",
        made_with="a test",
    )
    value = '{"number": "MAIN-D01-2026-09"}'
    statement = Statement(
        number="MAIN-D01-2026-09",
        mall_id=main.id,
        dealer_id=ida.id,
        first_day=SEPTEMBER.first_day,
        value_json=value,
        value_sha256=hashlib.sha256(value.encode()).hexdigest(),
        opening_cents=0,
        closing_cents=125_00,
        document_id=document.id,
        created_at=now,
    )
    session.add(statement)
    audit.record(session, now, "month.closed", "period", closed.id)
    state = add_jurisdiction(session, code="STATE-EL", name="State of Elm", kind="state")
    ended = set_rate(session, state, Decimal("5"), starts_on=date(2020, 1, 1), ends_on=date(2025, 12, 31))
    rate = set_rate(session, state, Decimal("5.5"), starts_on=date(2026, 1, 1))
    charged = TaxCharged(
        mall_id=main.id,
        posting_date=date(2026, 10, 5),
        ticket_key="october/1",
        position=1,
        dealer_id=ida.id,
        jurisdiction_id=state.id,
        rate_id=rate.id,
        taxable_cents=40_00,
        amount_cents=2_20,
    )
    session.add(charged)
    booth = make_space(session, now, main)
    first = make_lease(session, now, main, ida, [booth], starts_on=date(2026, 3, 1), ends_on=date(2026, 6, 30))
    second = make_lease(session, now, main, amos, [booth], starts_on=date(2026, 9, 1))
    coop_period = ensure_period(session, None, SEPTEMBER)
    ticket, claimed, unclaimed, tied, tender = ring_up(session, now, main, ida, entry)
    asked, free = (
        Charge(
            lease_id=second.id,
            mall_id=main.id,
            dealer_id=amos.id,
            kind="rent",
            what="space:1",
            first_day=OCTOBER.first_day,
            change=change,
            label="Booth 1",
            working="",
            amount_cents=cents,
            entry_id=entry_id,
        )
        for change, cents, entry_id in ((0, 12_34, reversal), (1, 0, None))
    )
    taken = DepositLine(lease_id=second.id, kind="taken", amount_cents=40_00, on=date(2026, 10, 5), entry_id=entry)
    session.add_all((asked, free, taken))
    session.flush()
    session.refresh(first)
    session.refresh(second)
    audit_row = session.scalars(select(audit.AuditLog.id).order_by(audit.AuditLog.id)).first() or 0
    return Books(
        main=main.id,
        east=east.id,
        dealer=ida.id,
        other_dealer=amos.id,
        cash=tender_account(session, main, "cash"),
        owed=dealer_account(session, main, ida),
        closed_period=closed.id,
        open_period=opened.id,
        east_period=elsewhere.id,
        closed_entry=old,
        entry=entry,
        reversed_entry=wrong,
        reversal=reversal,
        seal=seal.id,
        document=document.id,
        statement=statement.id,
        audit_row=audit_row,
        jurisdiction=state.id,
        rate=rate.id,
        ended_rate=ended.id,
        tax_charged=charged.id,
        space=booth.id,
        lease=second.id,
        held=first.spaces[0].id,
        held_later=second.spaces[0].id,
        coop_period=coop_period.id,
        bank=bank_account(session),
        ticket=ticket.id,
        claimed_line=claimed.id,
        unclaimed_line=unclaimed.id,
        tied_line=tied.id,
        tender=tender.id,
        charge=asked.id,
        free_charge=free.id,
        deposit_line=taken.id,
        layaway=set_aside(session, now, main, ida, ticket.id, entry),
    )


def ring_up(
    session: Session, now: datetime, mall: Mall, dealer: Dealer, entry_id: int
) -> tuple[Ticket, TicketLine, TicketLine, TicketLine, Tender]:
    """A ticket with a line of a dealer, one of nobody yet that is tied to nothing, and one tied to the first; its tender."""
    ticket = Ticket(
        mall_id=mall.id,
        key="october/1",
        number="1",
        source="desk",
        kind="sale",
        sold_at=now,
        sold_on=date(2026, 10, 5),
        received_at=now,
        posting_date=date(2026, 10, 5),
        net_cents=40_00,
        tax_cents=0,
        total_cents=40_00,
        entry_id=entry_id,
    )
    session.add(ticket)
    session.flush()
    lines: list[TicketLine] = []
    for position, (dealer_id, cents) in enumerate(((dealer.id, 40_00), (None, 10_00), (dealer.id, -10_00)), start=1):
        line = TicketLine(
            ticket_id=ticket.id,
            mall_id=mall.id,
            posting_date=date(2026, 10, 5),
            position=position,
            dealer_id=dealer_id,
            credited_on=date(2026, 10, 5) if dealer_id else None,
            description="A jug",
            quantity=1 if cents > 0 else -1,
            unit_price=Decimal(abs(cents)) / 100,
            tag_cents=cents,
            price_cents=cents,
            returns_line_id=lines[0].id if position == 3 else None,
        )
        session.add(line)
        session.flush()
        lines.append(line)
    tender = Tender(ticket_id=ticket.id, kind="cash", account_id=tender_account(session, mall, "cash"), amount_cents=40_00)
    session.add(tender)
    session.flush()
    return ticket, lines[0], lines[1], lines[2], tender


def set_aside(session: Session, now: datetime, mall: Mall, dealer: Dealer, ticket_id: int, entry_id: int) -> int:
    """A layaway that a ticket completed, with an item and a payment; its id."""
    layaway = LayawayAgreement(
        mall_id=mall.id,
        number=1,
        key="october/layaway",
        buyer_name="Orla Quint",
        accepted_on=date(2026, 9, 5),
        due_on=date(2026, 12, 4),
        taxed_at="completion",
        net_cents=40_00,
        tax_cents=0,
        deposit_cents=8_00,
        fee_cents=5_00,
        agreed_at=now,
        state="completed",
        closed_on=date(2026, 10, 5),
        ticket_id=ticket_id,
    )
    session.add(layaway)
    session.flush()
    line = LayawayLine(
        layaway_id=layaway.id,
        position=1,
        dealer_id=dealer.id,
        tag="D01-9",
        description="A jug",
        tax_class="general",
        quantity=1,
        unit_price=Decimal(40),
        tag_cents=40_00,
        discount_cents=0,
        discount_reason="",
        discount_authority="",
        price_cents=40_00,
    )
    move = LayawayMove(
        layaway_id=layaway.id,
        key="october/payment",
        kind="paid",
        tender="cash",
        amount_cents=40_00,
        on=date(2026, 10, 5),
        entry_id=entry_id,
    )
    session.add_all((line, move))
    session.flush()
    return layaway.id


def entry_sql(
    entry_id: int | str,
    period_id: int | str,
    mall_id: int | str,
    day: str,
    *,
    source_id: str = "attack",
    reverses_id: int | str = "NULL",
    verb: str = "INSERT",
) -> str:
    """An entry as a foreign program would insert it."""
    columns = "id, period_id, mall_id, business_date, kind, source_kind, source_id, purpose, reverses_id, memo, posted_at"
    return (
        f"{verb} INTO entry ({columns}) VALUES ({entry_id}, {period_id}, {mall_id}, '{day}', 'sale', 'ticket', '{source_id}', "
        f"'sale', {reverses_id}, '', '2026-10-05 12:00:00')"
    )


def posting_sql(entry_id: int | str, account_id: int | str, amount: int | str, *, verb: str = "INSERT") -> str:
    return f"{verb} INTO posting (entry_id, account_id, amount_cents) VALUES ({entry_id}, {account_id}, {amount})"


def proof_sql(entry_id: int | str, postings: int | str, debits: int | str, *, verb: str = "INSERT") -> str:
    return f"{verb} INTO entry_proof (entry_id, postings, debits_cents) VALUES ({entry_id}, {postings}, {debits})"


def month_sql(row: int | str, mall: int | str, first: str, last: str, state: str = "open", *, verb: str = "INSERT") -> str:
    """A period; its days as SQL literals."""
    return f"{verb} INTO period (id, mall_id, first_day, last_day, state) VALUES ({row}, {mall}, {first}, {last}, '{state}')"
