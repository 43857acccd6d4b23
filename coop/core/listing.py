"""A list that people sort, narrow, page through and take away as CSV: one way for every page.

A `Listing` says once what a list's columns are, what they are sorted by and what narrows it; `read` answers what an address asks
for (`sort`, `page`, and the filters' own names) from a query, `pick` the same from rows in hand. An address that asks for what is
not there gets the list as it usually stands: links to lists are kept, and outlive their columns.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Generic, TypeVar

from sqlalchemy import ColumnElement, Select, func, or_, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from coop.core.csv_text import csv_text, defused
from coop.core.errors import Refusal
from coop.core.periods import shown_day

Row = TypeVar("Row")
Sql = ColumnElement[Any] | InstrumentedAttribute[Any]

PAGE = 50
"""Rows of one page of a list."""
MOST_TAKEN = 100_000
"""Rows of one CSV: more is narrowed first."""
AS_CSV = "csv"
YEARS = range(1900, 2201)
"""Years a list may be narrowed to: near the first and the last day there is, a zone's midnight is no moment."""


@dataclass(frozen=True)
class Column(Generic[Row]):
    """A column of a list. Without `order` and `by` nobody sorts by it."""

    key: str
    heading: str
    text: Callable[[Row], str]
    """What the CSV says: plain figures and days as YYYY-MM-DD."""
    order: Sql | None = None
    """What a query sorts by."""
    by: Callable[[Row], Any] | None = None
    """What rows in hand are sorted by."""
    amount: bool = False
    """Figures: they stand at the end of their column, and the largest come first when it is first sorted by them.

    The CSV writes them as they are; the cells of all other columns are `defused`, for people may have typed them.
    """

    @property
    def sorts(self) -> bool:
        return self.order is not None or self.by is not None


def has_words(texts: Iterable[Sql], asked: str) -> ColumnElement[bool]:
    """Whether one of the texts has these words, whatever their case."""
    return or_(*(func.lower(text).contains(asked.lower(), autoescape=True) for text in texts))


@dataclass(frozen=True)
class Words:
    """Keeps what has these words in one of its texts, whatever their case."""

    key: str
    label: str
    texts: tuple[Sql, ...] = ()
    of: Callable[[Any], Iterable[str]] | None = None
    """The texts of a row in hand."""

    kind = "words"

    def where(self, asked: str) -> ColumnElement[bool]:
        return has_words(self.texts, asked)

    def keeps(self, row: Any, asked: str) -> bool:
        return self.of is not None and any(asked.lower() in text.lower() for text in self.of(row))

    def fault(self, asked: str) -> str:
        return "" if len(asked) <= 60 else "Look for 60 characters at most."


@dataclass(frozen=True)
class OneOf:
    """Keeps what is of one kind."""

    key: str
    label: str
    choices: tuple[tuple[str, str], ...]
    """(value in the address, words)"""
    narrow: Callable[[str], ColumnElement[bool]] | None = None
    of: Callable[[Any], str | Collection[str]] | None = None
    """The value of a row in hand, or all it has."""
    every: str = "all"
    """How the choice that narrows nothing is called."""

    kind = "choice"

    def where(self, asked: str) -> ColumnElement[bool]:
        assert self.narrow is not None, "a list read by a query narrows by one"
        return self.narrow(asked)

    def keeps(self, row: Any, asked: str) -> bool:
        if self.of is None:
            return False
        found = self.of(row)
        return asked == found if isinstance(found, str) else asked in found

    def fault(self, asked: str) -> str:
        return "" if asked in dict(self.choices) else "Choose one of these."


