"""Tickets taken into the books, many at a time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session, aliased

from coop.books.domain import EntryDraft, netted
from coop.books.service import dealer_account, post_entries, posting_date, tender_account, unclaimed_account
from coop.core import faults
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import Tender, Ticket, TicketLine
from coop.tax.domain import LineTax, TaxableLine, compute_tax
from coop.tax.models import Jurisdiction, TaxCharged
from coop.tax.queries import NO_TAX, StackInForce, stack_in_force


def local_moment(wall_clock: datetime, timezone: str) -> datetime:
    """A wall-clock time at a place, as a moment in UTC (the earlier of two when clocks went back)."""
    return wall_clock.replace(tzinfo=ZoneInfo(timezone)).astimezone(UTC)


class _Books:
    """What a batch of tickets looks up once: dealers, stacks by day, posting dates by month, tax accounts."""

    def __init__(self, session: Session, mall: Mall) -> None:
        self.session, self.mall, self.zone = session, mall, ZoneInfo(mall.timezone)
        self.dealers = {d.id: d for d in session.scalars(select(Dealer))}
        self.tax_accounts = dict(session.execute(select(Jurisdiction.id, Jurisdiction.account_id)).all())
        self._stacks: dict[date, StackInForce] = {}
        self._posting: dict[Month, date | None] = {}

    def stack(self, on: date) -> StackInForce:
        if on not in self._stacks:
            self._stacks[on] = stack_in_force(self.session, self.mall.id, on)
        return self._stacks[on]

    def posting_date(self, sold_on: date) -> date:
        month = Month.of(sold_on)
        if month not in self._posting:
            moved = posting_date(self.session, self.mall.id, month.first_day)
            self._posting[month] = None if moved == month.first_day else moved
        return self._posting[month] or sold_on


def take_tickets(session: Session, now: datetime, mall: Mall, tickets: Sequence[TicketIn]) -> list[int]:
    """Take tickets whose keys are new: their rows, their tax, their entries; the ticket ids in order.

    A ticket is taxed by the stack of its sale's date, and posts on that date, or on the first open day when its month is closed
    already. Raises Refusal when the mall has no tax place for a taxed ticket, or tenders that do not make up the total.
    """
    books = _Books(session, mall)
    prepared = [_prepare(books, ticket) for ticket in tickets]
    drafts = [p["draft"] for p in prepared if p["draft"] is not None]
    entry_ids = iter(post_entries(session, now, drafts))
    faults.point("sales:posted")
    ids = list(
        session.scalars(
            insert(Ticket).returning(Ticket.id, sort_by_parameter_order=True),
            [
                {
                    "mall_id": mall.id,
                    "key": t.key,
                    "number": t.number,
                    "source": t.source,
                    "kind": t.kind,
                    "sold_at": t.sold_at,
                    "sold_on": p["sold_on"],
                    "received_at": now,
                    "posting_date": p["posting_date"],
                    "rung_by": t.rung_by,
                    "import_id": t.import_id,
                    "net_cents": p["net"],
                    "tax_cents": p["tax"],
                    "total_cents": p["net"] + p["tax"],
                    "entry_id": next(entry_ids) if p["draft"] is not None else None,
                    "buyer_key": t.buyer_key,
                }
                for t, p in zip(tickets, prepared, strict=True)
            ],
        )
    )
    lines, tenders, taxes = [], [], []
    for ticket_id, ticket, p in zip(ids, tickets, prepared, strict=True):
        for n, line in enumerate(ticket.lines):
            lines.append(
                {
                    "ticket_id": ticket_id,
                    "mall_id": mall.id,
                    "posting_date": p["posting_date"],
                    "position": line.position,
                    "dealer_id": line.dealer_id,
                    "tag": line.tag,
                    "description": line.description,
                    "tax_class": line.tax_class,
                    "quantity": line.quantity,
                    "unit_price": line.unit_price,
                    "tag_cents": line.tag_cents,
                    "discount_cents": line.discount_cents,
                    "discount_reason": line.discount_reason,
                    "discount_authority": line.discount_authority,
                    "price_cents": line.price_cents,
                    "tax_cents": p["line_tax"].get(n, 0),
                }
            )
        tenders += [
            {"ticket_id": ticket_id, "kind": kind, "account_id": account_id, "amount_cents": amount}
            for kind, account_id, amount in p["tenders"]
        ]
        taxes += [
            {
                "mall_id": mall.id,
                "posting_date": p["posting_date"],
                "ticket_key": ticket.key,
                "position": ticket.lines[t.line].position,
                "dealer_id": ticket.lines[t.line].dealer_id,
                "jurisdiction_id": t.rate.jurisdiction_id,
                "rate_id": t.rate.rate_id,
                "taxable_cents": t.taxable_cents,
                "amount_cents": t.amount_cents,
            }
            for t in p["taxes"]
        ]
    for table, rows in ((TicketLine, lines), (Tender, tenders), (TaxCharged, taxes)):
        if rows:
            session.execute(insert(table), rows)
    _tie_returns(session, mall, [t for t in tickets if t.kind == "return"])
    return ids


def _prepare(books: _Books, ticket: TicketIn) -> dict[str, Any]:
    """Everything of a ticket that needs no id: its dates, its tax, its tenders, its entry."""
    sold_on = ticket.sold_at.astimezone(books.zone).date()
    stack = books.stack(sold_on) if ticket.taxed else NO_TAX
    taxes: list[LineTax] = []
    if ticket.taxed:
        taxable = [TaxableLine(line.price_cents, stack.rates(line.tax_class), line.quantity) for line in ticket.lines]
        taxes = compute_tax(taxable, basis=stack.basis, aggregated=stack.aggregated)
    line_tax: dict[int, int] = {}
    for t in taxes:
        line_tax[t.line] = line_tax.get(t.line, 0) + t.amount_cents
    net, tax = sum(line.price_cents for line in ticket.lines), sum(line_tax.values())
    tenders = _tenders(books, ticket, net + tax)
    postings = [(account_id, amount) for _, account_id, amount in tenders]
    for line in ticket.lines:
        if line.dealer_id is None:
            account_id = unclaimed_account(books.session, books.mall)
        else:
            account_id = dealer_account(books.session, books.mall, books.dealers[line.dealer_id])
        postings.append((account_id, -line.price_cents))
    postings += [(books.tax_accounts[t.rate.jurisdiction_id], -t.amount_cents) for t in taxes]
    posted = netted(postings)
    on = books.posting_date(sold_on)
    draft = EntryDraft(
        mall_id=books.mall.id,
        business_date=on,
        kind=ticket.kind,
        source_kind="ticket",
        source_id=ticket.key,
        purpose=ticket.kind,
        postings=posted,
    )
    return {
        "sold_on": sold_on,
        "posting_date": on,
        "net": net,
        "tax": tax,
        "taxes": taxes,
        "line_tax": line_tax,
        "tenders": tenders,
        "draft": draft if posted else None,
    }


def _tenders(books: _Books, ticket: TicketIn, total_cents: int) -> list[tuple[str, int, int]]:
    """(kind, account, cents) of each part of the payment. Refuses parts that do not make up the total."""
    left = total_cents - sum(t.amount_cents or 0 for t in ticket.tenders)
    open_ended = [t for t in ticket.tenders if t.amount_cents is None]
    if left and len(open_ended) != 1:
        raise Refusal(f"Ticket {ticket.number}: the tenders do not make up the total; {left} cents are left over.")
    return [
        (t.kind, tender_account(books.session, books.mall, t.kind), left if t.amount_cents is None else t.amount_cents)
        for t in ticket.tenders
    ]


def _tie_returns(session: Session, mall: Mall, returns: Sequence[TicketIn]) -> None:
    """Tie each returned item to the same buyer's oldest purchase of that tag with enough left: never more than was bought."""
    bought, given_back = aliased(TicketLine), aliased(TicketLine)
    already = (
        select(func.coalesce(func.sum(-given_back.quantity), 0))
        .where(given_back.returns_line_id == bought.id)
        .correlate(bought)
        .scalar_subquery()
    )
    for ticket in (t for t in returns if t.buyer_key):
        lines = session.execute(
            select(TicketLine.id, TicketLine.tag, TicketLine.quantity)
            .join(Ticket, Ticket.id == TicketLine.ticket_id)
            .where(Ticket.key == ticket.key)
            .order_by(TicketLine.position)
        ).all()
        for line_id, tag, quantity in lines:
            original = session.scalar(
                select(bought.id)
                .join(Ticket, Ticket.id == bought.ticket_id)
                .where(
                    bought.mall_id == mall.id,
                    bought.tag == tag,
                    bought.quantity > 0,
                    Ticket.source == ticket.source,
                    Ticket.buyer_key == ticket.buyer_key,
                    Ticket.sold_at <= ticket.sold_at,
                    bought.quantity - already >= -quantity,
                )
                .order_by(Ticket.sold_at, bought.id)
                .limit(1)
            )
            if original is not None:
                session.execute(update(TicketLine).where(TicketLine.id == line_id).values(returns_line_id=original))
