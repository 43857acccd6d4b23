"""What pages of the books read: one account, entries sought, one entry, entries by hand; few queries each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, func, or_, select, tuple_
from sqlalchemy.orm import Session, aliased

from coop.books.domain.finding import Sought
from coop.books.models import Account, Entry, EntryProof, Journal, JournalLine, Period, Posting, Seal
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member, UserAccount
from coop.floor.models import Mall

PAGE = 50
"""Rows of one page of a list."""
MOST_ACCOUNTS = 20
"""Accounts that a search shows."""
MOST_DEALERS = 10


def months_of_books(session: Session) -> list[Month]:
    """Every month that has a period, the newest first."""
    days = session.scalars(select(Period.first_day).distinct().order_by(Period.first_day.desc()))
    return [Month.of(day) for day in days]


def _words() -> ColumnElement[str]:
    """What an entry is for: its memo, or where it came from."""
    return case((Entry.memo != "", Entry.memo), else_=Entry.source_kind + " " + Entry.source_id)


# --- one account --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PostingRow:
    """One posting on an account, with the account's balance after it; cents, debit positive."""

    posting_id: int
    entry_id: int
    on: date
    kind: str
    words: str
    mall: str
    amount_cents: int
    balance_cents: int

    @property
    def mark(self) -> str:
        """Where the next page begins after this row."""
        return f"{self.on}.{self.posting_id}"


@dataclass(frozen=True)
class PostingPage:
    rows: Sequence[PostingRow]
    opening_cents: int
    """The balance before the first row."""
    more: str
    """The mark the next page begins after; empty on the last."""


def account_by_path(session: Session, path: str) -> Account | None:
    return session.scalar(select(Account).where(Account.path == path))


def read_mark(text: str) -> tuple[date, int] | None:
    """A page's mark, from an address; None for anything else."""
    day, _, number = text.partition(".")
    if len(number) > 15:
        return None
    try:
        return date.fromisoformat(day), int(number)
    except ValueError:
        return None


def account_postings(
    session: Session, account: Account, *, month: Month | None, after: tuple[date, int] | None = None, limit: int = PAGE
) -> PostingPage:
    """A page of an account's postings by day and number, of a month or of all, each with the balance after it."""
    place = tuple_(Entry.business_date, Posting.id)
    rows = (
        select(
            Posting.id, Entry.id, Entry.business_date, Entry.kind, _words(), func.coalesce(Mall.code, ""), Posting.amount_cents
        )
        .join(Entry, Entry.id == Posting.entry_id)
        .outerjoin(Mall, Mall.id == Entry.mall_id)
        .where(Posting.account_id == account.id)
        .order_by(Entry.business_date, Posting.id)
        .limit(limit + 1)
    )
    if month is not None:
        rows = rows.where(Entry.business_date.between(month.first_day, month.last_day))
    if after is not None:
        rows = rows.where(place > tuple_(*after))
    found = session.execute(rows).all()
    earlier = select(func.coalesce(func.sum(Posting.amount_cents), 0)).join(Entry, Entry.id == Posting.entry_id)
    earlier = earlier.where(Posting.account_id == account.id)
    if found:
        earlier = earlier.where(place < tuple_(found[0][2], found[0][0]))
    elif month is not None:
        earlier = earlier.where(Entry.business_date < month.first_day)
    opening = balance = int(session.scalar(earlier) or 0)
    page: list[PostingRow] = []
    for row in found[:limit]:
        balance += row[6]
        page.append(PostingRow(*row, balance))
    return PostingPage(page, opening, page[-1].mark if len(found) > limit else "")


# --- entries ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class EntryRow:
    """An entry in a list."""

    id: int
    on: date
    mall: str
    kind: str
    words: str
    debits_cents: int
    reverses_id: int | None
    reversed_by: int | None


def entries_query() -> Select[int, date, str, str, str, int, int | None, int | None]:
    """Every entry with what an `EntryRow` says of it."""
    back = aliased(Entry)
    return (
        select(
            Entry.id,
            Entry.business_date,
            func.coalesce(Mall.code, ""),
            Entry.kind,
            _words(),
            EntryProof.debits_cents,
            Entry.reverses_id,
            back.id,
        )
        .join(EntryProof, EntryProof.entry_id == Entry.id)
        .outerjoin(Mall, Mall.id == Entry.mall_id)
        .outerjoin(back, back.reverses_id == Entry.id)
    )


