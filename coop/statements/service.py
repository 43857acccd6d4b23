"""Statements built, frozen, rendered, mailed, written out and checked."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from coop.books.queries import dealer_balances_before, dealer_entries
from coop.core import clock, faults
from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.geometry import format_sqft
from coop.core.jobs import JobRun, long_job
from coop.core.mail import queue_mail
from coop.core.money import format_cents
from coop.core.pdf import PdfError, made_with
from coop.core.periods import Month
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall
from coop.leases.queries import charges_of, leases_in
from coop.leases.service import INCOME, SPACE_NAMES
from coop.sales.queries import StatedLine, lines_of_dealer
from coop.statements.documents import statement_file_name, statement_mail, statement_pdf
from coop.statements.domain import (
    ChargeLine,
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
from coop.tax.queries import collected_for_dealers

SALE_KINDS = ("sale", "return")
_PAYMENT_NAMES = {"payout": "Paid to you", "payment": "Your payment", "correction": "Correction"}


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
        discount_cents=line.discount_cents,
        discount_reason=line.discount_reason,
        discount_authority=line.discount_authority,
        price_cents=line.price_cents,
        posted_on=line.posting_date,
        returns=stated.returns,
    )


def build_value(session: Session, mall: Mall, dealer: Dealer, month: Month, *, made_on: date) -> StatementValue:
    """A dealer's month from the books. Raises StatementError when its lines do not add up to the ledger."""
    coop = session.get_one(Cooperative, 1)
    stated = lines_of_dealer(session, mall.id, dealer.id, month)
    sales = tuple(_sale_line(s) for s in stated if s.ticket.kind == "sale")
    returns = tuple(_sale_line(s) for s in stated if s.ticket.kind == "return")
    gross = sum(line.tag_cents for line in sales)
    discounts = sum(line.discount_cents for line in sales)
    given_back = -sum(line.price_cents for line in returns)
    others = dealer_entries(session, mall.id, dealer.id, month.first_day, month.last_day, besides=(*SALE_KINDS, *INCOME))
    spaces = [
        f"{SPACE_NAMES[held.space.kind]} {held.space.code}, {format_sqft(held.leased_area_sqft100)} sq ft"
        for lease in leases_in(session, mall.id, month)
        if lease.dealer_id == dealer.id
        for held in lease.spaces
        if held.starts_on <= month.last_day and (held.ends_on or date.max) >= month.first_day
    ]
    opening = dealer_balances_before(session, mall.id, month.first_day, dealer_id=dealer.id).get(dealer.id, 0)
    closing = dealer_balances_before(session, mall.id, month.next.first_day, dealer_id=dealer.id).get(dealer.id, 0)
    following = month.next
    value = StatementValue(
        number=f"{mall.code}-{dealer.code}-{month}",
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
        charges=tuple(
            ChargeLine(charge.kind, charge.label, charge.working, -charge.amount_cents)
            for charge in charges_of(session, mall.id, month, dealer_id=dealer.id)
        ),
        payments=tuple(
            PaymentLine(e.business_date, e.memo or _PAYMENT_NAMES.get(e.kind, e.kind), e.amount_cents) for e in others
        ),
        closing_cents=closing,
        pay_on=date(following.year, following.month, min(coop.payout_day, following.days)) if closing > 0 else None,
        tax_collected=tuple(
            TaxLine(t.jurisdiction, t.taxable_cents, t.amount_cents)
            for t in collected_for_dealers(session, mall.id, month, dealer_id=dealer.id)
        ),
    )
    prove(value)
    return value


def freeze_statement(session: Session, now: datetime, mall: Mall, dealer: Dealer, month: Month) -> Statement:
    """The dealer's statement of a month: the one there is, or one built now and never changed again."""
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


@dataclass(frozen=True)
class Exported:
    """What was written to a folder."""

    written: int
    unchanged: int


def export_statements(session: Session, mall: Mall, month: Month, folder: Path) -> Exported:
    """Write a month's PDFs to a folder, each whole or not at all; those that are there already are left.

    Refuses when no statement has been made, and when the folder cannot take one (a full disk), naming it.
    """
    rows = session.execute(
        select(Document)
        .join(Statement, Statement.document_id == Document.id)
        .where(Statement.mall_id == mall.id, Statement.first_day == month.first_day)
        .options(undefer(Document.content))
        .order_by(Statement.number)
        .execution_options(yield_per=50)
    ).scalars()
    written = unchanged = 0
    document: Document | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for document in rows:
            target = folder / document.file_name
            if target.exists() and hashlib.sha256(target.read_bytes()).hexdigest() == document.sha256:
                unchanged += 1
                continue
            _write_whole(target, document.content)
            written += 1
    except OSError as error:
        name = document.file_name if document else "a statement"
        raise Refusal(
            f"--to {folder}: {name} could not be written ({error.strerror}). {written} were written before; "
            "make room or choose another folder, and run it again."
        ) from error
    if not written and not unchanged:
        raise Refusal(f"No statement of {month.name} has been made at {mall.code}: close the month first.")
    return Exported(written, unchanged)


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
    """Every statement against itself, its document and the ledger; a sentence for each that does not hold."""
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
    documents = session.execute(
        select(Document.id, Document.file_name, Document.sha256, Document.content).execution_options(yield_per=50)
    )
    for _id, file_name, digest, content in documents:
        if hashlib.sha256(content).hexdigest() != digest:
            yield f"Document {file_name} is not the one that was made: its hash differs."
