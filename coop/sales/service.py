"""Tickets taken into the books, many at a time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from coop.books.domain import EntryDraft, netted
from coop.books.service import dealer_account, post_entries, posting_date, tender_account, unclaimed_account
from coop.core import faults
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.domain import TicketIn
from coop.sales.models import Tender, Ticket, TicketLine
from coop.sales.returning import Purchase, find_purchases
from coop.tax.domain.compiled import CompiledStack
from coop.tax.domain.compute import tax_ticket
from coop.tax.domain.refund import GivenBack
from coop.tax.domain.ticket import LineToTax, TaxPart, TicketRefused, TicketTax, TicketToTax, Untaxed
from coop.tax.models import Jurisdiction, TaxCharged, TaxUntaxed
from coop.tax.queries import MallStacks

Tied = Mapping[tuple[str, int], tuple[Purchase, GivenBack]]
"""By ticket key and position of a returned line: what it gives back, and what of its tax."""


def local_moment(wall_clock: datetime, timezone: str) -> datetime:
    """A wall-clock time at a place, as a moment in UTC (the earlier of two when clocks went back)."""
    return wall_clock.replace(tzinfo=ZoneInfo(timezone)).astimezone(UTC)


class _Books:
    """What a batch of tickets looks up once: dealers, stacks by day, posting dates by month, tax accounts."""

    def __init__(self, session: Session, mall: Mall) -> None:
        self.session, self.mall, self.zone = session, mall, ZoneInfo(mall.timezone)
        self.dealers = {d.id: d for d in session.scalars(select(Dealer))}
        self.tax_accounts = dict(session.execute(select(Jurisdiction.id, Jurisdiction.account_id)).all())
        self._stacks = MallStacks(session, mall.id)
        self._posting: dict[Month, date | None] = {}

    def stack(self, on: date) -> CompiledStack:
        return self._stacks.on(on)

    def posting_date(self, sold_on: date) -> date:
        month = Month.of(sold_on)
        if month not in self._posting:
            moved = posting_date(self.session, self.mall.id, month.first_day)
            self._posting[month] = None if moved == month.first_day else moved
        return self._posting[month] or sold_on


@dataclass(frozen=True)
class _Prepared:
    """Everything of a ticket that needs no id: its dates, its tax, its tenders, its entry."""

    ticket: TicketIn
    sold_on: date
    posting_date: date
    tax: TicketTax
    """Its line numbers are indexes of the ticket's lines."""
    tenders: tuple[tuple[str, int, int], ...]
    draft: EntryDraft | None
    ties: dict[int, int]
    """Of a return: position -> the line it gives back."""

    @property
    def net_cents(self) -> int:
        return sum(line.price_cents for line in self.ticket.lines)

    @property
    def tax_cents(self) -> int:
        return self.tax.total_cents


def take_tickets(session: Session, now: datetime, mall: Mall, tickets: Sequence[TicketIn]) -> list[int]:
    """Take tickets whose keys are new: their rows, their tax, their entries; the ticket ids, sales first, each in order.

    A ticket is taxed by the stack of its sale's date, and posts on that date, or on the first open day when its month is closed
    already. A return that can be tied gives back the tax that was charged, whatever the rates are by then. Raises Refusal when
    the mall has no tax place for a taxed ticket, or tenders that do not make up the total.
    """
    books = _Books(session, mall)
    sales = [ticket for ticket in tickets if ticket.kind == "sale"]
    returns = [ticket for ticket in tickets if ticket.kind == "return"]
    ids = _write(session, now, mall, [_prepare(books, ticket, {}) for ticket in sales])
    # After the sales are in: what is returned may have been bought in the same batch.
    tied = find_purchases(session, mall, returns)
    return ids + _write(session, now, mall, [_prepare(books, ticket, tied) for ticket in returns])


