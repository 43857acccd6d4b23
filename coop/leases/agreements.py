"""The agreement: a lease made, signed, renewed, or taken back before anything came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import cents, exact, format_dollars
from coop.core.templating import day, joined
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.domain.figures import Rent, plain_percent
from coop.leases.domain.lifecycle import Dates, Facts, Move, State, refusal, state_on
from coop.leases.domain.proration import METHODS
from coop.leases.holding import code_of, hold, lock, lock_spaces, today_at
from coop.leases.models import Charge, DepositLine, Lease, LeaseShare, LeaseSpace, LeaseTerm, Letter, Offer, Waiting
from coop.leases.pricing import Asked, known_rates, monthly_rent, named
from coop.leases.rules import rules_on


def state_of(lease: Lease, today: date) -> State:
    """What a lease is on a day: fixed, monthly, noticed, moved_out, ended."""
    dates = Dates(lease.starts_on, lease.term_ends_on, lease.ends_on, lease.moved_out_on, lease.settled_on)
    return state_on(dates, today)


def lease_name(session: Session, lease: Lease) -> str:
    """`The lease of D01`"""
    return f"The lease of {code_of(session, lease)}"


def held_name(session: Session, lease: Lease) -> str:
    """`Booth 12 and Case C3`: every space a lease held last; its dealer's code where it has none."""
    spaces = session.scalars(
        select(Space)
        .join(LeaseSpace, LeaseSpace.space_id == Space.id)
        .where(LeaseSpace.lease_id == lease.id)
        .order_by(LeaseSpace.id)
    )
    names = list(dict.fromkeys(named(space) for space in spaces))
    return joined(names) or code_of(session, lease)


def require_move(session: Session, lease: Lease, how: Move, facts: Facts) -> None:
    """Refuses a move that the lease's state on the facts' day does not know, or that the facts speak against."""
    said = refusal(state_of(lease, facts.today), how, facts)
    if said is not None:
        raise Refusal(said)


# --- making -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Terms:
    """What a lease says beside its spaces. What is None is the mall's house rule of the lease's first day."""

    term_ends_on: date | None = None
    """Last day of a fixed term; None: by the month."""
    proration: str | None = None
    notice_days: int | None = None
    notice_to_month_end: bool | None = None
    deposit_cents: int = 0


def make_lease(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    *,
    starts_on: date,
    commission_percent: Decimal,
    spaces: Sequence[Space | Asked] = (),
    ends_on: date | None = None,
    terms: Terms | None = None,
    user_id: int | None = None,
) -> Lease:
    """A lease, not yet signed, on spaces as measured or as asked.

    Refuses, naming the field or the space: dates that run backwards, a commission that is no percent, a term without days,
    and a space that stands there twice, is another mall's, or is leased or offered in these dates.
    """
    said = terms or Terms()
    rules = rules_on(session, mall.id, starts_on)
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"The lease of {dealer.code} ends on {day(ends_on)}, before it starts on {day(starts_on)}.")
    if not commission_percent.is_finite() or not 0 <= commission_percent <= 100:
        raise Refusal(f"A commission of {commission_percent} percent for {dealer.code} is not between 0 and 100.")
    _require_terms(dealer, said, starts_on)
    asked = [one if isinstance(one, Asked) else Asked(one) for one in spaces]
    ids = [one.space.id for one in asked]
    twice = [one.space for one in asked if ids.count(one.space.id) > 1]
    if twice:
        raise Refusal(f"{named(twice[0])} is asked for twice: name each space once.")
    lease = Lease(
        dealer_id=dealer.id,
        mall_id=mall.id,
        starts_on=starts_on,
        ends_on=ends_on,
        term_ends_on=said.term_ends_on,
        commission_percent=commission_percent,
        proration=rules.proration if said.proration is None else said.proration,
        notice_days=rules.notice_days if said.notice_days is None else said.notice_days,
        notice_to_month_end=rules.notice_to_month_end if said.notice_to_month_end is None else said.notice_to_month_end,
        deposit_cents=said.deposit_cents,
        created_at=now,
    )
    session.add(lease)
    session.flush()
    if asked:
        lock_spaces(session, [one.space for one in asked])
    for one in asked:
        hold(session, lease, one, starts_on=starts_on, ends_on=ends_on)
    audit.record(session, now, "lease made", "lease", lease.id, user_id=user_id, detail=f"{dealer.code} from {starts_on}")
    session.flush()
    return lease


def _require_terms(dealer: Dealer, said: Terms, starts_on: date) -> None:
    if said.term_ends_on is not None and said.term_ends_on <= starts_on:
        raise Refusal(
            f"The term of {dealer.code} ends on {day(said.term_ends_on)}: "
            f"choose a day after {day(starts_on)}, or lease by the month."
        )
    if said.proration is not None and said.proration not in METHODS:
        raise Refusal(f"The proration for {dealer.code} is {said.proration!r}: choose one of {', '.join(METHODS)}.")
    if said.notice_days is not None and not 0 <= said.notice_days <= 366:
        raise Refusal(f"The days of notice for {dealer.code} are {said.notice_days}: write 0 to 366, such as 30.")
    if said.deposit_cents < 0:
        raise Refusal(f"The deposit of {dealer.code} is {format_dollars(said.deposit_cents)}: it cannot be negative.")