def of_amount(amount_cents: int) -> ColumnElement[bool]:
    """Entries with a posting of that amount, on either side, or that come to it in all."""
    lines = select(Posting.entry_id).where(Posting.amount_cents.in_((amount_cents, -amount_cents)))
    whole = select(EntryProof.entry_id).where(EntryProof.debits_cents == amount_cents)
    return Entry.id.in_(lines.union(whole))


def with_words(words: str) -> ColumnElement[bool]:
    """Entries whose memo or source has these words."""
    lowered = words.lower()
    return or_(
        func.lower(Entry.memo).contains(lowered, autoescape=True), func.lower(Entry.source_id).contains(lowered, autoescape=True)
    )


def entry_kinds(session: Session) -> Sequence[str]:
    return session.scalars(select(Entry.kind).distinct().order_by(Entry.kind)).all()


@dataclass(frozen=True)
class EntryView:
    """One entry with everything that is known of it."""

    entry: Entry
    mall: Mall | None
    postings: Sequence[tuple[str, int]]
    debits_cents: int
    reversed_by: int | None
    seal: Seal | None
    """That covers it; None: the next one will."""
    journal: Journal | None
    """Its entry by hand, where it is one or reverses by one."""


def entry_view(session: Session, entry_id: int) -> EntryView | None:
    """An entry by its number; None for none. A fixed number of queries."""
    back = aliased(Entry)
    row = session.execute(
        select(Entry, Mall, EntryProof.debits_cents, back.id, Seal, Journal)
        .join(EntryProof, EntryProof.entry_id == Entry.id)
        .outerjoin(Mall, Mall.id == Entry.mall_id)
        .outerjoin(back, back.reverses_id == Entry.id)
        .outerjoin(
            Seal,
            and_(Seal.period_id == Entry.period_id, Seal.after_entry_id < Entry.id, Seal.last_entry_id >= Entry.id),
        )
        .outerjoin(Journal, Journal.entry_id == Entry.id)
        .where(Entry.id == entry_id)
    ).first()
    if row is None:
        return None
    postings = session.execute(
        select(Account.path, Posting.amount_cents)
        .join(Posting, Posting.account_id == Account.id)
        .where(Posting.entry_id == entry_id)
        .order_by(Posting.id)
    )
    entry, mall, debits, reversed_by, seal, journal = row
    return EntryView(entry, mall, [(path, amount) for path, amount in postings], debits, reversed_by, seal, journal)


# --- found --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Found:
    """What a search found."""

    entry_id: int | None
    """An entry of that very number."""
    dealers: Sequence[tuple[str, str]]
    """Code and name, MOST_DEALERS at most."""
    accounts: Sequence[str]
    """Paths, MOST_ACCOUNTS and one more at most."""
    entries: Sequence[EntryRow]
    """A page and one more at most."""
    matching: Mapping[int, Sequence[tuple[str, int]]]
    """Of an amount: the postings of it, account and cents, by entry."""


def find(session: Session, sought: Sought, *, before: int | None = None) -> Found:
    """Entries by amount, words or number; accounts by path and dealer; dealers by code and name. Five queries at most."""
    if not sought.words:
        return Found(None, (), (), (), {})
    entry_id = session.scalar(select(Entry.id).where(Entry.id == sought.entry_id)) if sought.entry_id else None
    lowered = sought.words.lower()
    name = func.coalesce(func.nullif(Dealer.trade_name, ""), Member.name)
    dealers = session.execute(
        select(Dealer.id, Dealer.code, name)
        .join(Member, Member.id == Dealer.member_id)
        .where(
            or_(
                func.lower(Dealer.code) == lowered,
                func.lower(Dealer.trade_name).contains(lowered, autoescape=True),
                func.lower(Member.name).contains(lowered, autoescape=True),
            )
        )
        .order_by(Dealer.code)
        .limit(MOST_DEALERS)
    ).all()
    accounts = session.scalars(
        select(Account.path)
        .where(
            or_(
                func.lower(Account.path).contains(lowered, autoescape=True),
                Account.dealer_id.in_([dealer_id for dealer_id, _, _ in dealers]),
            )
        )
        .order_by(Account.path)
        .limit(MOST_ACCOUNTS + 1)
    ).all()
    meant = with_words(sought.words)
    if sought.amount_cents is not None:
        meant = or_(meant, of_amount(sought.amount_cents))
    rows = entries_query().where(meant).order_by(Entry.id.desc()).limit(PAGE + 1)
    if before is not None:
        rows = rows.where(Entry.id < before)
    entries = [EntryRow(*row) for row in session.execute(rows)]
    matching = {} if sought.amount_cents is None else _matching(session, [row.id for row in entries], sought.amount_cents)
    return Found(entry_id, [(code, said) for _, code, said in dealers], accounts, entries, matching)


