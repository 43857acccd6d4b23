"""Files of the bank brought in: each once, everything or nothing, lines that are here already counted and passed over."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account
from coop.books.domain.bank_csv import read_csv
from coop.books.domain.bank_file import MOST_BYTES, FileRefusedError, StatementFile, StatementLine
from coop.books.domain.ofx import is_ofx, read_ofx
from coop.books.models import Account, BankFile, BankLine, BankMatch
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month, shown_day

BANK = select(Account.id).where(Account.path == "Assets:Bank").scalar_subquery()
"""The bank account's id in a reading: it need not be there yet."""
MOST_DAYS_AHEAD = 7
"""A bank dates what waits on its next working day; a line beyond that is of a wrong year, and could never be taken out again."""


@dataclass(frozen=True)
class LineRow:
    """A line with what of it is matched, in cents."""

    line: BankLine
    matched_cents: int

    @property
    def open_cents(self) -> int:
        return self.line.amount_cents - self.matched_cents

    @property
    def state(self) -> str:
        """matched, partly or open."""
        return "matched" if not self.open_cents else "partly" if self.matched_cents else "open"


def take_turn(session: Session) -> None:
    """Of two who bring files or match at once, the second waits. Posting to the bank does not."""
    session.execute(select(Account.id).where(Account.id == bank_account(session)).with_for_update(key_share=True))


def bring_file(session: Session, now: datetime, file_name: str, content: bytes, *, user_id: int | None = None) -> BankFile:
    """Take the lines of a bank's file, CSV or OFX; lines an earlier file brought are counted and not taken again.

    Refuses a file that was brought before, one too large, and one with anything in it that cannot be read: each bad row is named.
    """
    if len(content) > MOST_BYTES:
        raise Refusal(f"The file is larger than {MOST_BYTES // 2**20} MB: download fewer months at a time.")
    digest = hashlib.sha256(content).hexdigest()
    take_turn(session)
    before = session.scalar(select(BankFile).where(BankFile.file_sha256 == digest))
    if before is not None:
        raise Refusal(
            f"This very file was brought in on {shown_day(before.read_at.date())} as {before.file_name}: "
            "its lines are here. Download the days that came after it."
        )
    try:
        read = read_ofx(content) if is_ofx(content) else read_csv(content)
    except FileRefusedError as refused:
        raise Refusal(f"Nothing was taken of the file. {refused}") from refused
    if read.last_day > now.date() + timedelta(days=MOST_DAYS_AHEAD):
        raise Refusal(
            f"Nothing was taken of the file. It has a line of {shown_day(read.last_day)}, a day to come: mend its date."
        )
    new = _new_lines(session, read)
    brought = BankFile(
        kind=read.kind,
        file_name=file_name.strip()[-200:] or "file",
        file_sha256=digest,
        first_day=read.first_day,
        last_day=read.last_day,
        lines=len(new),
        lines_here=len(read.lines) - len(new),
        closing_cents=read.closing_cents,
        read_by=user_id,
        read_at=now,
    )
    session.add(brought)
    session.flush()
    session.add_all(
        BankLine(
            file_id=brought.id,
            key=line.key,
            on=line.on,
            amount_cents=line.amount_cents,
            reference=line.reference,
            words=line.words,
        )
        for line in new
    )
    session.flush()
    detail = f"{len(new)} new, {brought.lines_here} here already"
    audit.record(session, now, "bank file brought in", "bank file", brought.id, user_id=user_id, detail=detail)
    return brought


def _new_lines(session: Session, read: StatementFile) -> list[StatementLine]:
    """The lines that are not here. Refuses a number of the bank's that is here with another amount or day.

    Within its own kind a line is known by its key; to a file of the other kind, over the days both tell of, by its day and
    amount: as many of them as are here.
    """
    here = {
        row.key: row
        for row in session.scalars(
            select(BankLine).join(BankFile).where(BankLine.on.between(read.first_day, read.last_day), BankFile.kind == read.kind)
        )
    }
    keys = {line.key for line in read.lines} - here.keys()
    # A line moved to another day keeps its number.
    moved = {row.key: row for row in session.scalars(select(BankLine).where(BankLine.key.in_(keys)))} if keys else {}
    of_other_kind = session.execute(
        select(BankLine.on, BankLine.amount_cents)
        .join(BankFile)
        .where(BankLine.on.between(read.first_day, read.last_day), BankFile.kind != read.kind)
    )
    elsewhere = Counter((on, cents) for on, cents in of_other_kind)
    new = []
    for line in read.lines:
        known = here.get(line.key) or moved.get(line.key)
        if known is None and not elsewhere[(line.on, line.amount_cents)]:
            new.append(line)
        elif known is None:
            elsewhere[(line.on, line.amount_cents)] -= 1
        elif (known.on, known.amount_cents) != (line.on, line.amount_cents):
            raise Refusal(
                f"Nothing was taken of the file. The bank's line {line.key.removeprefix('ofx/')} is here as "
                f"{format_dollars(known.amount_cents)} of {shown_day(known.on)}, and in this file it is "
                f"{format_dollars(line.amount_cents)} of {shown_day(line.on)}: ask the bank which is right."
            )
    return new


