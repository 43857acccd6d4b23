"""What of a mall's leases needs a decision, in the order of its urgency. The number of queries does not grow with the rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from coop.core.periods import Month
from coop.core.templating import dollars
from coop.dealers.models import Member
from coop.floor import queries as floor
from coop.floor.models import Mall, Space
from coop.leases.agreements import state_of
from coop.leases.asking import WaitingList, wants
from coop.leases.deposits import Held, check_deposits, deposits_held
from coop.leases.domain.notice import offer_deadline
from coop.leases.holding import today_at
from coop.leases.models import Lease, Offer, Waiting
from coop.leases.occupancy import Hold, holds
from coop.leases.pricing import named
from coop.leases.rising import rises
from coop.leases.rules import HouseRules, rules_on
from coop.leases.settling import DealerArrears, arrears_of
from coop.office import lease_queries as queries

AHEAD = timedelta(days=90)
"""How far ahead increases and vacancies are told."""


@dataclass(frozen=True)
class OfferRow:
    """An open offer: of what, to whom, and whether its last day is over."""

    offer: Offer
    space: Space
    name: str
    overdue: bool


@dataclass(frozen=True)
class LeaseNote:
    """A lease that wants something, by a day."""

    lease: Lease
    dealer_code: str
    dealer_name: str
    on: date | None
    words: str = ""


@dataclass(frozen=True)
class Vacancy:
    """A space nobody holds, or will hold, from a day on, and how many wait for one like it."""

    space: Space
    name: str
    free_from: date
    waiting: int
    next_id: int | None
    """Who is next on the list: the id of what was asked, and her name."""
    next_name: str
    why: str


@dataclass(frozen=True)
class Late:
    """A dealer with something late or in dispute, and the lease that a letter is written for."""

    row: DealerArrears
    dealer_name: str
    lease_id: int | None


@dataclass(frozen=True)
class Work:
    """Everything that waits."""

    offers: Sequence[OfferRow]
    unsigned: Sequence[LeaseNote]
    renewals: Sequence[LeaseNote]
    increases: Sequence[LeaseNote]
    """Rises of the days ahead that nobody was told of in a letter yet."""
    noticed: Sequence[LeaseNote]
    late: Sequence[Late]
    vacancies: Sequence[Vacancy]
    deposits: Sequence[Held]
    """Agreed and held are not the same."""
    apart: Sequence[str]
    """Deposits that are not what the ledger holds."""
    faults: Sequence[str]
    """Why rent cannot be worked out."""
    answer_by: date
    """Of an offer that is made today."""
    no_rules: bool
    leases: int

    @property
    def nothing(self) -> bool:
        lists = (self.offers, self.unsigned, self.renewals, self.increases, self.noticed, self.late, self.vacancies)
        return not any(lists) and not self.deposits and not self.apart and not self.faults


def work_of(session: Session, now: datetime, mall: Mall) -> Work:
    """What waits at a mall today."""
    today = today_at(session, now, mall.id)
    rules = rules_on(session, mall.id, today)
    names = queries.dealer_names(session)
    query = select(Lease).where(Lease.mall_id == mall.id, Lease.settled_on.is_(None))
    running = session.scalars(query.options(selectinload(Lease.terms)).order_by(Lease.starts_on, Lease.id)).all()
    notes = [(lease, state_of(lease, today)) for lease in running]

    def note(lease: Lease, on: date | None, words: str = "") -> LeaseNote:
        return LeaseNote(lease, *names[lease.dealer_id], on, words)

    latest = {lease.dealer_id: lease.id for lease in running}
    held = holds(session, mall.id, since=today)
    offers = _offers(session, mall, today)
    ahead, faults = rises(session, mall, today, today + AHEAD)
    _, fault = queries.rents_of_month(session, mall, Month.of(today))
    return Work(
        offers=offers,
        unsigned=[note(lease, lease.starts_on) for lease, state in notes if lease.signed_on is None and state != "moved_out"],
        renewals=[
            note(lease, lease.term_ends_on) for lease, state in notes if state == "fixed" and _to_renew(lease, rules, today)
        ],
        increases=[
            note(rise.lease, rise.begins_on, f"{dollars(rise.before_cents)}, then {dollars(rise.after_cents)} a month")
            for rise in ahead
            if not rise.told
        ],
        noticed=[
            note(lease, lease.ends_on, "moved out" if state == "moved_out" else "leaves")
            for lease, state in notes
            if state in ("noticed", "moved_out")
        ],
        late=[
            Late(row, names[row.dealer_id][1], latest.get(row.dealer_id))
            for row in arrears_of(session, mall.id, today)
            if row.late_cents > 0 or row.arrears.disputed_cents > 0
        ],
        vacancies=_vacancies(session, mall, today, held, {row.space.id for row in offers}),
        deposits=[row for row in deposits_held(session, mall.id) if row.agreed_cents != row.held_cents],
        apart=check_deposits(session),
        faults=[*([fault] if fault else ()), *faults],
        answer_by=offer_deadline(today, rules.offer_days),
        no_rules=rules.starts_on == date.min,
        leases=len(running),
    )


def _to_renew(lease: Lease, rules: HouseRules, today: date) -> bool:
    return lease.term_ends_on is not None and today >= lease.term_ends_on - timedelta(days=rules.renewal_days)


def _offers(session: Session, mall: Mall, today: date) -> list[OfferRow]:
    rows = session.execute(
        select(Offer, Space, Waiting, Member.name)
        .join(Space, Space.id == Offer.space_id)
        .join(Waiting, Waiting.id == Offer.waiting_id)
        .outerjoin(Member, Member.id == Waiting.member_id)
        .where(Space.mall_id == mall.id, Offer.state == "open")
        .order_by(Offer.answer_by, Offer.id)
    )
    return [OfferRow(offer, space, member or asked.name, offer.answer_by < today) for offer, space, asked, member in rows]


def _vacancies(session: Session, mall: Mall, today: date, held: Sequence[Hold], offered: set[int]) -> list[Vacancy]:
    """Spaces free today or in the days ahead that are offered to nobody."""
    last: dict[int, date | None] = {}
    for hold in held:
        before = last.get(hold.space_id, today)
        last[hold.space_id] = None if hold.ends_on is None or before is None else max(before, hold.ends_on)
    asked = WaitingList(session, mall.id, today)
    members = {row.member_id for row in asked.rows.values() if row.member_id}
    query = select(Member.id, Member.name).where(Member.id.in_(members))
    names = {member_id: name for member_id, name in session.execute(query)} if members else {}  # noqa: C416  rows, not pairs
    found = []
    for space in floor.spaces_of(session, mall.id, today):
        if space.id in offered or space.retired_on is not None:
            continue
        end = last.get(space.id, today - timedelta(days=1))
        if end is None or end > today + AHEAD:
            continue
        number = sum(wants(row, space) for row in asked.rows.values())
        turn = asked.turn(space) if number else None
        who = turn.waiting if turn else None
        name = (names.get(who.member_id or 0) or who.name) if who else ""
        free = end + timedelta(days=1)
        found.append(Vacancy(space, named(space), free, number, who.id if who else None, name, turn.why if turn else ""))
    return sorted(found, key=lambda row: (row.free_from, row.space.code))
