"""What a dealer's pages of her lease read: always through dealer, member and user, so that what is not hers is not found."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.web import Visitor
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall, Space
from coop.leases.agreements import state_of
from coop.leases.deposits import deposit_held
from coop.leases.leaving import first_last_day
from coop.leases.models import Charge, DepositLine, Dispute, Lease, LeaseShare, LeaseSpace, Letter, Offer, Waiting
from coop.leases.occupancy import AreaNote, area_notes, holds
from coop.leases.pricing import named
from coop.leases.rents import RentDraft, month_rents
from coop.leases.wording import STATES, term_sentence
from coop.portal.queries import own_dealers_query

MONTHS = 3
"""How many months back charges are listed; statements have the others."""


def own_lease(session: Session, user: Visitor, lease_id: int) -> Lease | None:
    """A lease, if it is one of this user's dealers'."""
    return session.scalar(select(Lease).where(Lease.id == lease_id, Lease.dealer_id.in_(own_dealers_query(user))))


def own_charge(session: Session, user: Visitor, charge_id: int) -> Charge | None:
    return session.scalar(select(Charge).where(Charge.id == charge_id, Charge.dealer_id.in_(own_dealers_query(user))))


def own_letter(session: Session, user: Visitor, letter_id: int) -> Document | None:
    """The paper of one of this user's letters."""
    paper = select(Document).join(Letter, Letter.document_id == Document.id)
    return session.scalar(paper.where(Letter.id == letter_id, own_letters_query(user)))


def own_letters_query(user: Visitor) -> ColumnElement[bool]:
    """Letters about one of this user's leases, or about an offer to her."""
    return or_(
        Letter.lease_id.in_(select(Lease.id).where(Lease.dealer_id.in_(own_dealers_query(user)))),
        Letter.offer_id.in_(select(Offer.id).join(Waiting, Waiting.id == Offer.waiting_id).where(own_asking_query(user))),
    )


def own_asking_query(user: Visitor) -> ColumnElement[bool]:
    """Rows of the waiting list that are this user's own."""
    member = select(UserAccount.member_id).where(UserAccount.id == user.user_id, UserAccount.member_id.is_not(None))
    return Waiting.member_id.in_(member)


def own_offer(session: Session, user: Visitor, offer_id: int) -> Offer | None:
    """An offer, if it was made to this user."""
    query = select(Offer).join(Waiting, Waiting.id == Offer.waiting_id)
    return session.scalar(query.where(Offer.id == offer_id, own_asking_query(user)))


def own_asking(session: Session, user: Visitor, waiting_id: int) -> Waiting | None:
    return session.scalar(select(Waiting).where(Waiting.id == waiting_id, own_asking_query(user)))


@dataclass(frozen=True)
class OfferRow:
    offer: Offer
    space: Space
    mall: Mall

    @property
    def name(self) -> str:
        return named(self.space)


def own_offers(session: Session, user: Visitor) -> list[OfferRow]:
    """Offers that wait for this user's answer, the first due first."""
    rows = session.execute(
        select(Offer, Space, Mall)
        .join(Space, Space.id == Offer.space_id)
        .join(Mall, Mall.id == Space.mall_id)
        .join(Waiting, Waiting.id == Offer.waiting_id)
        .where(Offer.state == "open", own_asking_query(user))
        .order_by(Offer.answer_by, Offer.id)
    )
    return [OfferRow(*row) for row in rows]


def own_unsigned(session: Session, user: Visitor) -> Sequence[tuple[Lease, Mall]]:
    """This user's leases that wait for her signature, the first to begin first."""
    rows = session.execute(
        select(Lease, Mall)
        .join(Mall, Mall.id == Lease.mall_id)
        .where(
            Lease.dealer_id.in_(own_dealers_query(user)),
            Lease.signed_on.is_(None),
            Lease.moved_out_on.is_(None),
            Lease.settled_on.is_(None),
        )
        .order_by(Lease.starts_on, Lease.id)
    )
    return [(lease, mall) for lease, mall in rows]