def _write(session: Session, now: datetime, mall: Mall, prepared: Sequence[_Prepared]) -> list[int]:
    if not prepared:
        return []
    entry_ids = iter(post_entries(session, now, [p.draft for p in prepared if p.draft is not None]))
    faults.point("sales:posted")
    ids = list(
        session.scalars(
            insert(Ticket).returning(Ticket.id, sort_by_parameter_order=True),
            [
                {
                    "mall_id": mall.id,
                    "key": p.ticket.key,
                    "number": p.ticket.number,
                    "source": p.ticket.source,
                    "kind": p.ticket.kind,
                    "sold_at": p.ticket.sold_at,
                    "sold_on": p.sold_on,
                    "received_at": now,
                    "posting_date": p.posting_date,
                    "rung_by": p.ticket.rung_by,
                    "import_id": p.ticket.import_id,
                    "taxed": p.ticket.taxed,
                    "net_cents": p.net_cents,
                    "tax_cents": p.tax_cents,
                    "total_cents": p.net_cents + p.tax_cents,
                    "entry_id": next(entry_ids) if p.draft is not None else None,
                    "buyer_key": p.ticket.buyer_key,
                }
                for p in prepared
            ],
        )
    )
    lines, tenders, taxes, untaxed = [], [], [], []
    for ticket_id, p in zip(ids, prepared, strict=True):
        line_tax = p.tax.by_line()
        for n, line in enumerate(p.ticket.lines):
            lines.append(
                {
                    "ticket_id": ticket_id,
                    "mall_id": mall.id,
                    "posting_date": p.posting_date,
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
                    "tax_cents": line_tax.get(n, 0),
                    "returns_line_id": p.ties.get(line.position),
                }
            )
        tenders += [
            {"ticket_id": ticket_id, "kind": kind, "account_id": account_id, "amount_cents": amount}
            for kind, account_id, amount in p.tenders
        ]
        of_ticket = {
            "mall_id": mall.id,
            "posting_date": p.posting_date,
            "sold_on": p.sold_on,
            "ticket_key": p.ticket.key,
        }
        taxes += [
            {
                **of_ticket,
                "position": p.ticket.lines[part.line].position,
                "dealer_id": p.ticket.lines[part.line].dealer_id,
                "jurisdiction_id": part.jurisdiction_id,
                "rate_id": part.rate_id,
                "part": part.part,
                "taxable_cents": part.taxable_cents,
                "amount_cents": part.amount_cents,
            }
            for part in p.tax.parts
        ]
        untaxed += [
            {
                **of_ticket,
                "position": p.ticket.lines[row.line].position,
                "dealer_id": p.ticket.lines[row.line].dealer_id,
                "jurisdiction_id": row.jurisdiction_id,
                "kind": row.kind,
                "reason": row.reason,
                "certificate": "",
                "amount_cents": row.amount_cents,
            }
            for row in p.tax.untaxed
        ]
    for table, rows in ((TicketLine, lines), (Tender, tenders), (TaxCharged, taxes), (TaxUntaxed, untaxed)):
        if rows:
            session.execute(insert(table), rows)
    return ids


def _prepare(books: _Books, ticket: TicketIn, tied: Tied) -> _Prepared:
    sold_on = ticket.sold_at.astimezone(books.zone).date()
    ties = {line.position: tied[key][0].line_id for line in ticket.lines if (key := (ticket.key, line.position)) in tied}
    tax = _tax(books, ticket, sold_on, tied) if ticket.taxed else TicketTax((), ())
    total = sum(line.price_cents for line in ticket.lines) + tax.total_cents
    tenders = _tenders(books, ticket, total)
    postings = [(account_id, amount) for _, account_id, amount in tenders]
    for line in ticket.lines:
        if line.dealer_id is None:
            account_id = unclaimed_account(books.session, books.mall)
        else:
            account_id = dealer_account(books.session, books.mall, books.dealers[line.dealer_id])
        postings.append((account_id, -line.price_cents))
    postings += [(books.tax_accounts[part.jurisdiction_id], -part.amount_cents) for part in tax.parts]
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
    return _Prepared(ticket, sold_on, on, tax, tuple(tenders), draft if posted else None, ties)