@dataclass(frozen=True)
class FromDay:
    """Keeps what is of this day or later; `to_day` what is of this day or earlier."""

    key: str
    label: str
    day: Sql | None = None
    of: Callable[[Any], date] | None = None
    to_day: bool = False

    kind = "day"

    def where(self, asked: str) -> ColumnElement[bool]:
        assert self.day is not None, "a list read by a query narrows by a column"
        on = date.fromisoformat(asked)
        return self.day <= on if self.to_day else self.day >= on

    def keeps(self, row: Any, asked: str) -> bool:
        assert self.of is not None, "rows in hand have their day told"
        on = date.fromisoformat(asked)
        return self.of(row) <= on if self.to_day else self.of(row) >= on

    def fault(self, asked: str) -> str:
        try:
            on = date.fromisoformat(asked)
        except ValueError:
            return "Write the day, like 2026-10-19."
        return "" if on.year in YEARS else f"Choose a day of the years {YEARS[0]} to {YEARS[-1]}."


Filter = Words | OneOf | FromDay


@dataclass(frozen=True)
class Asked:
    """A filter with what was asked of it, and what is wrong with that."""

    filter: Filter
    value: str
    fault: str = ""

    @property
    def said(self) -> str:
        """What was asked, as people say it: the words of a choice, a day with what it is; empty where nothing was."""
        if self.value and not self.fault and isinstance(self.filter, OneOf):
            return dict(self.filter.choices)[self.value]
        if self.value and not self.fault and isinstance(self.filter, FromDay):
            return f"{self.filter.label.lower()} {shown_day(date.fromisoformat(self.value))}"
        return self.value


