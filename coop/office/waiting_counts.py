"""The counting behind what waits in the office: one query for everything that is a row in some state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import (
    ColumnElement,
    CompoundSelect,
    Date,
    Integer,
    Select,
    and_,
    cast,
    false,
    func,
    literal,
    null,
    or_,
    select,
    union_all,
)
from sqlalchemy.orm import Session, aliased

from coop.books.models import BankLine, BankMatch, Journal, Opening, Period
from coop.books.rules import rules_on
from coop.core.jobs import Job
from coop.core.outbox import Outbox
from coop.core.periods import Month
from coop.floor.models import Mall, Space
from coop.leases.models import Charge, Dispute, Lease, LeaseRule, Offer
from coop.leases.rules import HouseRules
from coop.overflow.models import OverflowDraft, OverflowRequest
from coop.overflow.queries import WAITING
from coop.payouts.models import Patronage, PayoutRun, Release
from coop.sales.claims import UNCLAIMED
from coop.sales.models import Claim, LayawayAgreement, Ticket, TicketLine
from coop.shifts.models import Post, PostNeed, Rota, Turn
from coop.shifts.turn_models import Attendance
from coop.statements.models import StatementQuestion
from coop.tax.models import TaxPlace

Days = Mapping[int, date]
"""The day it is at each mall, by the mall's id."""
OFFER_AHEAD = timedelta(days=3)
"""An offer is told of so many days before it runs out."""
LEAVING_AHEAD = timedelta(days=7)
"""A lease that ends is told of so many days before, until its dealer has moved out."""
OPEN_TURNS_AHEAD = timedelta(days=14)
"""Turns that nobody has are told of so many days before."""
ROTA_AHEAD = timedelta(days=7)
"""A month's rota is to be published so many days before it begins."""
MAIL_KEPT = timedelta(days=30)
"""Letters that did not go are told of for so long; the older ones stand in Letters."""
SHOWN_ELSEWHERE = ("mail.send", "closing.step", "closing.watch", "statements.make", "statements.mail", "shifts.draft")
"""Work whose failing is told of by the letter, the month-end or the rota that it was for."""


@dataclass(frozen=True)
class Found:
    """So many things of a kind, of one mall or of the co-op."""

    kind: str
    mall_id: int | None
    count: int
    day: date | None = None
    """The first day by which one has to be done; of lines of the bank, the first day of their month."""


