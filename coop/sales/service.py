"""Tickets taken into the books, many at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from coop.books.accounts import coupon_account, dealer_account, income_account, tender_account, unclaimed_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.service import ensure_period, post_entries, posting_date, require_open
from coop.core import faults
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.sales.domain import LineIn, TicketIn
from coop.sales.gifts import GIFT, HeldCertificates, moves_to_write
from coop.sales.layaway_books import layaway_account, layaway_tax_account
from coop.sales.models import GiftMove, Tender, Ticket, TicketLine
from coop.sales.returning import Tie, Tied, find_purchases
from coop.sales.surcharge import surcharge_draft
from coop.sales.taxing import BUYER_REASONS, Facts, Taxer, line_to_tax, require_reductions, tax_rows
from coop.tax.domain.layaway import complete
from coop.tax.domain.ticket import DELIVERY, Certificate, TaxPart, TicketTax, Untaxed
from coop.tax.models import Jurisdiction, TaxCharged, TaxUntaxed


def local_moment(wall_clock: datetime, timezone: str) -> datetime:
    """A wall-clock time at a place, as a moment in UTC (the earlier of two when clocks went back)."""
    return wall_clock.replace(tzinfo=ZoneInfo(timezone)).astimezone(UTC)


class _Books:
    """What a batch of tickets looks up once: dealers, what taxes them, posting dates by month, tax accounts, certificates."""

    def __init__(self, session: Session, mall: Mall) -> None:
        self.session, self.mall, self.zone = session, mall, ZoneInfo(mall.timezone)
        self.dealers = {d.id: d for d in session.scalars(select(Dealer))}
        self.tax_accounts = dict(session.execute(select(Jurisdiction.id, Jurisdiction.account_id)).all())
        self.taxer = Taxer(session, mall)
        self._posting: dict[Month, date] = {}
        self.gifts = HeldCertificates(session, ())

    def sold_on(self, ticket: TicketIn) -> date:
        return ticket.sold_at.astimezone(self.zone).date()

    def hold_months(self, tickets: Iterable[TicketIn]) -> None:
        """Settle where the tickets post, and hold those months open: a close that comes now waits for them.

        A close that was under way is waited for, and what it closed is dated in the open month after it.
        """
        months = sorted({Month.of(self.sold_on(ticket)) for ticket in tickets})
        try:
            self._hold(months)
        except Refusal:
            self._hold(months)

    def _hold(self, months: Sequence[Month]) -> None:
        self._posting = {month: posting_date(self.session, self.mall.id, month.first_day) for month in months}
        held = sorted({Month.of(day) for day in self._posting.values()})
        # Opened first, each of them, and then held: as posting does, so that it waits for nobody who waits for it.
        for month in held:
            ensure_period(self.session, self.mall.id, month)
        for month in held:
            require_open(self.session, self.mall.id, month)

    def posting_date(self, sold_on: date) -> date:
        month = Month.of(sold_on)
        moved = self._posting[month]
        return sold_on if moved == month.first_day else moved


@dataclass(frozen=True)
class _Prepared:
    """Everything of a ticket that needs no id: its dates, its tax, its tenders, its entry."""

    ticket: TicketIn
    """Its tied lines with what they give back of coupons and trade-ins."""
    sold_on: date
    posting_date: date
    tax: TicketTax
    """Its line numbers are indexes of the ticket's lines, or DELIVERY."""
    tenders: tuple[tuple[str, int, int], ...]
    draft: EntryDraft | None
    ties: dict[int, Tie]
    """Of a return, by position (or DELIVERY)."""
    certificate: Certificate | None
    charged_now: TicketTax
    """The rows of tax to write: all of it, or of a layaway taxed at its agreement only what its completion changes."""
    surcharge: EntryDraft | None = None
    """Its entry of what was charged on top for paying by card."""
    gifts: Sequence[tuple[int, int]] = ()
    """Gift certificates by id, with the cents each pays, or (negative) is given back."""

    @property
    def net_cents(self) -> int:
        return sum(line.price_cents for line in self.ticket.lines)

    @property
    def tax_cents(self) -> int:
        return self.tax.total_cents

    @property
    def total_cents(self) -> int:
        return self.net_cents + self.ticket.delivery_cents + self.tax_cents

    def place(self, line: int, _jurisdiction_id: int) -> tuple[int, int | None]:
        """Position and dealer of a row of tax; a delivery is the mall's."""
        if line == DELIVERY:
            return DELIVERY, None
        position = self.ticket.lines[line].position
        tie = self.ties.get(position)
        # The tax of a sale that was nobody's stays so when it is claimed, and when it is brought back.
        return position, None if tie and tie.purchase.claimed else self.ticket.lines[line].dealer_id

    def certificate_of(self, line: int, reason: str) -> str:
        """The certificate's number, where the buyer is why a line is not taxed."""
        if reason not in BUYER_REASONS:
            return ""
        tie = self.ties.get(DELIVERY if line == DELIVERY else self.ticket.lines[line].position)
        return tie.purchase.certificate if tie else self.certificate.number if self.certificate else ""


