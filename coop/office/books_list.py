"""The lists of entries of the books, and of those by hand: their columns, what they are sorted by and what narrows them."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import ColumnElement, select

from coop.books.models import Entry, EntryProof, Journal, Period
from coop.books.reading import JOURNAL_CENTS, EntryRow, JournalRow, of_amount, with_words
from coop.core.listing import Column, FromDay, Listing, OneOf, Words
from coop.core.money import parse_cents, plain_cents
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.office.books_forms import OWN, whose_choices


class _Amount(Words):
    """Entries of an amount, in dollars."""

    def where(self, asked: str) -> ColumnElement[bool]:
        return of_amount(abs(parse_cents(asked)))

    def fault(self, asked: str) -> str:
        try:
            parse_cents(asked)
        except ValueError as error:
            return f"This {error}."
        return ""


class _Said(Words):
    """Entries whose memo or source has these words."""

    def where(self, asked: str) -> ColumnElement[bool]:
        return with_words(asked)


def _of_month(asked: str) -> ColumnElement[bool]:
    return Entry.period_id.in_(select(Period.id).where(Period.first_day == Month.parse(asked).first_day))


def entry_list(months: Sequence[Month], malls: Sequence[Mall], kinds: Sequence[str]) -> Listing[EntryRow]:
    """The list, with the months, malls and kinds of entry that there are."""
    ids = {mall.code: mall.id for mall in malls}

    def whose(asked: str) -> ColumnElement[bool]:
        return Entry.mall_id.is_(None) if asked == OWN else Entry.mall_id == ids[asked]

    return Listing(
        columns=(
            Column("entry", "Entry", lambda row: str(row.id), order=Entry.id),
            Column("day", "Day", lambda row: row.on.isoformat(), order=Entry.business_date),
            Column("mall", "Mall", lambda row: row.mall),
            Column("kind", "Kind", lambda row: row.kind, order=Entry.kind),
            Column("for", "For", lambda row: row.words),
            Column(
                "amount",
                "Amount",
                lambda row: plain_cents(row.debits_cents),
                order=EntryProof.debits_cents,
                amount=True,
            ),
            Column("reverses", "Reverses", lambda row: str(row.reverses_id or "")),
            Column("reversed", "Reversed by", lambda row: str(row.reversed_by or "")),
        ),
        usual="-entry",
        filters=(
            OneOf("month", "Month", tuple((str(month), month.name) for month in months), _of_month, every="every month"),
            OneOf("mall", "Whose", tuple(whose_choices(malls)), whose, every="everybody’s"),
            OneOf("kind", "Kind", tuple((kind, kind) for kind in kinds), lambda kind: Entry.kind == kind, every="every kind"),
            _Amount("amount", "Amount"),
            _Said("words", "Words"),
            FromDay("from", "From", day=Entry.business_date),
            FromDay("to", "Up to", day=Entry.business_date, to_day=True),
        ),
        tie=Entry.id.desc(),
    )


HAND: Listing[JournalRow] = Listing(
    columns=(
        Column("number", "Entry by hand", lambda row: str(row.journal.id), order=Journal.id),
        Column("day", "Day", lambda row: row.journal.on.isoformat(), order=Journal.on),
        Column("mall", "Mall", lambda row: row.mall),
        Column("reason", "Reason", lambda row: row.journal.reason),
        Column("by", "Entered by", lambda row: row.entered_by),
        Column("state", "State", lambda row: row.journal.state, order=Journal.state),
        Column("amount", "Amount", lambda row: plain_cents(row.debits_cents), order=JOURNAL_CENTS, amount=True),
    ),
    usual="-number",
    filters=(
        Words("find", "Reason", (Journal.reason,)),
        OneOf("state", "State", (("posted", "posted"), ("refused", "refused")), lambda state: Journal.state == state),
        FromDay("from", "From", day=Journal.on),
        FromDay("to", "Up to", day=Journal.on, to_day=True),
    ),
    tie=Journal.id.desc(),
)
