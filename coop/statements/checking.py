"""Statements held against themselves, the ledger, and the month's tickets and charges, ever after."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from coop.books.queries import dealer_balances_before
from coop.books.sums import add_up_anew
from coop.core.documents import Document
from coop.core.money import format_cents
from coop.core.periods import Month
from coop.sales.queries import lines_of_dealer
from coop.statements.building import charge_lines, sale_line
from coop.statements.domain import StatementError, StatementValue, YearFigure, from_json, prove, sha256
from coop.statements.models import Statement


def check_statements(session: Session) -> list[str]:
    """Every statement against itself, its document, the ledger, and the month's tickets and charges.

    A sentence for each that does not hold.
    """
    add_up_anew(session)
    return list(_statement_faults(session))


def _statement_faults(session: Session) -> Iterator[str]:
    before: dict[tuple[int, date], dict[int, int]] = {}
    years: dict[tuple[int, int], StatementValue] = {}

    def owed(mall_id: int, day: date, dealer_id: int) -> int:
        if (mall_id, day) not in before:
            before[(mall_id, day)] = dealer_balances_before(session, mall_id, day)
        return before[(mall_id, day)].get(dealer_id, 0)

    statements = session.scalars(
        select(Statement)
        .options(undefer(Statement.value_json))
        .order_by(Statement.first_day, Statement.id)
        .execution_options(yield_per=100)
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
        sold = [sale_line(line) for line in lines_of_dealer(session, statement.mall_id, statement.dealer_id, month)]
        if Counter(sold) != Counter((*value.sales, *value.returns)):
            net = sum(line.price_cents for line in sold)
            yield f"{name} has net sales of {format_cents(value.net_cents)}; the tickets' lines are others, {format_cents(net)}."
        charges = charge_lines(session, statement.mall_id, statement.dealer_id, month)
        if charges != value.charges:
            charged = format_cents(sum(line.amount_cents for line in charges))
            yield f"{name} has charges of {format_cents(value.charged_cents)}; those posted are others, {charged}."
        yield from (f"{name}: {fault}" for fault in year_faults(years.get((statement.mall_id, statement.dealer_id)), value))
        years[statement.mall_id, statement.dealer_id] = value
    documents = session.execute(
        select(Document.id, Document.file_name, Document.sha256, Document.content).execution_options(yield_per=50)
    )
    for _id, file_name, digest, content in documents:
        if hashlib.sha256(content).hexdigest() != digest:
            yield f"Document {file_name} is not the one that was made: its hash differs."


def year_faults(before: StatementValue | None, value: StatementValue) -> Iterator[str]:
    """A year to date goes on where the statement of the month before left it, but for what came from paper since."""
    if before is None or not before.year or before.month.next != value.month or value.first_day.month == 1:
        return
    for earlier, figure in zip(before.year, value.year, strict=False):
        stood, stands = _without_paper(earlier, earlier.total_cents), _without_paper(figure, figure.before_cents)
        if stood != stands:
            yield (
                f"the year's {figure.what} before {value.month.name} is {format_cents(stands)}, "
                f"and was {format_cents(stood)} on the statement before."
            )


def _without_paper(figure: YearFigure, cents: int) -> int:
    return cents - figure.paper_cents
