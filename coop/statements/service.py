"""Statements built, frozen, rendered, mailed, written out and checked."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from coop.books.queries import SALE_KINDS, dealer_balances_before, dealer_entries
from coop.core import clock, faults
from coop.core.db import Sessions, transaction
from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.geometry import format_sqft
from coop.core.jobs import JobRun, long_job
from coop.core.mail import queue_mail
from coop.core.money import format_cents
from coop.core.pdf import PdfError, made_with
from coop.core.periods import Month
from coop.dealers.models import Cooperative, Dealer, Member
from coop.floor.models import Mall
from coop.leases.deposits import held_of_dealer
from coop.leases.leaving import end_stated_leases
from coop.leases.models import Charge, LeaseSpace
from coop.leases.posting import INCOME
from coop.leases.pricing import named
from coop.leases.queries import charges_of, held_in
from coop.sales.layaway_books import taxed_before_sale
from coop.sales.queries import StatedLine, lines_of_dealer
from coop.statements.documents import statement_file_name, statement_mail, statement_pdf
from coop.statements.domain import (
    ChargeLine,
    OwedTaxLine,
    PaymentLine,
    SaleLine,
    StatementError,
    StatementValue,
    TaxLine,
    from_json,
    prove,
    sha256,
    to_json,
)
from coop.statements.models import Statement
from coop.tax.dealer_tax import TO_DEALER, tax_of_dealer
from coop.tax.domain.ticket_json import plain_percent

_PAYMENT_NAMES = {"payout": "Paid to you", "payment": "Your payment", "correction": "Correction"}

_AT_ONCE = 20
"""Documents read in one transaction."""


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun: `1 charge`, `1,200 charges`; `many` where the plural takes more than an s."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def statement_number(mall: Mall, dealer: Dealer, month: Month) -> str:
    """`MAIN.D01.2010-12`: no code holds a point, so no two statements share a number."""
    return f"{mall.code}.{dealer.code}.{month}"


def payout_date(month: Month, payout_day: int, made_on: date) -> date:
    """The day a month's balance is paid: the payout day of the next month, or the next one that is not past when it is made."""

    def in_month(paid_in: Month) -> date:
        return date(paid_in.year, paid_in.month, min(payout_day, paid_in.days))

    paid_in = max(month.next, Month.of(made_on))
    return in_month(paid_in) if in_month(paid_in) >= made_on else in_month(paid_in.next)


def _sale_line(stated: StatedLine) -> SaleLine:
    line, ticket = stated.line, stated.ticket
    return SaleLine(
        sold_on=ticket.sold_on,
        ticket=ticket.number,
        position=line.position,
        tag=line.tag,
        description=line.description,
        quantity=line.quantity,
        tag_cents=line.tag_cents,
        discount_cents=line.discount_cents + line.seller_coupon_cents,
        coupon_cents=line.seller_coupon_cents,
        discount_reason=line.discount_reason,
        discount_authority=line.discount_authority,
        price_cents=line.price_cents,
        posted_on=line.posting_date,
        returns=stated.returns,
    )


def _charge_label(charge: Charge, month: Month) -> str:
    """What it is for, with the month it belongs to where that was closed when it was posted."""
    own = Month.of(charge.first_day)
    return charge.label if own == month else f"{charge.label}, {own.name}"


def _space_line(held: LeaseSpace, percent: Decimal) -> str:
    name = f"{named(held.space)}, {format_sqft(held.leased_area_sqft100)} sq ft"
    return name if percent == 100 else f"{name}, of whose rent your share is {plain_percent(percent)}%"


def _charge_lines(session: Session, mall_id: int, dealer_id: int, month: Month) -> tuple[ChargeLine, ...]:
    return tuple(
        ChargeLine(charge.kind, _charge_label(charge, month), charge.working, -charge.amount_cents)
        for charge in charges_of(session, mall_id, month, dealer_id=dealer_id)
    )