def take_tickets(session: Session, now: datetime, mall: Mall, tickets: Sequence[TicketIn]) -> list[int]:
    """Take tickets whose keys are new: their rows, their tax, their entries; the ticket ids, sales first, each in order.

    A ticket is taxed by the stack of its sale's date, and posts on that date, or on the first open day when its month is closed
    already. A return that can be tied gives back the tax that was charged, whatever the rates are by then, from the account of
    whoever was credited with the sale. What a maker's coupon pays is owed by the maker, a trade-in is taken to the dealer's
    account, a delivery is the mall's income, a gift certificate pays out of what the co-op owes its bearer. Raises Refusal when
    the mall has no tax place for a taxed ticket, for facts that cannot be (a certificate that does not hold, a layaway that is
    not completed, reductions over the price, a gift certificate with too little left), or tenders that do not make up the total.
    """
    books = _Books(session, mall)
    books.hold_months(tickets)
    books.gifts = HeldCertificates(session, tickets)
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
    entries = [next(entry_ids) if p.draft is not None else None for p in prepared]
    surcharges = [p.surcharge for p in prepared if p.surcharge is not None]
    if surcharges:
        post_entries(session, now, surcharges)
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
                    "delivery_cents": p.ticket.delivery_cents,
                    "delivery_of_id": p.ties[DELIVERY].purchase.id if DELIVERY in p.ties else None,
                    "total_cents": p.total_cents,
                    "certificate": p.certificate.number if p.certificate else "",
                    "certificate_kind": p.certificate.kind if p.certificate else "",
                    "layaway_accepted_on": p.ticket.layaway.accepted_on if p.ticket.layaway else None,
                    "layaway_completed_on": p.ticket.layaway.completed_on if p.ticket.layaway else None,
                    "entry_id": entry_id,
                    "buyer_key": p.ticket.buyer_key,
                }
                for p, entry_id in zip(prepared, entries, strict=True)
            ],
        )
    )
    lines, tenders, gifts, taxes, untaxed = [], [], [], [], []
    for ticket_id, entry_id, p in zip(ids, entries, prepared, strict=True):
        line_tax = p.tax.by_line()
        for n, line in enumerate(p.ticket.lines):
            lines.append(
                {
                    "ticket_id": ticket_id,
                    "mall_id": mall.id,
                    "posting_date": p.posting_date,
                    "position": line.position,
                    "dealer_id": line.dealer_id,
                    "credited_on": None if line.dealer_id is None else p.posting_date,
                    "tag": line.tag,
                    "description": line.description,
                    "tax_class": line.tax_class,
                    "quantity": line.quantity,
                    "unit_price": line.unit_price,
                    "tag_cents": line.tag_cents,
                    "discount_cents": line.discount_cents,
                    "discount_reason": line.discount_reason,
                    "discount_authority": line.discount_authority,
                    "seller_coupon_cents": line.seller_coupon_cents,
                    "price_cents": line.price_cents,
                    "maker_coupon_cents": line.maker_coupon_cents,
                    "trade_in_cents": line.trade_in_cents,
                    "own_use": line.own_use,
                    "tax_cents": line_tax.get(n, 0),
                    "returns_line_id": p.ties[line.position].purchase.id if line.position in p.ties else None,
                }
            )
        tenders += [
            {"ticket_id": ticket_id, "kind": kind, "account_id": account_id, "amount_cents": amount}
            for kind, account_id, amount in p.tenders
        ]
        gifts += moves_to_write(
            p.gifts, ticket_id=ticket_id, on=p.posting_date, mall_id=mall.id, entry_id=entry_id, made_by=p.ticket.rung_by
        )
        of_ticket = {
            "mall_id": mall.id,
            "posting_date": p.posting_date,
            "sold_on": p.sold_on,
            "ticket_key": p.ticket.key,
        }
        charged, free = tax_rows(of_ticket, p.charged_now, p.place, p.certificate_of)
        taxes += charged
        untaxed += free
    for table, rows in ((TicketLine, lines), (Tender, tenders), (GiftMove, gifts), (TaxCharged, taxes), (TaxUntaxed, untaxed)):
        if rows:
            session.execute(insert(table), rows)
    return ids