# --- reads --------------------------------------------------------------------------------------------------------------

MATCHED = (
    select(BankMatch.line_id, func.sum(BankMatch.amount_cents).label("cents"))
    .where(BankMatch.undone_at.is_(None))
    .group_by(BankMatch.line_id)
    .subquery()
)
MATCHED_CENTS: ColumnElement[int] = func.coalesce(MATCHED.c.cents, 0)


def lines_query() -> Select[BankLine, int]:
    """Every line with what of it is matched."""
    return select(BankLine, MATCHED_CENTS).outerjoin(MATCHED, MATCHED.c.line_id == BankLine.id)


def lines_of(
    session: Session, *, month: Month | None = None, unmatched: bool = False, through: date | None = None
) -> list[LineRow]:
    """Lines with what is matched of them, by day: of a month, of all up to a day, or only what is not wholly matched."""
    rows = lines_query().order_by(BankLine.on, BankLine.id)
    if month is not None:
        rows = rows.where(BankLine.on.between(month.first_day, month.last_day))
    if through is not None:
        rows = rows.where(BankLine.on <= through)
    if unmatched:
        rows = rows.where(BankLine.amount_cents != MATCHED_CENTS)
    return [LineRow(line, int(cents)) for line, cents in session.execute(rows)]


def line_row(session: Session, line_id: int) -> LineRow | None:
    found = session.execute(lines_query().where(BankLine.id == line_id)).one_or_none()
    return None if found is None else LineRow(found[0], int(found[1]))


def ids_of(session: Session, month: Month | None) -> set[int]:
    """The lines of a month, or all."""
    rows = select(BankLine.id)
    return set(session.scalars(rows if month is None else rows.where(BankLine.on.between(month.first_day, month.last_day))))


def files_of(session: Session) -> Sequence[BankFile]:
    """The newest first."""
    return session.scalars(select(BankFile).order_by(BankFile.read_at.desc(), BankFile.id.desc())).all()


def months_with_lines(session: Session) -> list[Month]:
    """Every month from the first line's to the last one's, the newest first."""
    first, last = session.execute(select(func.min(BankLine.on), func.max(BankLine.on))).one()
    if first is None:
        return []
    months = [Month.of(last)]
    while months[-1] > Month.of(first):
        months.append(months[-1].previous)
    return months


def balance_at(session: Session, day: date) -> int | None:
    """The bank's balance after a day as its files say it; None where none does.

    By the file that ends soonest on the day or after it, of several the one read last, less the lines after the day. One that
    begins later says it only where the file before it ends with the balance this one begins with: then nothing lies between.
    """
    files = select(BankFile).where(BankFile.closing_cents.is_not(None))
    after = session.scalar(
        files.where(BankFile.last_day >= day).order_by(BankFile.last_day, BankFile.read_at.desc(), BankFile.id.desc()).limit(1)
    )
    if after is None:
        return None
    there = (after.closing_cents or 0) - _moved(session, day, after.last_day)
    if after.first_day <= day + timedelta(days=1):
        return there
    return there if balance_said_before(session, day) == there else None


def balance_said_before(session: Session, day: date) -> int | None:
    """What the last file that ends by a day comes to, with the lines here since: the balance, if no line is missing."""
    before = session.scalar(
        select(BankFile)
        .where(BankFile.closing_cents.is_not(None), BankFile.last_day <= day)
        .order_by(BankFile.last_day.desc(), BankFile.read_at.desc(), BankFile.id.desc())
        .limit(1)
    )
    if before is None or before.closing_cents is None:
        return None
    return before.closing_cents + _moved(session, before.last_day, day)


def _moved(session: Session, after: date, through: date) -> int:
    """The sum of the lines of the days after one and up to another."""
    moved = select(func.coalesce(func.sum(BankLine.amount_cents), 0)).where(BankLine.on > after, BankLine.on <= through)
    return int(session.scalar(moved) or 0)
