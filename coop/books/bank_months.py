"""A month's bank account reconciled: the book balance, what is outstanding, the bank's balance, the difference explained."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.bank_lines import BANK, LineRow, balance_at, balance_said_before, take_turn
from coop.books.bank_matching import check_matches, is_settled, open_items
from coop.books.domain.matching import OpenItem, check_in
from coop.books.domain.ofx import BookLine, BookStatement
from coop.books.models import BankFile, BankLine, BankMatch, BankMonth, Entry, Posting
from coop.books.rules import rules_on
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month, shown_day
from coop.floor.models import Mall

LEAST_WORDS = 15
"""Characters of an explanation: fewer say nothing that an auditor could follow up."""


@dataclass(frozen=True)
class BankStanding:
    """How the bank account stands at a month's end, in cents."""

    book_cents: int
    outstanding_cents: int
    """In the books and not at the bank yet, less what is at the bank and not in the books."""
    bank_cents: int | None
    """By the bank's files, else as typed when the month was reconciled; None where neither says it."""
    difference_cents: int | None
    """Bank and outstanding less the books: zero where no line of the bank is missing."""
    explained: bool
    """Whether the month is reconciled as it stands: nothing different and no line open, or it is said in words why, and by a
    second person too where it is much."""
    unmatched_lines: int
    in_use: bool
    """Whether anything was posted to the bank, or a line of it brought, up to the month's end."""


@dataclass(frozen=True)
class MonthSheet:
    """All that a reconciliation shows."""

    month: Month
    standing: BankStanding
    items: tuple[OpenItem, ...]
    """In the books and not at the bank."""
    lines: tuple[LineRow, ...]
    """At the bank and not in the books, with what of each is not."""
    file_cents: int | None
    """The bank's balance by its files."""
    suggested_cents: int | None
    """Where no file reaches the month's end: what the last one comes to, if no line is missing."""
    made: BankMonth | None
    """The newest reconciliation of the month."""
    stale: bool
    """Whether anything has changed since it was made."""
    waits: bool
    """Whether it is explained as it stands, and so much that a second person has to reconcile it too."""

    @property
    def state(self) -> str:
        """open, changed, waits, unexplained or reconciled: what every page, the month-end and the check of the books go by."""
        if self.made is None:
            return "open"
        if self.stale:
            return "changed"
        if self.waits:
            return "waits"
        return "reconciled" if self.standing.explained else "unexplained"

    @property
    def items_cents(self) -> int:
        return sum(item.cents for item in self.items)

    @property
    def lines_cents(self) -> int:
        return sum(row.open_cents for row in self.lines)


def book_balance(session: Session, through: date) -> int:
    """The bank account of the books after a day."""
    total = (
        select(func.coalesce(func.sum(Posting.amount_cents), 0))
        .join(Entry, Entry.id == Posting.entry_id)
        .where(Posting.account_id == BANK, Entry.business_date <= through)
    )
    return int(session.scalar(total) or 0)


def open_lines(session: Session, through: date) -> list[LineRow]:
    """Lines up to a day with what was in the books by then: a line whose entry is dated later was not."""
    matched = (
        select(BankMatch.line_id, func.sum(BankMatch.amount_cents).label("cents"))
        .join(Entry, Entry.id == BankMatch.entry_id)
        .where(BankMatch.undone_at.is_(None), Entry.business_date <= through)
        .group_by(BankMatch.line_id)
        .subquery()
    )
    seen = func.coalesce(matched.c.cents, 0)
    rows = (
        select(BankLine, seen)
        .outerjoin(matched, matched.c.line_id == BankLine.id)
        .where(BankLine.on <= through, BankLine.amount_cents != seen)
        .order_by(BankLine.on, BankLine.id)
    )
    return [LineRow(line, int(cents)) for line, cents in session.execute(rows)]