def _matching(session: Session, entry_ids: Sequence[int], amount_cents: int) -> dict[int, list[tuple[str, int]]]:
    rows = session.execute(
        select(Posting.entry_id, Account.path, Posting.amount_cents)
        .join(Account, Account.id == Posting.account_id)
        .where(Posting.entry_id.in_(entry_ids), Posting.amount_cents.in_((amount_cents, -amount_cents)))
        .order_by(Posting.id)
    )
    found: dict[int, list[tuple[str, int]]] = {}
    for entry_id, path, cents in rows:
        found.setdefault(entry_id, []).append((path, cents))
    return found


# --- entries by hand ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class JournalRow:
    """An entry by hand in a list."""

    journal: Journal
    mall: str
    debits_cents: int
    entered_by: str
    """A mail address; empty for the command line."""


@dataclass(frozen=True)
class JournalView:
    journal: Journal
    mall: Mall | None
    lines: Sequence[tuple[str, int]]
    entered_by: str
    decided_by: str

    @property
    def debits_cents(self) -> int:
        return sum(amount for _, amount in self.lines if amount > 0)


JOURNAL_CENTS: ColumnElement[int] = (
    select(func.coalesce(func.sum(JournalLine.amount_cents), 0))
    .where(JournalLine.journal_id == Journal.id, JournalLine.amount_cents > 0)
    .correlate(Journal)
    .scalar_subquery()
)
"""What an entry by hand comes to."""


def journals_query(*, waiting: bool) -> Select[Journal, str, int, str]:
    """Entries by hand that wait, or the others, each with what a `JournalRow` says of it."""
    return (
        select(Journal, func.coalesce(Mall.code, ""), JOURNAL_CENTS, func.coalesce(UserAccount.email, ""))
        .outerjoin(Mall, Mall.id == Journal.mall_id)
        .outerjoin(UserAccount, UserAccount.id == Journal.entered_by)
        .where((Journal.state == "entered") if waiting else (Journal.state != "entered"))
    )


def journal_row(row: Any) -> JournalRow:
    journal, code, cents, email = row
    return JournalRow(journal, code, int(cents), email)


def waiting_journals(session: Session) -> list[JournalRow]:
    """Entries by hand that wait for a second person, the newest first. One query."""
    rows = journals_query(waiting=True).order_by(Journal.id.desc()).limit(PAGE + 1)
    return [journal_row(row) for row in session.execute(rows)]


def journal_view(session: Session, journal_id: int) -> JournalView | None:
    """One entry by hand, in two queries; None for none."""
    decider = aliased(UserAccount)
    row = session.execute(
        select(Journal, Mall, func.coalesce(UserAccount.email, ""), func.coalesce(decider.email, ""))
        .outerjoin(Mall, Mall.id == Journal.mall_id)
        .outerjoin(UserAccount, UserAccount.id == Journal.entered_by)
        .outerjoin(decider, decider.id == Journal.decided_by)
        .where(Journal.id == journal_id)
    ).first()
    if row is None:
        return None
    lines = session.execute(
        select(Account.path, JournalLine.amount_cents)
        .join(JournalLine, JournalLine.account_id == Account.id)
        .where(JournalLine.journal_id == journal_id)
        .order_by(JournalLine.position)
    )
    journal, mall, entered_by, decided_by = row
    return JournalView(journal, mall, [(path, amount) for path, amount in lines], entered_by, decided_by)