def _prepare(books: _Books, ticket: TicketIn, tied: Tied) -> _Prepared:
    sold_on = books.sold_on(ticket)
    ties = {at: tied[ticket.key, at] for at in (*(x.position for x in ticket.lines), DELIVERY) if (ticket.key, at) in tied}
    if ties:
        ticket = replace(ticket, lines=tuple(_as_tied(line, ties.get(line.position)) for line in ticket.lines))
    _require_facts(ticket)
    certificate = books.taxer.certificate(ticket.certificate) if ticket.certificate else None
    facts = Facts(ticket.number, sold_on, certificate, ticket.delivery_cents, ticket.layaway, ticket.layaway_at)
    if ticket.taxed:
        tax = _tax(books, ticket, facts, ties)
    else:
        require_reductions(ticket.number, sold_on, [line_to_tax(line) for line in ticket.lines if line.position not in ties])
        tax = TicketTax((), ())
    total = sum(line.price_cents for line in ticket.lines) + ticket.delivery_cents + tax.total_cents
    tenders = _tenders(books, ticket, total)
    by_gift = [(t.gift, cents) for t, (_, _, cents) in zip(ticket.tenders, tenders, strict=False) if t.kind == GIFT]
    gifts = books.gifts.use(ticket, by_gift, sold_on)
    postings = [(account_id, amount) for _, account_id, amount in tenders]
    postings += [(_account_of(books, line), -line.price_cents) for line in ticket.lines]
    if ticket.delivery_cents:
        postings.append((income_account(books.session, books.mall, "Delivery"), -ticket.delivery_cents))
    now = tax
    if ticket.charged is not None:
        # The agreement's tax is in the books already: the buyer pays now what was owed of it.
        now = complete(tax, ticket.charged)
        postings.append((layaway_tax_account(books.session, books.mall), -ticket.charged.total_cents))
    postings += [(books.tax_accounts[part.jurisdiction_id], -part.amount_cents) for part in now.parts]
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
    surcharge = surcharge_draft(
        books.session,
        books.mall,
        ticket,
        card_cents=sum(cents for kind, _, cents in tenders if kind == "card"),
        sold_on=sold_on,
        on=on,
        returns_line_ids={tie.purchase.id for at, tie in ties.items() if at != DELIVERY},
    )
    entry = draft if posted else None
    return _Prepared(ticket, sold_on, on, tax, tuple(tenders), entry, ties, certificate, now, surcharge, gifts)


