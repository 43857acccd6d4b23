"""The list of the bank's lines: its columns, what it is sorted by and what narrows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import ColumnElement
from sqlalchemy.orm import Session

from coop.books.bank_lines import MATCHED_CENTS, LineRow, lines_query
from coop.books.models import BankLine
from coop.core.listing import Column, FromDay, Listed, Listing, OneOf, Words
from coop.core.money import plain_cents
from coop.core.periods import Month

_WHICH = {
    "unmatched": ("not matched yet", BankLine.amount_cents != MATCHED_CENTS),
    "matched": ("matched", BankLine.amount_cents == MATCHED_CENTS),
    "in": ("what came in", BankLine.amount_cents > 0),
    "out": ("what went out", BankLine.amount_cents < 0),
}


def _of_month(asked: str) -> ColumnElement[bool]:
    month = Month.parse(asked)
    return BankLine.on.between(month.first_day, month.last_day)


def line_list(months: Sequence[Month]) -> Listing[LineRow]:
    """The list, with the months there are lines of; it usually shows the newest."""
    return Listing(
        columns=(
            Column("day", "Day", lambda row: row.line.on.isoformat(), order=BankLine.on),
            Column("line", "Line", lambda row: row.line.words, order=BankLine.words),
            Column("reference", "Reference", lambda row: row.line.reference),
            Column("state", "State", lambda row: row.state),
            Column("open", "Not matched", lambda row: plain_cents(row.open_cents), amount=True),
            Column("amount", "Amount", lambda row: plain_cents(row.line.amount_cents), order=BankLine.amount_cents, amount=True),
        ),
        usual="day",
        filters=(
            OneOf("month", "Month", tuple((str(month), month.name) for month in months), _of_month, every="all months"),
            OneOf(
                "which",
                "Which",
                tuple((key, words) for key, (words, _) in _WHICH.items()),
                lambda key: _WHICH[key][1],
                every="every line",
            ),
            Words("find", "Words or number", (BankLine.words, BankLine.reference)),
            FromDay("from", "From", day=BankLine.on),
            FromDay("to", "Up to", day=BankLine.on, to_day=True),
        ),
        tie=BankLine.id,
        usually={"month": str(months[0])} if months else {},
    )


def read_lines(session: Session, months: Sequence[Month], asked: Mapping[str, str]) -> Listed[LineRow]:
    """A page of them; `month=all` is an address of before for every month."""
    wanted = {key: "" if (key, value) == ("month", "all") else value for key, value in asked.items()}
    return line_list(months).read(session, lines_query(), wanted, lambda row: LineRow(row[0], int(row[1])))


def month_of(listed: Listed[LineRow]) -> Month | None:
    """The month that is asked for, if one is."""
    found = next(one for one in listed.asked if one.filter.key == "month")
    return Month.parse(found.value) if found.value and not found.fault else None