def build_value(session: Session, mall: Mall, dealer: Dealer, month: Month, *, made_on: date) -> StatementValue:
    """A dealer's month from the books. Raises StatementError when its lines do not add up to the ledger."""
    coop = session.get_one(Cooperative, 1)
    stated = lines_of_dealer(session, mall.id, dealer.id, month)
    sales = tuple(_sale_line(s) for s in stated if s.ticket.kind == "sale")
    returns = tuple(_sale_line(s) for s in stated if s.ticket.kind == "return")
    gross = sum(line.tag_cents for line in sales)
    discounts = sum(line.discount_cents for line in sales)
    trade_ins = tuple(
        PaymentLine(
            s.line.posting_date,
            f"Trade-in on ticket {s.ticket.number}, which you "
            + ("took in part payment" if s.line.trade_in_cents > 0 else "gave back"),
            -s.line.trade_in_cents,
        )
        for s in stated
        if s.line.trade_in_cents
    )
    given_back = -sum(line.price_cents for line in returns)
    apart = (*SALE_KINDS, *INCOME, TO_DEALER)
    others = dealer_entries(session, mall.id, dealer.id, month.first_day, month.last_day, besides=apart)
    before_sale, sold = taxed_before_sale(session, mall, month)
    taxes = tax_of_dealer(session, mall.id, month, dealer.id, other_sales=before_sale, also_sold=sold)
    spaces = [_space_line(held, percent) for held, percent in held_in(session, mall.id, month, dealer.id)]
    opening = dealer_balances_before(session, mall.id, month.first_day, dealer_id=dealer.id).get(dealer.id, 0)
    closing = dealer_balances_before(session, mall.id, month.next.first_day, dealer_id=dealer.id).get(dealer.id, 0)
    value = StatementValue(
        number=statement_number(mall, dealer, month),
        coop_name=coop.name,
        mall_code=mall.code,
        mall_name=mall.name,
        mall_address=mall.address,
        dealer_code=dealer.code,
        dealer_name=dealer.member.name,
        trade_name=dealer.trade_name,
        dealer_address=dealer.member.address,
        first_day=month.first_day,
        last_day=month.last_day,
        made_on=made_on,
        spaces=tuple(spaces),
        paper=coop.paper,
        opening_cents=opening,
        sales=sales,
        returns=returns,
        gross_cents=gross,
        discounts_cents=discounts,
        returns_cents=given_back,
        net_cents=gross - discounts - given_back,
        charges=_charge_lines(session, mall.id, dealer.id, month),
        payments=tuple(
            sorted(
                (
                    *trade_ins,
                    *(PaymentLine(e.business_date, e.memo or _PAYMENT_NAMES.get(e.kind, e.kind), e.amount_cents) for e in others),
                ),
                key=lambda line: line.paid_on,
            )
        ),
        closing_cents=closing,
        deposit_cents=held_of_dealer(session, mall.id, dealer.id, before=month.next.first_day),
        pay_on=payout_date(month, coop.payout_day, made_on) if closing > 0 else None,
        tax_collected=tuple(
            TaxLine(t.jurisdiction, t.taxable_cents, t.amount_cents, plain_percent(t.percent)) for t in taxes if not t.theirs
        ),
        tax_owed=tuple(
            OwedTaxLine(
                t.jurisdiction,
                plain_percent(t.percent),
                t.taxable_cents,
                t.amount_cents,
                t.office,
                t.period.name if t.period else "",
                t.due_on,
            )
            for t in taxes
            if t.theirs
        ),
    )
    prove(value)
    return value


def freeze_statement(session: Session, now: datetime, mall: Mall, dealer: Dealer, month: Month) -> Statement:
    """The dealer's statement of a month: the one there is, or one built now and never changed again.

    Leases it is the final statement of end with it.
    """
    statement = session.scalar(
        select(Statement).where(
            Statement.mall_id == mall.id, Statement.dealer_id == dealer.id, Statement.first_day == month.first_day
        )
    )
    if statement is None:
        value = build_value(session, mall, dealer, month, made_on=clock.local_date(now, mall.timezone))
        text = to_json(value)
        statement = Statement(
            number=value.number,
            mall_id=mall.id,
            dealer_id=dealer.id,
            first_day=month.first_day,
            value_json=text,
            value_sha256=sha256(text),
            opening_cents=value.opening_cents,
            closing_cents=value.closing_cents,
            created_at=now,
        )
        session.add(statement)
        session.flush()
        end_stated_leases(session, now, mall.id, dealer.id, month)
    return statement