def month_sheet(session: Session, month: Month) -> MonthSheet:
    """How the bank account stands at a month's end, with every item that is open on either side."""
    last = month.last_day
    items = tuple(open_items(session, through=last))
    lines = tuple(open_lines(session, last))
    book = book_balance(session, last)
    outstanding = sum(item.cents for item in items) - sum(row.open_cents for row in lines)
    made = _newest(session, month)
    by_file = balance_at(session, last)
    bank = by_file if by_file is not None else made.bank_cents if made else None
    difference = None if bank is None else bank + outstanding - book
    figures = (book, outstanding, bank)
    as_made = made is not None and (made.book_cents, made.outstanding_cents, made.bank_cents) == figures
    said = made is not None and bool(made.explanation)
    clean = difference == 0 and not lines
    much = max(abs(difference or 0), sum(abs(row.open_cents) for row in lines)) > _limit(session, month)
    waits = as_made and said and not clean and much and not _seconded(session, month, figures)
    standing = BankStanding(
        book_cents=book,
        outstanding_cents=outstanding,
        bank_cents=bank,
        difference_cents=difference,
        explained=as_made and (clean or said) and not waits,
        unmatched_lines=len(lines),
        in_use=_in_use(session, last),
    )
    suggested = None if by_file is not None else balance_said_before(session, last)
    return MonthSheet(month, standing, items, lines, by_file, suggested, made, made is not None and not as_made, waits)


def month_state(session: Session, month: Month) -> str:
    """How a month's reconciliation stands (`MonthSheet.state`)."""
    return month_sheet(session, month).state if _newest(session, month) else "open"


def _newest(session: Session, month: Month) -> BankMonth | None:
    return session.scalar(select(BankMonth).where(BankMonth.first_day == month.first_day).order_by(BankMonth.id.desc()).limit(1))


def _limit(session: Session, month: Month) -> int:
    """Above it one person alone does not explain a difference, nor enter a journal."""
    return rules_on(session, month.last_day).journal_limit_cents


def _seconded(session: Session, month: Month, figures: tuple[int, int, int | None]) -> bool:
    """Whether two people reconciled a month with the same figures. Of what a program of the co-op made no person is known:
    it has no second."""
    made = select(BankMonth).where(BankMonth.first_day == month.first_day)
    who = {row.made_by for row in session.scalars(made) if (row.book_cents, row.outstanding_cents, row.bank_cents) == figures}
    return len(who) > 1 or None in who


def is_over(session: Session, now: datetime, month: Month) -> bool:
    """Whether a month is over wherever the co-op has a mall."""
    zones = session.scalars(select(Mall.timezone).distinct()).all()
    return all(local_date(now, zone) > month.last_day for zone in zones or ("UTC",))


def _in_use(session: Session, last: date) -> bool:
    line = select(BankLine.id).where(BankLine.on <= last).limit(1)
    posted = select(Posting.id).join(Entry, Entry.id == Posting.entry_id)
    posted = posted.where(Posting.account_id == BANK, Entry.business_date <= last).limit(1)
    return session.scalar(line) is not None or session.scalar(posted) is not None


def bank_standing(session: Session, month: Month) -> BankStanding:
    """How the bank account stands at a month's end."""
    return month_sheet(session, month).standing