def own_wishes(session: Session, user: Visitor) -> Sequence[tuple[Waiting, Mall]]:
    """What this user waits for."""
    rows = session.execute(
        select(Waiting, Mall)
        .join(Mall, Mall.id == Waiting.mall_id)
        .where(Waiting.state.in_(("waiting", "offered")), own_asking_query(user))
        .order_by(Waiting.asked_on, Waiting.id)
    )
    return [(waiting, mall) for waiting, mall in rows]


# --- a lease as its dealer sees it ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ChargeRow:
    charge: Charge
    dispute: Dispute | None
    """Its last."""


@dataclass(frozen=True)
class RentOfMonth:
    """A month's rent as it is worked out today; none where something is in the way."""

    month: Month
    rents: Sequence[RentDraft] | None

    @property
    def total_cents(self) -> int:
        return sum(rent.rent.amount_cents for rent in self.rents or ())


@dataclass(frozen=True)
class MyLease:
    """One of a dealer's own leases, with what she may want to know of it."""

    lease: Lease
    dealer: Dealer
    mall: Mall
    today: date
    state: str
    areas: Sequence[AreaNote]
    months: Sequence[RentOfMonth]
    """This month and the next."""
    terms: Sequence[str]
    charges: Sequence[ChargeRow]
    held_cents: int
    letters: Sequence[Letter]
    first_last_day: date
    """The earliest last day for notice given today."""

    @property
    def words(self) -> str:
        return STATES[self.state]

    @property
    def wants_agreement(self) -> bool:
        """There is no paper of the agreement as it stands: to be signed, or as signed."""
        signed = [letter for letter in self.letters if letter.kind == "agreement" and "/signed-" in letter.key]
        unsigned = [letter for letter in self.letters if letter.kind == "agreement"]
        return not (signed if self.lease.signed_on else unsigned)

    @property
    def can_take_back(self) -> bool:
        """Her own notice, on the day it was given."""
        return self.state == "noticed" and self.lease.notice_by == "dealer" and self.lease.notice_on == self.today


def own_leases(session: Session, user: Visitor, now: datetime) -> list[MyLease]:
    """This user's leases that have not ended, the latest begun first."""
    rows = session.execute(
        select(Lease, Dealer, Mall)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .join(Mall, Mall.id == Lease.mall_id)
        .where(Lease.dealer_id.in_(own_dealers_query(user)), Lease.settled_on.is_(None))
        .order_by(Lease.starts_on.desc(), Lease.id.desc())
    )
    rents: dict[tuple[int, Month], list[RentDraft] | None] = {}
    return [_my_lease(session, lease, dealer, mall, now, rents) for lease, dealer, mall in rows]


@dataclass(frozen=True)
class EndedLease:
    """A lease of hers that is over, with what became of its deposit and its papers."""

    lease: Lease
    dealer: Dealer
    mall: Mall
    deposit: Sequence[DepositLine]
    letters: Sequence[Letter]

    @property
    def held_cents(self) -> int:
        """What of the deposit is still held."""
        return sum(line.amount_cents if line.kind == "taken" else -line.amount_cents for line in self.deposit)


def own_ended_leases(session: Session, user: Visitor) -> list[EndedLease]:
    """This user's leases that have ended, the last to end first: three queries."""
    rows = session.execute(
        select(Lease, Dealer, Mall)
        .join(Dealer, Dealer.id == Lease.dealer_id)
        .join(Mall, Mall.id == Lease.mall_id)
        .where(Lease.dealer_id.in_(own_dealers_query(user)), Lease.settled_on.is_not(None))
        .order_by(Lease.ends_on.desc(), Lease.id.desc())
    ).all()
    ids = [lease.id for lease, _dealer, _mall in rows]
    deposits: dict[int, list[DepositLine]] = defaultdict(list)
    for line in session.scalars(select(DepositLine).where(DepositLine.lease_id.in_(ids)).order_by(DepositLine.id)):
        deposits[line.lease_id].append(line)
    letters: dict[int | None, list[Letter]] = defaultdict(list)
    for letter in session.scalars(select(Letter).where(Letter.lease_id.in_(ids)).order_by(Letter.id.desc())):
        letters[letter.lease_id].append(letter)
    return [EndedLease(lease, dealer, mall, deposits[lease.id], letters[lease.id]) for lease, dealer, mall in rows]


