"""What the pages of letters read: mails by state, kind, month and dealer, and the statements that go by no mail."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, Row, Select, and_, func, or_, select
from sqlalchemy.orm import Session, aliased

from coop.core import mail
from coop.core.outbox import MailAttempt, Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.leases.models import Lease, Letter, Offer, Waiting
from coop.office.queries import PAGE
from coop.statements.book import NOT_SENT
from coop.statements.models import Statement, StatementBook

KINDS = {
    "statement": "Statements",
    "letter": "Letters of leases",
    "question": "Questions of dealers",
    "answer": "Answers to dealers",
    "claim": "Claims on sales",
    "payout details": "Changes of how one is paid",
    "mail address": "Changes of where one's mail goes",
    "payout came back": "Payments that came back",
    "tax due": "Tax returns due",
    "sign-in link": "Links to sign in",
    "turns": "Turns and the rota",
    "overflow": "Floor in the aisles",
}
"""Kinds of mail as people call them; one that is not here reads as it is stored."""


@dataclass(frozen=True)
class Sift:
    """Which letters are asked for; what is None or empty takes every one."""

    state: str | None = None
    kind: str = ""
    month: Month | None = None
    dealer: str = ""
    """A dealer's code."""


def _first() -> ColumnElement[int]:
    """The mail that a mail is a copy of, or itself."""
    return func.coalesce(Outbox.resend_of_id, Outbox.id)


def _which(sift: Sift, timezone: str) -> list[ColumnElement[bool]]:
    """The conditions of a sift but for its state."""
    found: list[ColumnElement[bool]] = []
    if sift.kind:
        found.append(Outbox.kind == sift.kind)
    if sift.month is not None:
        found.append(of_month(sift.month, timezone))
    if sift.dealer:
        found.append(of_dealer(sift.dealer))
    return found


def of_month(month: Month, timezone: str) -> ColumnElement[bool]:
    """Statements of a month, and other mails written in it where the office is."""
    stated = select(Statement.outbox_id).where(Statement.first_day == month.first_day, Statement.outbox_id.is_not(None))
    begin, end = _moments(month, timezone)
    written = and_(Outbox.kind != "statement", Outbox.created_at >= begin, Outbox.created_at < end)
    return or_(_first().in_(stated), written)


def _moments(month: Month, timezone: str) -> tuple[datetime, datetime]:
    """When a month begins and ends where the office is."""

    def at(day: date) -> datetime:
        return datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(timezone)).astimezone(UTC)

    return at(month.first_day), at(month.next.first_day)


def of_dealer(code: str) -> ColumnElement[bool]:
    """Mails about a dealer's statements, leases and offers, and those to her address."""
    dealers = select(Dealer.id).where(func.upper(Dealer.code) == code.upper())
    members = select(Dealer.member_id).where(func.upper(Dealer.code) == code.upper())
    statements = select(Statement.outbox_id).where(Statement.dealer_id.in_(dealers), Statement.outbox_id.is_not(None))
    letters = (
        select(Letter.outbox_id)
        .outerjoin(Lease, Lease.id == Letter.lease_id)
        .outerjoin(Offer, Offer.id == Letter.offer_id)
        .outerjoin(Waiting, Waiting.id == Offer.waiting_id)
        .where(Letter.outbox_id.is_not(None), or_(Lease.dealer_id.in_(dealers), Waiting.member_id.in_(members)))
    )
    addresses = select(Member.email).where(Member.id.in_(members), Member.email != "")
    return or_(_first().in_(statements), _first().in_(letters), Outbox.recipient.in_(addresses))


def addressees(session: Session, mail_ids: Sequence[int]) -> dict[int, str]:
    """Whom letters of leases and offers are to, by mail id: a dealer by code and name, who waits by name while it is kept."""
    holder, asking = aliased(Member), aliased(Member)
    rows = session.execute(
        select(Outbox.id, Dealer.code, Dealer.trade_name, holder.name, func.coalesce(asking.name, Waiting.name))
        .join(Letter, Letter.outbox_id == _first())
        .outerjoin(Lease, Lease.id == Letter.lease_id)
        .outerjoin(Dealer, Dealer.id == Lease.dealer_id)
        .outerjoin(holder, holder.id == Dealer.member_id)
        .outerjoin(Offer, Offer.id == Letter.offer_id)
        .outerjoin(Waiting, Waiting.id == Offer.waiting_id)
        .outerjoin(asking, asking.id == Waiting.member_id)
        .where(Outbox.id.in_(mail_ids))
    )
    named = {mail_id: f"{code} {trade_name or name}" if code else asked for mail_id, code, trade_name, name, asked in rows}
    return {mail_id: name for mail_id, name in named.items() if name}


def counts(session: Session, sift: Sift, *, timezone: str) -> dict[str, int]:
    """How many letters are in each state, of those that are asked for."""
    return mail.count_mail(session, which=_which(sift, timezone))