def _tax(books: _Books, ticket: TicketIn, sold_on: date, tied: Tied) -> TicketTax:
    """Tied lines give back what was charged; the others are taxed together by the stack of the day."""
    parts: list[TaxPart] = []
    untaxed: list[Untaxed] = []
    fresh: list[int] = []
    for n, line in enumerate(ticket.lines):
        tie = tied.get((ticket.key, line.position))
        if tie is None:
            fresh.append(n)
        else:
            parts += [part._replace(line=n) for part in tie[1].parts]
            untaxed += [row._replace(line=n) for row in tie[1].untaxed]
    if fresh:
        lines = [ticket.lines[n] for n in fresh]
        tax = _tax_lines(
            books.stack(sold_on), ticket.number, [(x.tag_cents, x.discount_cents, x.quantity, x.tax_class) for x in lines]
        )
        parts += [part._replace(line=fresh[part.line]) for part in tax.parts]
        untaxed += [row._replace(line=fresh[row.line]) for row in tax.untaxed]
    return TicketTax(tuple(parts), tuple(untaxed))


def _tax_lines(stack: CompiledStack, number: str, lines: Iterable[tuple[int, int, int, str]]) -> TicketTax:
    """The tax of lines sold together: (price before discount, discount, quantity, class) of each.

    Refuses what cannot be taxed.
    """
    taxed = tuple(
        LineToTax(tag_cents, quantity, tax_class, discount_cents) for tag_cents, discount_cents, quantity, tax_class in lines
    )
    try:
        return tax_ticket(TicketToTax(stack.on, taxed), stack)
    except TicketRefused as error:
        raise Refusal(f"Ticket {number}: {error}") from error


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


def recomputed_tax(session: Session, mall: Mall, month: Month) -> dict[int, int]:
    """Tax of a month's tickets computed again from their lines and the dated rates: tax account id -> cents.

    Sales and untied returns are computed; a tied return is held to its own rows, which give back what was charged.
    """
    books = _Books(session, mall)
    sums: dict[int, int] = defaultdict(int)
    rows = session.execute(
        select(
            Ticket.id,
            Ticket.sold_on,
            Ticket.number,
            TicketLine.tag_cents,
            TicketLine.discount_cents,
            TicketLine.quantity,
            TicketLine.tax_class,
        )
        .join(TicketLine, TicketLine.ticket_id == Ticket.id)
        .where(
            Ticket.mall_id == mall.id,
            Ticket.posting_date.between(month.first_day, month.last_day),
            Ticket.taxed.is_(True),
            TicketLine.returns_line_id.is_(None),
        )
        .order_by(Ticket.id, TicketLine.position)
        .execution_options(yield_per=5000)
    )
    for (_ticket_id, sold_on, number), lines in groupby(rows, key=lambda row: (row[0], row[1], row[2])):
        tax = _tax_lines(books.stack(sold_on), number, ((tag, off, n, tax_class) for _, _, _, tag, off, n, tax_class in lines))
        for part in tax.parts:
            sums[books.tax_accounts[part.jurisdiction_id]] += part.amount_cents
    given_back = session.execute(
        select(TaxCharged.jurisdiction_id, func.sum(TaxCharged.amount_cents))
        .join(Ticket, Ticket.key == TaxCharged.ticket_key)
        .join(TicketLine, (TicketLine.ticket_id == Ticket.id) & (TicketLine.position == TaxCharged.position))
        .where(
            TaxCharged.mall_id == mall.id,
            TaxCharged.posting_date.between(month.first_day, month.last_day),
            TicketLine.returns_line_id.is_not(None),
        )
        .group_by(TaxCharged.jurisdiction_id)
    )
    for jurisdiction_id, amount in given_back:
        sums[books.tax_accounts[jurisdiction_id]] += int(amount)
    return {account_id: amount for account_id, amount in sums.items() if amount}
