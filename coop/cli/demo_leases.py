"""The leases of the demo and what has become of them: house rules, deposits, a shared booth, a raise to come, notice, a late
payer who disputes a charge, and the waiting list. Days are told from the demo's first month and from today.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli.demo_coop import DemoDealer
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import Month, add_months
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall, Space
from coop.leases.agreements import Terms, deposit_asked, make_lease, sign_on_paper
from coop.leases.asking import Outsider, Wish, ask_for_space, next_for
from coop.leases.changing import share_space
from coop.leases.deposits import take_deposit
from coop.leases.leaving import give_notice
from coop.leases.letters import write_offer
from coop.leases.models import Charge, Lease
from coop.leases.offering import make_offer
from coop.leases.rules import add_term, set_rules
from coop.leases.settling import open_dispute, post_late_fees

_DAY = timedelta(days=1)
NEWCOMER = 12
"""Comes in the middle of the first month, so her first rent is prorated, and pays less for her first months."""
RAISED = 20
SHARED, SHARER = 17, 18
"""Whose booth it is, and who has two fifths of it beside her case."""
LEAVING = 30
LATE = 28
ENDING = 10
"""Whose fixed term ends next month."""
UNSIGNED = (("FERRY", 33), ("DAIRY", 38), ("DAIRY", 45))
"""Whose agreements, at which mall, are still to be signed."""
OWES_DEPOSIT = 11
"""Every so many dealers one has not brought her deposit yet."""
OFFERED = "42"
_CLAUSES = (
    "Tags carry the dealer's number and the price. What stands in an aisle is moved to the nearest booth, without a word. "
    "Each dealer keeps her own insurance of her goods."
)
_WAITING: tuple[tuple[str, str, Wish], ...] = (
    ("Orla Fennimore", "orla@example.net", Wish(zone="back", least_sqft100=70_00, note="Quilts; needs a wall to hang them on")),
    ("Tobiah Wrenfield", "tobiah@example.net", Wish(zone="front", most_sqft100=100_00)),
    ("Philippa Dray", "", Wish(kind="case", note="Watches and pens")),
)
"""Who is no member: name, mail, wish. Who has no mail has a telephone."""
MEMBER, _MEMBERS_WISH = 50, Wish(zone="back", least_sqft100=60_00, note="A second booth, in town")


@dataclass(frozen=True)
class Months:
    """The demo's first month and the two after it; the last is the running one."""

    first: Month

    @property
    def second(self) -> Month:
        return self.first.next

    @property
    def running(self) -> Month:
        return self.second.next


# --- as the books begin -----------------------------------------------------------------------------------------------------


def set_house_rules(session: Session, mall: Mall, since: date) -> None:
    """A month's rent as deposit, a late fee after the tenth; rent in arrears and a month's notice are as usual."""
    set_rules(
        session,
        mall,
        since,
        deposit_months=Decimal(1),
        late_after_day=10,
        late_how="greater",
        late_flat_cents=15_00,
        late_percent=Decimal(5),
        clauses=_CLAUSES,
    )


def lease_spaces(
    session: Session,
    now: datetime,
    mall: Mall,
    dealers: Sequence[tuple[DemoDealer, Dealer]],
    spaces: Sequence[Space],
    months: Months,
) -> None:
    """A lease of each space to the dealer at its place, most of them signed and their deposits taken; no dealer, no lease."""
    leases = {
        demo.number: _lease(session, now, mall, demo, dealer, space, months)
        for (demo, dealer), space in zip(dealers, spaces, strict=False)
    }
    if leases.keys() >= {NEWCOMER, RAISED, SHARED, SHARER}:
        _agree_more(session, now, leases, months)