def count_all(session: Session, now: datetime, days: Days, today: date) -> list[Found]:
    """Everything that waits and is a row in some state; nothing for what does not wait. Two queries."""
    old_after = timedelta(days=rules_on(session, today).unclaimed_days)
    asked: CompoundSelect[Any, Any, Any, Any, Any] = union_all(
        _all("journals", Journal, Journal.state == "entered"),
        _all("openings", Opening, Opening.state == "read"),
        _all("releases", Release, Release.state == "asked"),
        _all("patronage", Patronage, Patronage.state == "proposed"),
        _all("runs", PayoutRun, PayoutRun.state == "prepared", day=func.min(PayoutRun.pay_on)),
        _all("runs to pay", PayoutRun, PayoutRun.state == "approved", day=func.min(PayoutRun.pay_on)),
        _all("questions", StatementQuestion, StatementQuestion.answered_at.is_(None)),
        _all("failed", Outbox, *_not_sent("failed", now)),
        _all("given_up", Outbox, *_not_sent("given_up", now)),
        _all("jobs", Job, *has_failed()),
        _by_mall("claims", TicketLine.mall_id)
        .select_from(Claim)
        .join(TicketLine, TicketLine.id == Claim.line_id)
        .where(Claim.state == "asked"),
        _by_mall("unclaimed", TicketLine.mall_id)
        .select_from(TicketLine)
        .join(Ticket, Ticket.id == TicketLine.ticket_id)
        .where(*UNCLAIMED, _there(days, TicketLine.mall_id, lambda day: Ticket.sold_on < day - old_after)),
        _by_mall("disputes", Charge.mall_id)
        .select_from(Dispute)
        .join(Charge, Charge.id == Dispute.charge_id)
        .where(Dispute.closed_on.is_(None)),
        _by_mall("offers", Space.mall_id, day=func.min(Offer.answer_by))
        .select_from(Offer)
        .join(Space, Space.id == Offer.space_id)
        .where(Offer.state == "open", _there(days, Space.mall_id, lambda day: Offer.answer_by <= day + OFFER_AHEAD)),
        _by_mall("layaways", LayawayAgreement.mall_id, day=func.min(LayawayAgreement.due_on))
        .select_from(LayawayAgreement)
        .where(
            LayawayAgreement.state == "open",
            _there(days, LayawayAgreement.mall_id, lambda day: LayawayAgreement.due_on < day),
        ),
        _by_mall("leaving", Lease.mall_id, day=func.min(Lease.ends_on))
        .select_from(Lease)
        .where(
            Lease.settled_on.is_(None),
            Lease.moved_out_on.is_(None),
            _there(days, Lease.mall_id, lambda day: Lease.ends_on <= day + LEAVING_AHEAD),
        ),
        _without_place(days),
        _by_mall("open turns", Turn.mall_id, day=func.min(Turn.on_date))
        .select_from(Turn)
        .join(Rota, Rota.id == Turn.rota_id)
        .where(
            Rota.state == "published",
            Turn.state == "standing",
            Turn.member_id.is_(None),
            _there(days, Turn.mall_id, lambda day: Turn.on_date.between(day, day + OPEN_TURNS_AHEAD)),
        ),
        _by_mall("no-shows", Turn.mall_id, day=func.min(Turn.on_date))
        .select_from(Turn)
        .join(Attendance, Attendance.turn_id == Turn.id)
        .where(
            Turn.state == "standing",
            Attendance.missed_at.is_not(None),
            Attendance.decision == "",
            # Of a month that is closed the rules have decided.
            _there(days, Turn.mall_id, lambda day: Turn.on_date >= Month.of(day).previous.first_day),
        ),
        _by_mall("floor drafts", OverflowDraft.mall_id)
        .select_from(OverflowDraft)
        .where(OverflowDraft.state == "draft", OverflowDraft.made_of != ""),
        _by_mall("floor requests", OverflowRequest.mall_id)
        .select_from(OverflowRequest)
        .where(
            OverflowRequest.state.in_(WAITING),
            OverflowRequest.mall_id.not_in(select(OverflowDraft.mall_id).where(OverflowDraft.state == "draft")),
        ),
        *_rotas(days),
        _terms(days),
        _bank_lines(),
    )
    found = [(kind, mall_id, int(count), day, ahead) for kind, mall_id, count, day, ahead in session.execute(asked) if count]
    others = [Found(kind, mall_id, count, day) for kind, mall_id, count, day, _ahead in found if kind != _TERMS]
    return others + _renewals(
        [(mall_id, count, day, ahead) for kind, mall_id, count, day, ahead in found if kind == _TERMS], days
    )


# --- work that failed -----------------------------------------------------------------------------------------------------


def has_failed() -> tuple[ColumnElement[bool], ...]:
    """Work that failed and that nothing else tells of."""
    return Job.state == "failed", Job.kind.not_in(SHOWN_ELSEWHERE)


# --- the parts of the query -----------------------------------------------------------------------------------------------


_TERMS = "terms"
"""Fixed terms by their last day: which of them have come so near that they are to be renewed is each mall's own rule."""
_Part = Select[Any]


def _part(kind: str, mall_id: Any, day: Any, ahead: Any = None) -> _Part:
    """What each part of the union says: kind, mall, how many, the first day, days ahead."""
    return select(
        literal(kind),
        cast(null(), Integer) if mall_id is None else mall_id,
        func.count(),
        cast(null(), Date) if day is None else day,
        cast(null(), Integer) if ahead is None else ahead,
    )


def _all(kind: str, of: Any, *which: ColumnElement[bool], day: Any = None) -> _Part:
    """Of the whole co-op."""
    return _part(kind, None, day).select_from(of).where(*which)


def _by_mall(kind: str, mall_id: Any, *, day: Any = None) -> _Part:
    return _part(kind, mall_id, day).group_by(mall_id)


def _there(days: Days, mall_id: Any, when: Callable[[date], ColumnElement[bool]]) -> ColumnElement[bool]:
    """What is so on the day it is at the row's own mall."""
    at: dict[date, list[int]] = {}
    for one, day in days.items():
        at.setdefault(day, []).append(one)
    return or_(false(), *(and_(mall_id.in_(ids), when(day)) for day, ids in sorted(at.items())))