def kinds(session: Session, asked: str = "") -> dict[str, str]:
    """The kinds there are mails of, in words, by their order here; with one that is asked for, though there is none of it."""
    there = set(session.scalars(select(Outbox.kind).distinct())) | ({asked} & KINDS.keys())
    return {kind: words for kind, words in KINDS.items() if kind in there} | {kind: kind for kind in sorted(there - KINDS.keys())}


def to_resend(session: Session, mail_ids: Sequence[int]) -> set[int]:
    """Which of these mails did not arrive and have no newer copy: those that a person may send again."""
    newer = aliased(Outbox)
    rows = session.scalars(
        select(Outbox.id).where(
            Outbox.id.in_(mail_ids),
            Outbox.state.in_(NOT_SENT),
            ~select(newer.id).where(newer.resend_of_id == _first(), newer.id > Outbox.id).exists(),
        )
    )
    return set(rows)


def copies(session: Session, letter: Outbox) -> Sequence[Outbox]:
    """The first mail and every copy a person sent, in their order."""
    first = letter.resend_of_id or letter.id
    return session.scalars(select(Outbox).where(or_(Outbox.id == first, Outbox.resend_of_id == first)).order_by(Outbox.id)).all()


def attempts(session: Session, mail_ids: Sequence[int]) -> Sequence[MailAttempt]:
    """Every attempt to send these mails, the oldest first."""
    return session.scalars(select(MailAttempt).where(MailAttempt.outbox_id.in_(mail_ids)).order_by(MailAttempt.id)).all()


# --- on paper -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class OnPaper:
    """A statement that goes by no mail, and why."""

    number: str
    dealer: str
    why: str
    mail_id: int | None


@dataclass(frozen=True)
class PaperMonth:
    """The statements of a mall's month that are to be printed."""

    mall: Mall
    month: Month
    statements: tuple[OnPaper, ...]
    """A page of them."""
    count: int
    of: int
    """How many statements the month has."""
    has_book: bool
    """Whether their file for printing has been made."""


_WHY = {"failed": "its mail was refused", "given_up": "its mail was given up"}


def on_paper(session: Session, month: Month | None, dealer: str = "") -> list[PaperMonth]:
    """By mall, what of a month goes by no mail; of the newest month that has statements there, where none is asked for."""
    newest = select(Statement.mall_id, func.max(Statement.first_day)).group_by(Statement.mall_id)
    days: dict[int, date] = {mall_id: day for mall_id, day in session.execute(newest)}  # noqa: C416  a result has keys()
    malls = session.scalars(select(Mall).where(Mall.id.in_(days)).order_by(Mall.code)).all()
    if month is not None:
        days = dict.fromkeys(days, month.first_day)
    rows = session.execute(_statements(days)).all() if days else []
    made = select(StatementBook.mall_id, StatementBook.first_day).where(StatementBook.without_mail.is_(True)).distinct()
    books = {(mall_id, day) for mall_id, day in session.execute(made)}
    found = []
    for mall in malls:
        mine = [row for row in rows if row.mall_id == mall.id]
        # Before the first mail is queued, no mail says nothing of a dealer who has an address.
        mailed = any(row.mail_id is not None for row in mine)
        printed = [one for row in mine if (one := _on_paper(row, mailed)) and dealer.upper() in ("", one.dealer.upper())]
        if mine:
            here, has_book = Month.of(days[mall.id]), (mall.id, days[mall.id]) in books
            found.append(PaperMonth(mall, here, tuple(printed[:PAGE]), len(printed), len(mine), has_book))
    return found


def _on_paper(row: Row[int, str, str, int, str, str], mailed: bool) -> OnPaper | None:
    number, dealer, mail_id, state, email = row.number, row.code, row.mail_id, row.state, row.email
    if state in _WHY:
        return OnPaper(number, dealer, _WHY[state], mail_id)
    if not email and state != "sent":
        return OnPaper(number, dealer, "no mail address", None)
    return OnPaper(number, dealer, "no mail was written", None) if mailed and mail_id is None else None


def _statements(days: dict[int, date]) -> Select[int, str, str, int, str, str]:
    """Each statement of these malls' months with the newest of its mails."""
    latest = (
        select(func.max(Outbox.id))
        .where(or_(Outbox.id == Statement.outbox_id, Outbox.resend_of_id == Statement.outbox_id))
        .correlate(Statement)
        .scalar_subquery()
    )
    return (
        select(Statement.mall_id, Statement.number, Dealer.code, Outbox.id.label("mail_id"), Outbox.state, Member.email)
        .join(Dealer, Dealer.id == Statement.dealer_id)
        .join(Member, Member.id == Dealer.member_id)
        .outerjoin(Outbox, Outbox.id == latest)
        .where(or_(*(and_(Statement.mall_id == mall_id, Statement.first_day == day) for mall_id, day in days.items())))
        .order_by(Dealer.code)
    )