def reconcile_month(
    session: Session,
    now: datetime,
    month: Month,
    *,
    bank_cents: int | None = None,
    explanation: str = "",
    user_id: int | None = None,
) -> BankMonth:
    """Write down how a month's bank account stands; again, and the newest counts.

    `bank_cents` is the statement's balance, asked where no file of the bank says it. Refuses a month that is not over; without a
    balance; where it is not what a file says; and without an explanation where there is a difference, a line of the bank is not
    in the books, or the balance written is not what the last file comes to. Much of either waits for a second person, who
    reconciles the month too (`MonthSheet.waits`).
    """
    take_turn(session)
    if not is_over(session, now, month):
        raise Refusal(f"{month.name} is not over: it is reconciled from {shown_day(month.next.first_day)} on.")
    sheet = month_sheet(session, month)
    standing, explanation = sheet.standing, explanation.strip()
    if not standing.in_use:
        raise Refusal(f"Nothing was posted to the bank and no line of it is here up to the end of {month.name}.")
    if sheet.file_cents is not None and bank_cents not in (None, sheet.file_cents):
        raise Refusal(
            f"The bank's balance is {format_dollars(sheet.file_cents)} by its file, not {format_dollars(bank_cents or 0)}: "
            "leave it, and say in words what is different."
        )
    bank = sheet.file_cents if sheet.file_cents is not None else bank_cents
    if bank is None:
        raise Refusal(f"No file says the bank's balance on {shown_day(month.last_day)}: write it from the bank's statement.")
    difference = bank + standing.outstanding_cents - standing.book_cents
    if len(explanation) > 400:
        raise Refusal("The explanation is too long: say it in 400 characters.")
    if difference and not explanation:
        raise Refusal(
            f"The bank and the books differ by {format_dollars(difference)}: bring the lines that are missing, or say in words "
            "where the difference comes from."
        )
    if sheet.lines and not explanation:
        raise Refusal(
            f"{_lines(len(sheet.lines))} not in the books, {format_dollars(sheet.lines_cents)} in all: match "
            "them, make entries of them, or say in words why they wait."
        )
    other_balance = sheet.suggested_cents not in (None, bank)
    if other_balance and not explanation:
        raise Refusal(
            f"By its last file the bank had {format_dollars(sheet.suggested_cents or 0)} on {shown_day(month.last_day)}, and you "
            f"wrote {format_dollars(bank)}: bring the lines that are missing, mend the balance, or say in words why they differ."
        )
    if (difference or sheet.lines or other_balance) and len(explanation) < LEAST_WORDS:
        raise Refusal(
            f"The explanation is too short: say in {LEAST_WORDS} characters or more where the difference comes from, or why the "
            "lines wait."
        )
    made = BankMonth(
        first_day=month.first_day,
        bank_cents=bank,
        outstanding_cents=standing.outstanding_cents,
        book_cents=standing.book_cents,
        difference_cents=difference,
        explanation=explanation,
        made_by=user_id,
        made_at=now,
    )
    session.add(made)
    session.flush()
    detail = f"difference {format_dollars(difference)}"
    audit.record(session, now, "bank reconciled", "bank month", str(month), user_id=user_id, detail=detail)
    return made


def _lines(count: int) -> str:
    return "1 line of the bank is" if count == 1 else f"{count} lines of the bank are"


def require_reconciled(session: Session, month: Month) -> str:
    """How a month's bank account stands, in a sentence. Refuses one that is not reconciled, or has changed since."""
    sheet = month_sheet(session, month)
    standing = sheet.standing
    if not standing.in_use:
        return "There is no bank account in the books yet."
    if sheet.made is None:
        raise Refusal(f"The bank account of {month.name} is not reconciled: do that on the page Bank.")
    if sheet.state == "changed":
        raise Refusal(
            f"The bank account of {month.name} was reconciled with a book balance of {format_dollars(sheet.made.book_cents)}, "
            f"{format_dollars(sheet.made.outstanding_cents)} outstanding and {format_dollars(sheet.made.bank_cents)} at the "
            "bank; that has changed since: reconcile it again."
        )
    if sheet.state == "waits":
        raise Refusal(
            f"The bank account of {month.name} is explained by one person, and what is explained is above the limit of journal "
            "entries: a second person has to reconcile it too, on the page Bank."
        )
    if sheet.state == "unexplained":
        raise Refusal(f"The bank account of {month.name} is not explained: say in words what is open, on the page Bank.")
    said = f"{format_dollars(standing.book_cents)} in the books, {format_dollars(sheet.made.bank_cents)} at the bank"
    if standing.outstanding_cents:
        said += f", {format_dollars(standing.outstanding_cents)} outstanding"
    if sheet.made.difference_cents:
        return f"{said}; a difference of {format_dollars(sheet.made.difference_cents)}: {sheet.made.explanation}"
    return f"{said}; no difference." if not sheet.made.explanation else f"{said}; no difference. {sheet.made.explanation}"