def _as_tied(line: LineIn, tie: Tie | None) -> LineIn:
    if tie is None:
        return line
    # Whoever was credited with the sale gives it back: nobody yet, or who has claimed it since.
    whose = tie.purchase.dealer_id
    return replace(line, dealer_id=whose, maker_coupon_cents=tie.maker_coupon_cents, trade_in_cents=tie.trade_in_cents)


def _require_facts(ticket: TicketIn) -> None:
    """Refuse what cannot be of any ticket, taxed or not."""
    if ticket.delivery_cents * (-1 if ticket.kind == "return" else 1) < 0:
        raise Refusal(f"Ticket {ticket.number}: a delivery is charged on a sale and given back on a return; mend its sign.")
    if ticket.layaway is not None and ticket.kind == "return":
        raise Refusal(f"Ticket {ticket.number}: a return is no layaway; leave the layaway's days out.")
    for line in ticket.lines:
        if line.trade_in_cents and line.dealer_id is None:
            raise Refusal(
                f"Ticket {ticket.number}: item {line.position} has a trade-in and no dealer who took it in: say whose it is."
            )


def _account_of(books: _Books, line: LineIn) -> int:
    """Whose money a line is: its dealer's, or nobody's yet."""
    if line.dealer_id is None:
        return unclaimed_account(books.session, books.mall)
    return dealer_account(books.session, books.mall, books.dealers[line.dealer_id])


def _tax(books: _Books, ticket: TicketIn, facts: Facts, ties: dict[int, Tie]) -> TicketTax:
    """What is tied gives back what was charged; the rest is taxed together by the stack of the day."""
    parts: list[TaxPart] = []
    untaxed: list[Untaxed] = []
    fresh: list[int] = []
    for n, line in [*enumerate(ticket.lines), (DELIVERY, None)]:
        tie = ties.get(DELIVERY if line is None else line.position)
        if tie is not None:
            parts += [part._replace(line=n) for part in tie.back.parts]
            untaxed += [row._replace(line=n) for row in tie.back.untaxed]
        elif line is not None:
            fresh.append(n)
    if DELIVERY in ties:
        facts = replace(facts, delivery_cents=0)
    if fresh or facts.delivery_cents:
        tax = books.taxer.tax(facts, [line_to_tax(ticket.lines[n]) for n in fresh])
        place = {DELIVERY: DELIVERY, **dict(enumerate(fresh))}
        parts += [part._replace(line=place[part.line]) for part in tax.parts]
        untaxed += [row._replace(line=place[row.line]) for row in tax.untaxed]
    return TicketTax(tuple(parts), tuple(untaxed))


def _money_account(books: _Books, tender: str) -> int:
    if tender == "layaway":
        return layaway_account(books.session, books.mall)
    return tender_account(books.session, books.mall, tender)


def _tenders(books: _Books, ticket: TicketIn, total_cents: int) -> list[tuple[str, int, int]]:
    """(kind, account, cents) of each part of the payment. Refuses parts that do not make up the total.

    A maker's coupon is money the maker owes. A trade-in is paid to the dealer in kind, so her account bears it.
    """
    in_kind: dict[tuple[str, int], int] = {}
    for line in ticket.lines:
        if line.maker_coupon_cents:
            key = ("coupon", coupon_account(books.session, books.mall))
            in_kind[key] = in_kind.get(key, 0) + line.maker_coupon_cents
        if line.trade_in_cents:
            key = ("trade-in", _account_of(books, line))
            in_kind[key] = in_kind.get(key, 0) + line.trade_in_cents
    left = total_cents - sum(t.amount_cents or 0 for t in ticket.tenders) - sum(in_kind.values())
    open_ended = [t for t in ticket.tenders if t.amount_cents is None]
    if left and len(open_ended) != 1:
        raise Refusal(f"Ticket {ticket.number}: the tenders do not make up the total; {left} cents are left over.")
    money = [(t.kind, _money_account(books, t.kind), left if t.amount_cents is None else t.amount_cents) for t in ticket.tenders]
    return money + [(kind, account_id, cents) for (kind, account_id), cents in in_kind.items()]