@long_job("statements.make", queue="statements")
def make_statement(run: JobRun, args: dict[str, Any]) -> None:
    """Freeze one dealer's statement, render it with no transaction open, and keep the rendering.

    `args`: mall_id, dealer_id, month. Raises Refusal, naming the dealer, for a statement that cannot be made.
    """
    month = Month.parse(args["month"])
    with run.transaction() as session:
        mall, dealer = session.get_one(Mall, args["mall_id"]), session.get_one(Dealer, args["dealer_id"])
        try:
            statement = freeze_statement(session, run.clock(), mall, dealer, month)
        except StatementError as error:
            raise Refusal(f"{dealer.code}: {error}") from error
        statement_id, text, has_document = statement.id, statement.value_json, statement.document_id is not None
    faults.point("statement:frozen")
    content = b""
    value = from_json(text)
    if not has_document:
        try:
            content = statement_pdf(value)
        except PdfError as error:
            raise Refusal(f"{value.dealer_code}: the statement cannot be rendered: {error}") from error
    faults.point("statement:rendered")
    with run.transaction() as session:
        statement = session.scalars(
            select(Statement).where(Statement.id == statement_id).with_for_update().execution_options(populate_existing=True)
        ).one()
        if statement.document_id is None:
            statement.document_id = keep_document(
                session,
                run.clock(),
                file_name=statement_file_name(value),
                media_type="application/pdf",
                content=content,
                made_with=made_with(),
            ).id
        run.finish(session)
        faults.point("statement:before-commit")


def queue_statement_mail(session: Session, now: datetime, statement: Statement, *, mail_domain: str, group_key: str) -> bool:
    """Queue the mail of a statement whose document is there; False for a dealer without an address, who gets it printed."""
    dealer = session.get_one(Dealer, statement.dealer_id)
    if not dealer.member.email or statement.document_id is None:
        return False
    mall = session.get_one(Mall, statement.mall_id)
    subject, text, html = statement_mail(from_json(statement.value_json))
    outbox = queue_mail(
        session,
        now,
        key=f"statement/{mall.code}/{dealer.code}/{Month.of(statement.first_day)}",
        kind="statement",
        recipient=dealer.member.email,
        subject=subject,
        text_body=text,
        html_body=html,
        document_id=statement.document_id,
        mail_domain=mail_domain,
        group_key=group_key,
    )
    statement.outbox_id = outbox.id
    return True


@long_job("statements.mail", queue="mail")
def mail_statement(run: JobRun, args: dict[str, Any]) -> None:
    """Queue the mail of one statement, unless it has one or its dealer has no address that a letter can bear.

    `args`: statement_id, and group_key of the work it belongs to.
    """
    with run.transaction() as session:
        # With all that its letter speaks of, in one question; two workers at once write one letter.
        statement, _dealer, _member, _mall = session.execute(
            select(Statement, Dealer, Member, Mall)
            .join(Dealer, Dealer.id == Statement.dealer_id)
            .join(Member, Member.id == Dealer.member_id)
            .join(Mall, Mall.id == Statement.mall_id)
            .where(Statement.id == args["statement_id"])
            .options(undefer(Statement.value_json))
            .with_for_update(of=Statement)
        ).one()
        if statement.outbox_id is None:
            with suppress(Refusal):
                queue_statement_mail(
                    session, run.clock(), statement, mail_domain=run.settings.mail_domain, group_key=args["group_key"]
                )
        run.finish(session)


@dataclass(frozen=True)
class Exported:
    """What was written to a folder."""

    written: int
    unchanged: int


