"""What a dealer's list of statements reads: the statements by year, her questions about them, and how many are answered."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from sqlalchemy import ColumnElement, extract, func, select
from sqlalchemy.orm import Session

from coop.core.listing import Column, Listed, Listing, OneOf
from coop.core.money import plain_cents
from coop.core.web import Visitor
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.portal.queries import StatementRow, own_dealers_query, own_statements_query
from coop.statements.models import Statement, StatementQuestion


def _in_year(year: str) -> ColumnElement[bool]:
    return Statement.first_day.between(date(int(year), 1, 1), date(int(year), 12, 31))


STATEMENTS: Listing[StatementRow] = Listing(
    columns=(
        Column("month", "Month", lambda row: str(row.month), order=Statement.first_day),
        Column("dealer", "Dealer", lambda row: row.dealer.code, order=Dealer.code),
        Column("mall", "Mall", lambda row: row.mall.name, order=Mall.code),
        Column(
            "opening", "Opening", lambda row: plain_cents(row.statement.opening_cents), order=Statement.opening_cents, amount=True
        ),
        Column(
            "closing", "Closing", lambda row: plain_cents(row.statement.closing_cents), order=Statement.closing_cents, amount=True
        ),
        Column("number", "Statement", lambda row: row.statement.number),
    ),
    usual="-month",
    filters=(OneOf("year", "Year", (), narrow=_in_year),),
    tie=Statement.id,
)


def own_statements(session: Session, user: Visitor, asked: Mapping[str, str]) -> Listed[StatementRow]:
    """A page of this user's statements, the latest month first. Three queries."""
    years = session.scalars(
        select(extract("year", Statement.first_day)).where(Statement.dealer_id.in_(own_dealers_query(user))).distinct()
    )
    choices = [(str(year), str(year)) for year in sorted((int(year) for year in years), reverse=True)]
    listing = STATEMENTS.with_choices("year", choices)
    return listing.read(session, own_statements_query(user), asked, lambda row: StatementRow(*row))


def own_question_counts(session: Session, user: Visitor) -> dict[int, tuple[int, int]]:
    """Questions asked of each of this user's statements, and how many are answered: statement id -> (asked, answered)."""
    rows = session.execute(
        select(StatementQuestion.statement_id, func.count(StatementQuestion.id), func.count(StatementQuestion.answered_at))
        .join(Statement, Statement.id == StatementQuestion.statement_id)
        .where(Statement.dealer_id.in_(own_dealers_query(user)))
        .group_by(StatementQuestion.statement_id)
    )
    return {statement_id: (int(asked), int(answered)) for statement_id, asked, answered in rows}