def _not_sent(state: str, now: datetime) -> tuple[ColumnElement[bool], ...]:
    """Mails of the last days in a state, of which no newer copy was sent."""
    newer, first = aliased(Outbox), func.coalesce(Outbox.resend_of_id, Outbox.id)
    again = select(newer.id).where(newer.resend_of_id == first, newer.id > Outbox.id).exists()
    return Outbox.state == state, Outbox.created_at >= now - MAIL_KEPT, ~again


def _bank_lines() -> _Part:
    """Lines of months that the co-op has closed, which are not in the books with all of their amount."""
    matched = (
        select(func.coalesce(func.sum(BankMatch.amount_cents), 0))
        .where(BankMatch.line_id == BankLine.id, BankMatch.undone_at.is_(None))
        .correlate(BankLine)
        .scalar_subquery()
    )
    return (
        _part("bank lines", None, Period.first_day)
        .select_from(BankLine)
        .join(Period, and_(Period.mall_id.is_(None), BankLine.on.between(Period.first_day, Period.last_day)))
        .where(Period.state == "closed", BankLine.amount_cents != matched)
        .group_by(Period.first_day)
    )


def _without_place(days: Days) -> _Part:
    """Malls that have sold and have no place for sales tax today."""
    placed = select(TaxPlace.mall_id).where(_there(days, TaxPlace.mall_id, lambda day: TaxPlace.starts_on <= day))
    sold = select(Ticket.id).where(Ticket.mall_id == Mall.id).exists()
    return _by_mall("places", Mall.id).select_from(Mall).where(Mall.id.not_in(placed), sold)


def _rotas(days: Days) -> list[_Part]:
    """Malls whose posts need people in a month that runs, or begins within the week, and whose rota is not published."""
    parts = []
    for today in sorted(set(days.values())):
        here = Mall.id.in_([mall_id for mall_id, day in days.items() if day == today])
        for month in (Month.of(today), Month.of(today).next):
            if today < month.first_day - ROTA_AHEAD:
                continue
            needed = (
                select(PostNeed.id)
                .join(Post, Post.id == PostNeed.post_id)
                .where(
                    Post.mall_id == Mall.id,
                    PostNeed.starts_on <= month.last_day,
                    or_(PostNeed.ends_on.is_(None), PostNeed.ends_on >= month.first_day),
                )
            )
            published = select(Rota.id).where(
                Rota.mall_id == Mall.id, Rota.first_day == month.first_day, Rota.state == "published"
            )
            first_day = literal(month.first_day, Date)
            parts.append(
                _by_mall("rotas", Mall.id, day=first_day).select_from(Mall).where(here, needed.exists(), ~published.exists())
            )
    return parts


def _terms(days: Days) -> _Part:
    ahead = (
        select(LeaseRule.renewal_days)
        .where(LeaseRule.mall_id == Lease.mall_id, _there(days, LeaseRule.mall_id, lambda day: LeaseRule.starts_on <= day))
        .order_by(LeaseRule.starts_on.desc())
        .limit(1)
        .correlate(Lease)
        .scalar_subquery()
    )
    return (
        _part(_TERMS, Lease.mall_id, Lease.term_ends_on, ahead)
        .select_from(Lease)
        .where(
            Lease.settled_on.is_(None),
            Lease.moved_out_on.is_(None),
            Lease.ends_on.is_(None),
            _there(days, Lease.mall_id, lambda day: Lease.term_ends_on >= day),
        )
        .group_by(Lease.mall_id, Lease.term_ends_on)
    )


def _renewals(terms: Iterable[tuple[int, int, date, int | None]], days: Days) -> list[Found]:
    """Of these fixed terms, those whose renewal is to be asked for by now."""
    counts: dict[int, list[tuple[date, int]]] = {}
    for mall_id, count, ends_on, ahead in terms:
        if days[mall_id] >= ends_on - timedelta(days=HouseRules().renewal_days if ahead is None else ahead):
            counts.setdefault(mall_id, []).append((ends_on, count))
    return [
        Found("renewals", mall_id, sum(count for _, count in ends), min(day for day, _ in ends))
        for mall_id, ends in counts.items()
    ]