def _lease(session: Session, now: datetime, mall: Mall, demo: DemoDealer, dealer: Dealer, space: Space, months: Months) -> Lease:
    since, number = months.first.first_day, demo.number
    starts_on = since.replace(day=17) if number == NEWCOMER else since
    deposit = deposit_asked(session, mall, [space], starts_on).amount_cents
    lease = make_lease(
        session,
        now,
        mall,
        dealer,
        starts_on=starts_on,
        commission_percent=Decimal(8) if space.kind == "case" else Decimal(10),
        spaces=[space],
        terms=Terms(term_ends_on=_term_ends_on(number, months), deposit_cents=deposit),
    )
    if (mall.code, number) not in UNSIGNED:
        sign_on_paper(session, now, lease, name=demo.name, on=since - timedelta(days=3 + number % 9))
    if number % OWES_DEPOSIT:
        take_deposit(session, now, lease, deposit, on=starts_on, reference=f"check {100 + number}")
    return lease


def _term_ends_on(number: int, months: Months) -> date | None:
    """Every fourth dealer has a term of a year; the others lease by the month."""
    if number == ENDING:
        return months.running.next.last_day
    return add_months(months.first.first_day, 12) - _DAY if number % 4 == 3 else None


def _agree_more(session: Session, now: datetime, leases: Mapping[int, Lease], months: Months) -> None:
    newcomer, raised, shared = leases[NEWCOMER], leases[RAISED], leases[SHARED]
    introduced = {"reason": "introductory", "name": "for the first three months", "percent": "20"}
    add_term(session, newcomer, "discount", introduced, ends_on=add_months(newcomer.starts_on, 3) - _DAY)
    rise = add_months(months.running.first_day, 3).isoformat()
    add_term(session, raised, "escalation", {"how": "steps", "steps": [{"on": rise, "percent": "4"}]})
    (booth,) = shared.spaces
    shares = [(shared, Decimal(60)), (leases[SHARER], Decimal(40))]
    share_space(session, now, booth, shares, on=months.second.first_day)


# --- since then -------------------------------------------------------------------------------------------------------------


def dispute_and_remind(session: Session, now: datetime, malls: Sequence[Mall], months: Months) -> None:
    """In the second month: a rent of the first is disputed on the fifth, and on the eleventh the late fees are charged."""
    second = months.second.first_day
    charge = session.scalars(
        select(Charge)
        .join(Dealer, Dealer.id == Charge.dealer_id)
        .where(Dealer.code == f"D{LATE:02d}", Charge.kind == "rent", Charge.first_day == months.first.first_day)
    ).one()
    reason = "The roof dripped into the booth for a week, and half of it stood empty: she asks for a week's rent back."
    open_dispute(session, charge, on=second.replace(day=5), reason=reason)
    for mall in malls:
        post_late_fees(session, now, mall, on=second.replace(day=11))


def leave_and_wait(session: Session, now: datetime, mall: Mall, months: Months) -> None:
    """In the running month: one has given notice, four people wait, and one of them is offered an empty booth."""
    leaving = _lease_of(session, mall, LEAVING)
    give_notice(session, now, leaving, by="dealer", given_on=months.second.last_day)
    for n, (name, email, wish) in enumerate(_WAITING):
        outsider = Outsider(name, email, "" if email else "555 0142", f"{n + 4} Ropewalk\nHollin Ferry")
        ask_for_space(session, now, mall, outsider, wish, asked_on=months.second.first_day + timedelta(days=9 * n))
    member = session.scalars(select(Member).join(Dealer, Dealer.member_id == Member.id).where(Dealer.code == f"D{MEMBER}")).one()
    ask_for_space(session, now, mall, member, _MEMBERS_WISH, asked_on=months.running.first_day)
    space = session.scalars(select(Space).where(Space.mall_id == mall.id, Space.code == OFFERED)).one()
    turn = next_for(session, space, local_date(now, mall.timezone))
    if turn is None:
        raise Refusal(f"Nobody waits for a space like {OFFERED}.")
    offer = make_offer(session, now, space, turn.waiting, starts_on=months.running.next.first_day)
    write_offer(session, now, offer)


def _lease_of(session: Session, mall: Mall, number: int) -> Lease:
    of_dealer = select(Lease).join(Dealer, Dealer.id == Lease.dealer_id).where(Dealer.code == f"D{number:02d}")
    return session.scalars(of_dealer.where(Lease.mall_id == mall.id)).one()