def export_statements(sessions: Sessions, mall: Mall, month: Month, folder: Path) -> Exported:
    """Write a month's PDFs to a folder, each whole or not at all; those that are there already are left.

    Opens transactions of its own, each for a few documents, and none while it writes: the disk's pace is not the database's.
    Refuses when no statement has been made, and when the folder cannot take one (a full disk), naming it.
    """
    with transaction(sessions) as session:
        listed = session.execute(
            select(Document.id, Document.file_name, Document.sha256)
            .join(Statement, Statement.document_id == Document.id)
            .where(Statement.mall_id == mall.id, Statement.first_day == month.first_day)
            .order_by(Statement.number)
        ).all()
    if not listed:
        raise Refusal(f"No statement of {month.name} has been made at {mall.code}: close the month first.")
    written = unchanged = 0
    name = "a statement"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for start in range(0, len(listed), _AT_ONCE):
            wanted = {}
            for document_id, name, digest in listed[start : start + _AT_ONCE]:
                target = folder / name
                if target.is_file() and hashlib.sha256(target.read_bytes()).hexdigest() == digest:
                    unchanged += 1
                else:
                    wanted[document_id] = target
            for document_id, content in _contents(sessions, list(wanted)):
                name = wanted[document_id].name
                _write_whole(wanted[document_id], content)
                written += 1
    except OSError as error:
        raise Refusal(
            f"--to {folder}: {name} could not be written ({error.strerror}). "
            f"{counted(written, 'was', 'were')} written before; make room or choose another folder, and run it again."
        ) from error
    return Exported(written, unchanged)


def _contents(sessions: Sessions, document_ids: list[int]) -> list[tuple[int, bytes]]:
    """The bytes of documents, read whole."""
    with transaction(sessions) as session:
        rows = session.execute(select(Document.id, Document.content).where(Document.id.in_(document_ids)).order_by(Document.id))
        return [(document_id, content) for document_id, content in rows]


def _write_whole(target: Path, content: bytes) -> None:
    """Write beside, then rename: a name never stands for half a file."""
    part = target.with_name(f".{target.name}.part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def check_statements(session: Session) -> list[str]:
    """Every statement against itself, its document, the ledger, and the month's tickets and charges.

    A sentence for each that does not hold.
    """
    return list(_statement_faults(session))


def _statement_faults(session: Session) -> Iterator[str]:
    before: dict[tuple[int, date], dict[int, int]] = {}

    def owed(mall_id: int, day: date, dealer_id: int) -> int:
        if (mall_id, day) not in before:
            before[(mall_id, day)] = dealer_balances_before(session, mall_id, day)
        return before[(mall_id, day)].get(dealer_id, 0)

    statements = session.scalars(
        select(Statement).options(undefer(Statement.value_json)).order_by(Statement.id).execution_options(yield_per=100)
    )
    for statement in statements:
        name = f"Statement {statement.number}"
        if sha256(statement.value_json) != statement.value_sha256:
            yield f"{name} is not the one that was made: its hash differs."
            continue
        try:
            value = from_json(statement.value_json)
            prove(value)
        except StatementError as error:
            yield f"{name}: {error}"
            continue
        month = Month.of(statement.first_day)
        for what, stated, day in (
            ("opens", statement.opening_cents, month.first_day),
            ("closes", statement.closing_cents, month.next.first_day),
        ):
            ledger = owed(statement.mall_id, day, statement.dealer_id)
            if stated != ledger:
                yield f"{name} {what} with {format_cents(stated)}, the ledger with {format_cents(ledger)}."
        if (value.opening_cents, value.closing_cents) != (statement.opening_cents, statement.closing_cents):
            yield f"{name}: its value and its row differ."
        sold = [_sale_line(line) for line in lines_of_dealer(session, statement.mall_id, statement.dealer_id, month)]
        if Counter(sold) != Counter((*value.sales, *value.returns)):
            net = sum(line.price_cents for line in sold)
            yield f"{name} has net sales of {format_cents(value.net_cents)}; the tickets' lines are others, {format_cents(net)}."
        charges = _charge_lines(session, statement.mall_id, statement.dealer_id, month)
        if charges != value.charges:
            charged = format_cents(sum(line.amount_cents for line in charges))
            yield f"{name} has charges of {format_cents(value.charged_cents)}; those posted are others, {charged}."
    documents = session.execute(
        select(Document.id, Document.file_name, Document.sha256, Document.content).execution_options(yield_per=50)
    )
    for _id, file_name, digest, content in documents:
        if hashlib.sha256(content).hexdigest() != digest:
            yield f"Document {file_name} is not the one that was made: its hash differs."