@dataclass(frozen=True)
class Listed(Generic[Row]):
    """What a page shows of a list."""

    rows: Sequence[Row]
    columns: Sequence[Column[Row]]
    asked: Sequence[Asked]
    sort: str
    """A column's key, with a hyphen before it for the largest or latest first."""
    usual: str
    page: int
    total: int
    usually: Mapping[str, str] = field(default_factory=dict)

    @property
    def pages(self) -> int:
        return max(1, -(-self.total // PAGE))

    @property
    def first(self) -> int:
        """The number of the first row shown, from one."""
        return (self.page - 1) * PAGE + 1

    @property
    def last(self) -> int:
        return self.first + len(self.rows) - 1

    @property
    def narrowed(self) -> bool:
        return any(one.value for one in self.asked)

    @property
    def is_usual(self) -> bool:
        """Whether nobody has asked for other rows than those the list usually has."""
        return all(one.value == self.usually.get(one.filter.key, "") for one in self.asked)

    @property
    def descending(self) -> bool:
        return self.sort.startswith("-")

    @property
    def sorted_by(self) -> str:
        return self.sort.removeprefix("-")

    def sort_by(self, column: Column[Row]) -> str:
        """What pressing a column's heading sorts by: it, and then the other way round."""
        if column.key == self.sorted_by:
            return column.key if self.descending else f"-{column.key}"
        return f"-{column.key}" if column.amount else column.key

    def args(self, **changes: Any) -> dict[str, Any]:
        """What an address asks to show this again with changes: `page` and the usual sort are left out.

        A filter that is usually set stands in it even where nothing is asked of it: else the list would stand as usual again.
        """
        kept: dict[str, Any] = {one.filter.key: one.value for one in self.asked if one.value or one.filter.key in self.usually}
        if self.sort != self.usual:
            kept["sort"] = self.sort
        kept.update(changes)
        return {key: value for key, value in kept.items() if value not in ("", None) or (value == "" and key in self.usually)}


@dataclass(frozen=True)
class Listing(Generic[Row]):
    """What a list is: its columns, how it usually stands, what narrows it."""

    columns: tuple[Column[Row], ...]
    usual: str
    """The sort it has unless another is asked for."""
    filters: tuple[Filter, ...] = ()
    tie: Sql | None = None
    """What a query sorts by where the column's values are equal: something unique."""
    usually: Mapping[str, str] = field(default_factory=dict)
    """What its filters are set to while nobody has asked for anything."""

    def with_choices(self, key: str, choices: Iterable[tuple[str, str]]) -> Listing[Row]:
        """The same with the choices of a filter that only a request knows, like the malls there are; one is none to choose."""
        found = tuple(choices)
        told = (replace(one, choices=found) if isinstance(one, OneOf) and one.key == key else one for one in self.filters)
        return replace(self, filters=tuple(one for one in told if one.key != key or len(found) > 1))

    def values(self, asked: Mapping[str, str]) -> dict[str, str]:
        """What is asked of each filter, by its key: what it usually is while nobody asks anything; empty: all."""
        given = asked if any(one.key in asked for one in self.filters) else self.usually
        return {one.key: given.get(one.key, "").strip() for one in self.filters}

    def narrow(self, query: Select[*tuple[Any, ...]], asked: Mapping[str, str]) -> Select[Any]:
        """The query of all that is asked for, of every page: for the sums under a list."""
        return query.where(*(one.filter.where(one.value) for one in self._asked(asked) if one.value and not one.fault))

    def read(
        self, session: Session, query: Select[*tuple[Any, ...]], asked: Mapping[str, str], make: Callable[[Any], Row]
    ) -> Listed[Row]:
        """One page of what a query finds, each of its result rows made a row of the list. Two queries."""
        found, narrowed = self._asked(asked), self.narrow(query, asked)
        total = session.scalar(select(func.count()).select_from(narrowed.order_by(None).subquery())) or 0
        sort, page = self._sort(asked), _page(asked, total)
        column = self._column(sort)
        assert column.order is not None, "a list read by a query is sorted by one"
        order = column.order.desc() if sort.startswith("-") else column.order.asc()
        ordered = narrowed.order_by(order.nulls_last(), *(() if self.tie is None else (self.tie,)))
        if wants_csv(asked):
            refuse_too_many(total)
        else:
            ordered = ordered.limit(PAGE).offset((page - 1) * PAGE)
        return Listed(
            [make(row) for row in session.execute(ordered)], self.columns, found, sort, self.usual, page, total, self.usually
        )

    def pick(self, rows: Iterable[Row], asked: Mapping[str, str]) -> Listed[Row]:
        """One page of rows in hand."""
        found = self._asked(asked)
        kept = [row for row in rows if all(one.filter.keeps(row, one.value) for one in found if one.value and not one.fault)]
        sort, page = self._sort(asked), _page(asked, len(kept))
        by = self._column(sort).by
        assert by is not None, "rows in hand are sorted by what is told of them"
        kept.sort(key=by, reverse=sort.startswith("-"))
        if wants_csv(asked):
            refuse_too_many(len(kept))
            shown = kept
        else:
            shown = kept[(page - 1) * PAGE : page * PAGE]
        return Listed(shown, self.columns, found, sort, self.usual, page, len(kept), self.usually)

    def _asked(self, asked: Mapping[str, str]) -> list[Asked]:
        texts = self.values(asked)
        return [Asked(one, texts[one.key], one.fault(texts[one.key]) if texts[one.key] else "") for one in self.filters]

    def _column(self, sort: str) -> Column[Row]:
        return next(one for one in self.columns if one.key == sort.removeprefix("-"))

    def _sort(self, asked: Mapping[str, str]) -> str:
        wanted = asked.get("sort", "")
        known = {one.key for one in self.columns if one.sorts}
        return wanted if wanted.removeprefix("-") in known else self.usual


def _page(asked: Mapping[str, str], total: int) -> int:
    wanted = asked.get("page", "")
    number = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 8 else 1
    return min(max(number, 1), max(1, -(-total // PAGE)))


def wants_csv(asked: Mapping[str, str]) -> bool:
    """Whether an address asks for the whole list as CSV."""
    return asked.get("as") == AS_CSV


def refuse_too_many(total: int) -> None:
    """Raises Refusal for a CSV of more rows than one request should make."""
    if total > MOST_TAKEN:
        raise Refusal(f"The list has {total:,} rows, and a CSV takes {MOST_TAKEN:,}: narrow it, to fewer days for instance.")


def list_csv(listed: Listed[Row]) -> str:
    """The list as it stands, narrowed and sorted, with its headings; no cell is taken for a formula."""
    columns = [(one.text, one.amount) for one in listed.columns]
    rows = ([text(row) if is_amount else defused(text(row)) for text, is_amount in columns] for row in listed.rows)
    return csv_text([one.heading for one in listed.columns], rows)