def own_has_left(session: Session, user: Visitor) -> date | None:
    """The last day of the last of this user's leases, where every one has ended; None too where she never had one."""
    ends = select(func.max(Lease.ends_on), func.count(Lease.id), func.count(Lease.settled_on)).where(
        Lease.dealer_id.in_(own_dealers_query(user))
    )
    last, leases, ended = session.execute(ends).one()
    return last if leases == ended else None


def _my_lease(
    session: Session,
    lease: Lease,
    dealer: Dealer,
    mall: Mall,
    now: datetime,
    rents: dict[tuple[int, Month], list[RentDraft] | None],
) -> MyLease:
    today = local_date(now, mall.timezone)
    on = max(today, lease.starts_on)
    month = Month.of(on)
    letters = session.scalars(select(Letter).where(Letter.lease_id == lease.id).order_by(Letter.id.desc()).limit(20)).all()
    return MyLease(
        lease=lease,
        dealer=dealer,
        mall=mall,
        today=today,
        state=state_of(lease, today),
        areas=area_notes(session, mall, _spaces(session, lease, on), holds(session, mall.id, since=on), on),
        months=[_month(session, lease, mall, each, rents) for each in (month, month.next)],
        terms=[term_sentence(t.kind, t.terms, t.starts_on, t.ends_on) for t in lease.terms if (t.ends_on or today) >= today],
        charges=_charges(session, lease, today),
        held_cents=deposit_held(session, lease),
        letters=letters,
        first_last_day=max(first_last_day(lease, today), lease.starts_on),
    )


def _spaces(session: Session, lease: Lease, on: date) -> Sequence[Space]:
    """What a lease holds, or pays a share of, on a day."""
    shared = select(LeaseShare.lease_space_id).where(LeaseShare.lease_id == lease.id)
    return session.scalars(
        select(Space)
        .join(LeaseSpace, LeaseSpace.space_id == Space.id)
        .where(
            or_(LeaseSpace.lease_id == lease.id, LeaseSpace.id.in_(shared)),
            LeaseSpace.starts_on <= on,
            or_(LeaseSpace.ends_on.is_(None), LeaseSpace.ends_on >= on),
        )
        .order_by(Space.code)
    ).all()


def _month(
    session: Session, lease: Lease, mall: Mall, month: Month, rents: dict[tuple[int, Month], list[RentDraft] | None]
) -> RentOfMonth:
    if (mall.id, month) not in rents:
        try:
            rents[mall.id, month] = month_rents(session, mall, month)
        except Refusal:
            # It may be about somebody else's space: that is not for her to read.
            rents[mall.id, month] = None
    found = rents[mall.id, month]
    return RentOfMonth(month, None if found is None else [rent for rent in found if rent.lease_id == lease.id])


def _charges(session: Session, lease: Lease, today: date) -> list[ChargeRow]:
    newest = select(func.max(Dispute.id)).where(Dispute.charge_id == Charge.id).correlate(Charge).scalar_subquery()
    since = Month.of(today)
    for _ in range(MONTHS - 1):
        since = since.previous
    rows = session.execute(
        select(Charge, Dispute)
        .outerjoin(Dispute, Dispute.id == newest)
        .where(
            Charge.lease_id == lease.id,
            or_(Charge.first_day >= since.first_day, Dispute.id.is_not(None) & Dispute.closed_on.is_(None)),
        )
        .order_by(Charge.first_day.desc(), Charge.id)
    )
    return [ChargeRow(charge, dispute) for charge, dispute in rows]