@dataclass(frozen=True)
class KnownBalance:
    """The bank's balance as it was last said, and the day it is of."""

    on: date
    cents: int


def last_known_balance(session: Session) -> KnownBalance | None:
    """By the bank's last file with a balance, or by a later month's reconciliation; None where neither says one."""
    file = session.scalar(
        select(BankFile)
        .where(BankFile.closing_cents.is_not(None))
        .order_by(BankFile.last_day.desc(), BankFile.read_at.desc(), BankFile.id.desc())
        .limit(1)
    )
    made = session.scalar(select(BankMonth).order_by(BankMonth.first_day.desc(), BankMonth.id.desc()).limit(1))
    said = [KnownBalance(file.last_day, file.closing_cents)] if file and file.closing_cents is not None else []
    if made is not None:
        said.append(KnownBalance(Month.of(made.first_day).last_day, made.bank_cents))
    return max(said, key=lambda one: one.on, default=None)


@dataclass(frozen=True)
class MonthRow:
    """A month of the bank, its newest reconciliation, and how it stands (`MonthSheet.state`)."""

    month: Month
    made: BankMonth | None
    state: str


def months_reconciled(session: Session, through: Month, *, most: int = 36) -> list[MonthRow]:
    """The months in which the bank is in use, up to one, the newest first."""
    posted = select(func.min(Entry.business_date)).join(Posting, Posting.entry_id == Entry.id).where(Posting.account_id == BANK)
    days = [day for day in (session.scalar(posted), session.scalar(select(func.min(BankLine.on)))) if day is not None]
    if not days:
        return []
    newest = select(func.max(BankMonth.id)).group_by(BankMonth.first_day)
    made = {row.first_day: row for row in session.scalars(select(BankMonth).where(BankMonth.id.in_(newest)))}
    rows: list[MonthRow] = []
    month = through
    while month >= Month.of(min(days)) and len(rows) < most:
        rows.append(MonthRow(month, made.get(month.first_day), month_state(session, month)))
        month = month.previous
    return rows


# --- checks, and the books' side for other programs ---------------------------------------------------------------------


def check_bank(session: Session) -> list[str]:
    """Hold matches against lines and entries, each file against its lines, and each settled month against how it stands."""
    found = check_matches(session)
    there = select(BankLine.file_id, func.count(BankLine.id).label("n")).group_by(BankLine.file_id).subquery()
    files = session.execute(
        select(BankFile.id, BankFile.lines, func.coalesce(there.c.n, 0))
        .outerjoin(there, there.c.file_id == BankFile.id)
        .where(BankFile.lines != func.coalesce(there.c.n, 0))
        .order_by(BankFile.id)
    )
    found += [f"The bank's file {file_id} brought {said} lines and has {n}." for file_id, said, n in files]
    for first_day in session.scalars(select(BankMonth.first_day).distinct().order_by(BankMonth.first_day)):
        month = Month.of(first_day)
        if not is_settled(session, month):
            continue
        try:
            require_reconciled(session, month)
        except Refusal as refusal:
            found.append(str(refusal))
    return found


def book_statement(session: Session, month: Month) -> BookStatement:
    """What the books posted to the bank in a month, between the balances before and after it."""
    rows = session.execute(
        select(Entry.id, Entry.business_date, func.sum(Posting.amount_cents), Entry.kind, Entry.source_id, Entry.memo)
        .join(Posting, Posting.entry_id == Entry.id)
        .where(Posting.account_id == BANK, Entry.business_date.between(month.first_day, month.last_day))
        .group_by(Entry.id, Entry.business_date, Entry.kind, Entry.source_id, Entry.memo)
        .having(func.sum(Posting.amount_cents) != 0)
        .order_by(Entry.business_date, Entry.id)
    )
    lines = tuple(
        BookLine(
            entry_id, on, int(cents), kind, check_in(memo) or (source if kind == "payout" and source.isdigit() else ""), memo
        )
        for entry_id, on, cents, kind, source, memo in rows
    )
    before = book_balance(session, month.previous.last_day)
    return BookStatement(month.first_day, month.last_day, before, lines)