def deposit_asked(session: Session, mall: Mall, spaces: Sequence[Space | Asked], on: date) -> Rent:
    """The deposit by the house rules: so many months of the spaces' rent at the prices of a day, with its working."""
    months = rules_on(session, mall.id, on).deposit_months
    rates = known_rates(session, mall.id)
    rent = sum(monthly_rent(one if isinstance(one, Asked) else Asked(one), rates, on).amount_cents for one in spaces)
    word = "one month's rent" if months == 1 else f"{plain_percent(months)} months' rent"
    return Rent(cents(exact(months) * rent / 100), f"{word}, {format_dollars(rent)} a month")


# --- signing ------------------------------------------------------------------------------------------------------------


def sign_on_paper(session: Session, now: datetime, lease: Lease, *, name: str, on: date, user_id: int | None = None) -> None:
    """Record that a lease was signed on paper: by whom, as written there, and on which day."""
    _sign(session, now, lease, name, on, "paper", user_id)


def sign_in_portal(session: Session, now: datetime, lease: Lease, *, name: str, member_id: int | None, user_id: int) -> None:
    """Sign one's own lease by name, today. Refuses a lease that is another dealer's."""
    dealer = session.get_one(Dealer, lease.dealer_id)
    if member_id is None or dealer.member_id != member_id:
        raise Refusal("This lease is another dealer's: only she can sign it.")
    _sign(session, now, lease, name, today_at(session, now, lease.mall_id), "portal", user_id)


def _sign(session: Session, now: datetime, lease: Lease, name: str, on: date, how: str, user_id: int | None) -> None:
    lock(session, lease)
    whose = lease_name(session, lease)
    name = " ".join(name.split())
    if lease.signed_on is not None:
        raise Refusal(f"{whose} was signed on {day(lease.signed_on)} already: that stays.")
    if lease.settled_on is not None or lease.moved_out_on is not None:
        raise Refusal(f"{whose} is over: there is nothing left to sign.")
    if not name:
        raise Refusal(f"{whose} is signed by nobody: write the full name, as it is signed.")
    if len(name) > 120:
        raise Refusal(f"The name has {len(name)} letters: 120 is the most.")
    if on > today_at(session, now, lease.mall_id):
        raise Refusal(f"{whose} is signed on {day(on)}, a day to come: enter the day it was signed.")
    lease.signed_name, lease.signed_on, lease.signed_how = name, on, how
    session.flush()
    audit.record(session, now, "lease signed", "lease", lease.id, user_id=user_id, detail=f"{how}, {on}")


# --- renewing -----------------------------------------------------------------------------------------------------------


def renew_lease(session: Session, now: datetime, lease: Lease, *, term_ends_on: date, user_id: int | None = None) -> None:
    """A fixed term, after the one that runs or from now on. The log keeps the term that was."""
    lock(session, lease)
    today = today_at(session, now, lease.mall_id)
    facts = Facts(
        today=today,
        space=held_name(session, lease),
        term_ends_on=lease.term_ends_on if lease.term_ends_on and lease.term_ends_on >= today else None,
        new_term_ends_on=term_ends_on,
    )
    require_move(session, lease, "renew", facts)
    was, lease.term_ends_on = lease.term_ends_on, term_ends_on
    session.flush()
    detail = f"through {term_ends_on}, {f'was through {was}' if was else 'ran by the month'}"
    audit.record(session, now, "lease renewed", "lease", lease.id, user_id=user_id, detail=detail)


# --- taking back --------------------------------------------------------------------------------------------------------


def take_back_lease(session: Session, now: datetime, lease: Lease, *, user_id: int | None = None) -> None:
    """Remove a lease that nobody signed and that nothing was charged under: the mend of one that was made wrongly.

    An offer it came from counts as withdrawn, and who took it waits again.
    """
    # Held whole: nothing may come to name it meanwhile.
    session.refresh(lease, with_for_update=True)
    whose = lease_name(session, lease)
    if lease.signed_on is not None:
        raise Refusal(f"{whose} is signed since {day(lease.signed_on)}: end it by notice instead.")
    for table, what in ((Charge, "charged"), (DepositLine, "taken as a deposit")):
        if session.scalar(select(func.count(table.id)).where(table.lease_id == lease.id)):
            raise Refusal(f"Something was {what} under {whose[0].lower()}{whose[1:]}: end it by notice instead.")
    others = select(LeaseSpace.id).join(LeaseShare, LeaseShare.lease_space_id == LeaseSpace.id)
    if session.scalar(others.where(LeaseShare.lease_id == lease.id, LeaseSpace.lease_id != lease.id).limit(1)):
        raise Refusal(f"{whose} pays a share of another's space: change those shares first.")
    detail = f"{code_of(session, lease)} from {lease.starts_on}"
    for offer in session.scalars(select(Offer).where(Offer.lease_id == lease.id)):
        offer.state, offer.lease_id = "withdrawn", None
        session.get_one(Waiting, offer.waiting_id).state = "waiting"
    session.flush()
    session.execute(update(Letter).where(Letter.lease_id == lease.id).values(lease_id=None))
    session.execute(delete(LeaseShare).where(LeaseShare.lease_space_id.in_(select(LeaseSpace.id).filter_by(lease_id=lease.id))))
    session.execute(delete(LeaseSpace).where(LeaseSpace.lease_id == lease.id))
    session.execute(delete(LeaseTerm).where(LeaseTerm.lease_id == lease.id))
    session.expire(lease, ["spaces", "terms"])
    session.delete(lease)
    session.flush()
    audit.record(session, now, "lease taken back", "lease", lease.id, user_id=user_id, detail=detail)
