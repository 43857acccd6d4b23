"""One lease with all that happened to it, as its page shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import Select, and_, func, or_, select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.outbox import Outbox
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.leases.agreements import state_of
from coop.leases.deposits import deposit_held
from coop.leases.domain.settlement import Arrears
from coop.leases.holding import today_at
from coop.leases.leaving import BY, list_of
from coop.leases.models import (
    Charge,
    DepositLine,
    Dispute,
    Lease,
    LeaseShare,
    LeaseSpace,
    LeaseTerm,
    Letter,
    MoveOutItem,
    Offer,
    Waiting,
)
from coop.leases.pricing import Rates, known_rates, named, rate_of
from coop.leases.settling import arrears_of_dealer
from coop.leases.wording import STATES, term_sentence
from coop.office.lease_queries import dealer_names
from coop.office.queries import PAGE

CHARGES = 60
"""Shown on a lease's page; a statement has each month's."""


@dataclass(frozen=True)
class Mark:
    """A day in a lease's life; `when` is past or to come."""

    on: date
    words: str
    when: str


@dataclass(frozen=True)
class SpanRow:
    """A space held over dates, at what price; `when` is over, now or to come."""

    span: LeaseSpace
    name: str
    price: Decimal | None
    """None while no rate holds."""
    per: str
    agreed: bool
    shares: Sequence[tuple[str, str]]
    """Dealer's code and percent of each who shares it."""
    when: str


@dataclass(frozen=True)
class TermRow:
    term: LeaseTerm
    sentence: str
    when: str


@dataclass(frozen=True)
class ChargeRow:
    charge: Charge
    dispute: Dispute | None
    """Its last."""


@dataclass(frozen=True)
class LetterRow:
    """A letter, whose it is, and how its mail stands (empty: on paper only)."""

    letter: Letter
    dealer_code: str
    mail_state: str
    envelope: Sequence[str] = ()
    """Name and address of one who is no member: her paper, which is kept for good, does not bear them. Empty once removed."""


@dataclass(frozen=True)
class Life:
    """A lease, complete."""

    lease: Lease
    dealer: Dealer
    state: str
    marks: Sequence[Mark]
    spans: Sequence[SpanRow]
    paid_elsewhere: Sequence[SpanRow]
    """Another lease's spaces, of whose rent this one pays a share."""
    terms: Sequence[TermRow]
    charges: Sequence[ChargeRow]
    more_charges: bool
    deposit: Sequence[DepositLine]
    held_cents: int
    letters: Sequence[LetterRow]
    items: Sequence[MoveOutItem]
    arrears: Arrears
    can: frozenset[str]
    """What can be done with it today, by the names of the acts."""

    @property
    def words(self) -> str:
        return STATES[self.state]

    @property
    def name(self) -> str:
        return self.dealer.trade_name or self.dealer.member.name


def life_of(session: Session, now: datetime, mall: Mall, lease: Lease) -> Life:
    """Everything of one lease; what is long is cut to its newest part."""
    today = today_at(session, now, mall.id)
    state = state_of(lease, today)
    items = list_of(session, lease)
    held = deposit_held(session, lease)
    charges = charge_rows(session, lease.id)
    deposit = session.scalars(select(DepositLine).where(DepositLine.lease_id == lease.id).order_by(DepositLine.id)).all()
    names = dealer_names(session)
    rates = known_rates(session, mall.id)
    elsewhere = session.scalars(
        select(LeaseSpace)
        .join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
        .where(LeaseShare.lease_id == lease.id, LeaseSpace.lease_id != lease.id)
    ).all()
    sharers = _sharers(session, [*lease.spaces, *elsewhere])
    terms = sorted(lease.terms, key=lambda term: (term.starts_on, term.id))
    return Life(
        lease=lease,
        dealer=session.get_one(Dealer, lease.dealer_id),
        state=state,
        marks=_marks(session, lease, today),
        spans=[_span(span, rates, sharers, names, today) for span in sorted(lease.spaces, key=_order)],
        paid_elsewhere=[_span(span, rates, sharers, names, today) for span in sorted(elsewhere, key=_order)],
        terms=[
            TermRow(t, term_sentence(t.kind, t.terms, t.starts_on, t.ends_on), when_of(t.starts_on, t.ends_on, today))
            for t in terms
        ],
        charges=charges[:CHARGES],
        more_charges=len(charges) > CHARGES,
        deposit=deposit,
        held_cents=held,
        letters=letter_rows(session, mall.id, lease_id=lease.id),
        items=items,
        arrears=arrears_of_dealer(session, mall.id, lease.dealer_id, today),
        can=acts_of(lease, state, today, held_cents=held, items=items, untouched=not charges and not deposit),
    )


def acts_of(
    lease: Lease, state: str, today: date, *, held_cents: int, items: Sequence[MoveOutItem], untouched: bool
) -> frozenset[str]:
    """What is offered to be done with a lease; the services judge what is sent."""
    can: set[str] = set()
    if state in ("fixed", "monthly"):
        can |= {"renew", "notice"}
    if state in ("fixed", "monthly", "noticed"):
        can |= {"space", "term"}
        if lease.signed_on is None:
            can.add("sign")
            if untouched:
                can.add("take-back")
    if state == "noticed":
        can |= {"take-back-notice", "move-out"}
    if state in ("fixed", "monthly", "noticed", "moved_out"):
        can.add("deposit")
    if state == "moved_out":
        done = all(item.done_on for item in items)
        over = lease.ends_on is not None and today > lease.ends_on
        if done and over and (held_cents or not untouched):
            can.add("settle")
        if done and over and not held_cents:
            can.add("end")
    return frozenset(can)


