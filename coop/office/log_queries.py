"""The log as a list: narrowed by who, kind, words and days, sorted by time, taken away as CSV."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.listing import Column, FromDay, Listed, Listing, OneOf, Words
from coop.dealers.models import UserAccount
from coop.office.log_words import DEED, KINDS, About, abouts, deed, of_kind

NOBODY = "none"
"""Who, of what no person did."""
_NEWEST_FIRST = "-when"
NO_PERSON = "command line or schedule"
PersonPage = Callable[[int], str]
_AT_ONCE = 10_000
"""Lines whose things one query looks up: a page is one, a long CSV a few."""


@dataclass(frozen=True)
class LogRow:
    """A line of the log, who did it, and what it is about."""

    line: AuditLog
    when: datetime
    """Where the office is."""
    who: str
    """Mail address; empty for the command line and for scheduled work."""
    about: About

    @property
    def deed(self) -> str:
        return deed(self.line.action)


@dataclass(frozen=True)
class _OnDays(FromDay):
    """A day at a place, of moments that are kept in UTC."""

    timezone: str = "UTC"

    def where(self, asked: str) -> ColumnElement[bool]:
        on = date.fromisoformat(asked) + timedelta(days=1 if self.to_day else 0)
        begins = datetime(on.year, on.month, on.day, tzinfo=ZoneInfo(self.timezone)).astimezone(UTC)
        return AuditLog.at < begins if self.to_day else AuditLog.at >= begins


def _by(asked: str) -> ColumnElement[bool]:
    return AuditLog.user_id.is_(None) if asked == NOBODY else AuditLog.user_id == int(asked)


def log_listing(people: Sequence[tuple[str, str]], timezone: str, *, newest_first: bool) -> Listing[LogRow]:
    """The list, with whom it may be narrowed to and where its days are. What was done at one moment stands as it was written."""
    return Listing(
        columns=(
            Column("when", "When", lambda row: f"{row.when:%Y-%m-%d %H:%M:%S}", order=AuditLog.at),
            Column("who", "Who", lambda row: row.who or NO_PERSON),
            Column("what", "What", lambda row: row.deed),
            Column("about", "About", lambda row: row.about.words),
            Column("more", "More", lambda row: row.line.detail),
        ),
        usual=_NEWEST_FIRST,
        tie=AuditLog.id.desc() if newest_first else AuditLog.id,
        filters=(
            OneOf("who", "Who", ((NOBODY, NO_PERSON), *people), narrow=_by, every="anybody"),
            OneOf("kind", "What", tuple((key, words) for key, (words, _) in KINDS.items()), narrow=of_kind, every="anything"),
            Words("find", "Words", (DEED, AuditLog.subject_id, AuditLog.detail)),
            _OnDays("from", "From", timezone=timezone),
            _OnDays("to", "To", to_day=True, timezone=timezone),
        ),
    )


def read_log(session: Session, asked: Mapping[str, str], timezone: str, *, person_page: PersonPage) -> Listed[LogRow]:
    """A page of the log, or all that is asked for as CSV. Four queries for a page.

    `person_page` gives the address of a user's page, empty for who may not see it.
    """
    users = session.execute(select(UserAccount.id, UserAccount.email).order_by(UserAccount.email)).all()
    emails = {user_id: email for user_id, email in users}  # noqa: C416  rows, which dict() would take for a mapping
    people = [(str(user_id), email) for user_id, email in users]
    listing = log_listing(people, timezone, newest_first=asked.get("sort") != "when")
    zone = ZoneInfo(timezone)

    def row(found: tuple[AuditLog]) -> LogRow:
        line = found[0]
        return LogRow(line, line.at.astimezone(zone), emails.get(line.user_id or 0, ""), About(""))

    listed = listing.read(session, select(AuditLog), asked, row)
    there: dict[int, About] = {}
    for start in range(0, len(listed.rows), _AT_ONCE):
        there |= abouts(session, [one.line for one in listed.rows[start : start + _AT_ONCE]])
    rows = [replace(one, about=_person(one, emails, person_page) or there[one.line.id]) for one in listed.rows]
    return replace(listed, rows=rows)


def _person(row: LogRow, emails: Mapping[int, str], person_page: PersonPage) -> About | None:
    """A user it was done to; nothing where that is who did it."""
    line = row.line
    if line.subject_kind != "user" or not line.subject_id.isdecimal():
        return None
    subject = int(line.subject_id)
    if subject == line.user_id:
        return About("")
    return About(emails[subject], person_page(subject)) if subject in emails else About(f"user {subject}")