def when_of(starts_on: date, ends_on: date | None, today: date) -> str:
    if starts_on > today:
        return "to come"
    return "over" if ends_on is not None and ends_on < today else "now"


def _order(span: LeaseSpace) -> tuple[str, date, int]:
    return span.space.code, span.starts_on, span.id


def _sharers(session: Session, spans: Sequence[LeaseSpace]) -> dict[int, int]:
    """The dealer of each lease that has a share of these spans, by lease."""
    ids = {share.lease_id for span in spans for share in span.shares}
    rows = session.execute(select(Lease.id, Lease.dealer_id).where(Lease.id.in_(ids))) if ids else ()
    return {lease_id: dealer_id for lease_id, dealer_id in rows}  # noqa: C416  rows, not pairs


def _span(span: LeaseSpace, rates: Rates, sharers: dict[int, int], names: dict[int, tuple[str, str]], today: date) -> SpanRow:
    when = when_of(span.starts_on, span.ends_on, today)
    day = {"to come": span.starts_on, "over": span.ends_on or today, "now": today}[when]
    try:
        rate = rate_of(span, rates, day)
        price: Decimal | None = rate.price
        per = rate.per
    except Refusal:
        price, per = None, ""
    shares = [(names[sharers[share.lease_id]][0], f"{share.share_percent.normalize():f}%") for share in span.shares]
    return SpanRow(span, named(span.space), price, per, span.agreed_price is not None, shares, when)


def _marks(session: Session, lease: Lease, today: date) -> list[Mark]:
    """The days of a lease's life in their order."""
    offer = session.scalar(select(Offer).where(Offer.lease_id == lease.id).order_by(Offer.id).limit(1))
    signed = {"paper": "signed on paper", "portal": "signed in the portal"}.get(lease.signed_how, "signed")
    days = [
        (offer.made_on if offer else None, "offered"),
        (lease.signed_on, f"{signed} by {lease.signed_name}"),
        (lease.starts_on, "begins" if lease.starts_on > today else "began"),
        (lease.term_ends_on, "term ends" if lease.term_ends_on and lease.term_ends_on >= today else "term ended"),
        (lease.notice_on, f"notice by {BY.get(lease.notice_by, '')}"),
        (lease.moved_out_on, "moved out"),
        (lease.ends_on, "last day"),
        (lease.settled_on, "ended"),
    ]
    marks = [Mark(on, words, "to come" if on > today else "past") for on, words in days if on is not None]
    return sorted(marks, key=lambda mark: mark.on)


def charge_rows(session: Session, lease_id: int) -> list[ChargeRow]:
    """A lease's charges, the newest first, each with its last dispute; one more than a page shows."""
    newest = select(func.max(Dispute.id)).where(Dispute.charge_id == Charge.id).correlate(Charge).scalar_subquery()
    rows = session.execute(
        select(Charge, Dispute)
        .outerjoin(Dispute, Dispute.id == newest)
        .where(Charge.lease_id == lease_id)
        .order_by(Charge.first_day.desc(), Charge.id.desc())
        .limit(CHARGES + 1)
    )
    return [ChargeRow(charge, dispute) for charge, dispute in rows]


def letters_query(mall_id: int) -> Select[Letter, str, str, str, str]:
    """Letters of a mall's leases and offers, each with what a `LetterRow` says of it."""
    return (
        select(Letter, Dealer.code, Outbox.state, Waiting.name, Waiting.address)
        .outerjoin(Lease, Lease.id == Letter.lease_id)
        .outerjoin(Dealer, Dealer.id == Lease.dealer_id)
        .outerjoin(Outbox, Outbox.id == Letter.outbox_id)
        .outerjoin(Offer, Offer.id == Letter.offer_id)
        .outerjoin(Waiting, and_(Waiting.id == Offer.waiting_id, Waiting.member_id.is_(None)))
        .where(Letter.mall_id == mall_id)
    )


def letter_row(row: Any) -> LetterRow:
    letter, code, state, name, address = row
    return LetterRow(
        letter, code or "", state or "", [line for line in (name or "", *(address or "").splitlines()) if line.strip()]
    )


def letter_rows(session: Session, mall_id: int, *, lease_id: int | None = None, offer_id: int | None = None) -> list[LetterRow]:
    """Letters of a lease or of an offer, the newest first; one more than a page shows."""
    rows = letters_query(mall_id).order_by(Letter.id.desc()).limit(PAGE + 1)
    if lease_id is not None:
        offered = select(Offer.id).where(Offer.lease_id == lease_id)
        rows = rows.where(or_(Letter.lease_id == lease_id, Letter.offer_id.in_(offered)))
    if offer_id is not None:
        rows = rows.where(Letter.offer_id == offer_id)
    return [letter_row(row) for row in session.execute(rows)]
