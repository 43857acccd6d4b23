"""The leases of the demo and what became of them in its year: house rules, deposits, a shared booth, one who left and one who
came, a raise to come, notice, a late payer who disputes a charge, and the waiting list.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.cli.demo_coop import DemoDealer, DemoMall, Months, at
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import add_months
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall, Space
from coop.leases.agreements import Terms, deposit_asked, make_lease, sign_on_paper
from coop.leases.asking import Outsider, Wish, ask_for_space, next_for
from coop.leases.changing import share_space
from coop.leases.deposits import take_deposit
from coop.leases.leaving import give_notice, list_of, move_out, settle_leaving, tick_item
from coop.leases.letters import write_offer
from coop.leases.models import Charge, Lease
from coop.leases.offering import make_offer
from coop.leases.rules import add_term, set_rules
from coop.leases.settling import open_dispute

_DAY = timedelta(days=1)
NEWCOMER = 12
"""Comes in the middle of a month three before the running one, so her first rent is prorated, and pays less for three months."""
LEFT = 29
"""Gave notice seven months before the running one, and left a month later."""
RAISED = 20
SHARED, SHARER = 17, 18
"""Whose booth it is, and who has two fifths of it beside her case, since five months."""
LEAVING = 30
LATE = 28
"""Owes rent, and disputes some of it."""
SLOW = (9, 57)
"""Their sales do not cover their rent. The first brings a check for what is missing every month, the second every other."""
ENDING = 10
"""Whose fixed term ends next month."""
UNSIGNED = ("FERRY", NEWCOMER)
"""Whose agreement is still to be signed."""
OWES_DEPOSIT = 11
"""Every so many dealers one brought her deposit a month late; the last of them owes it still."""
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
    session: Session, mall: Mall, dealers: Sequence[tuple[DemoDealer, Dealer | None]], spaces: Sequence[Space], months: Months
) -> None:
    """A lease of each space to the dealer at its place, signed and its deposit taken; no dealer yet, no lease."""
    made_on = months.first.first_day - timedelta(days=21)
    leases = {
        demo.number: lease_space(session, at(made_on, 11), mall, demo, dealer, space, months.first.first_day, months)
        for (demo, dealer), space in zip(dealers, spaces, strict=False)
        if dealer is not None
    }
    if RAISED in leases:
        rise = add_months(months.running.first_day, 3).isoformat()
        add_term(session, leases[RAISED], "escalation", {"how": "steps", "steps": [{"on": rise, "percent": "4"}]})


def lease_space(
    session: Session, now: datetime, mall: Mall, demo: DemoDealer, dealer: Dealer, space: Space, starts_on: date, months: Months
) -> Lease:
    """One lease, and the paper and the money that go with it."""
    deposit, number = deposit_asked(session, mall, [space], starts_on).amount_cents, demo.number
    lease = make_lease(
        session,
        now,
        mall,
        dealer,
        starts_on=starts_on,
        commission_percent=Decimal(8) if space.kind == "case" else Decimal(10),
        spaces=[space],
        terms=Terms(term_ends_on=_term_ends_on(number, starts_on, months), deposit_cents=deposit),
    )
    if (mall.code, number) != UNSIGNED:
        signed_on = starts_on - timedelta(days=3 + number % 9)
        sign_on_paper(session, at(signed_on, 15), lease, name=demo.name, on=signed_on)
    if number % OWES_DEPOSIT:
        take_deposit(session, at(starts_on, 10), lease, deposit, on=starts_on, reference=f"check {100 + number}")
    return lease


def _term_ends_on(number: int, starts_on: date, months: Months) -> date | None:
    """Every eighth dealer has a term of half a year, every eighth one of a year and a half; the others lease by the month."""
    if number == ENDING:
        return months.running.next.last_day
    return add_months(starts_on, {3: 6, 7: 18}[number % 8]) - _DAY if number % 8 in (3, 7) else None


# --- since then -------------------------------------------------------------------------------------------------------------


def take_late_deposits(session: Session, now: datetime, mall: Mall, on: date) -> None:
    """The deposits that were not brought at once."""
    for lease, dealer in session.execute(
        select(Lease, Dealer).join(Dealer, Dealer.id == Lease.dealer_id).where(Lease.mall_id == mall.id).order_by(Lease.id)
    ).all():
        number = int(dealer.code[1:])
        if number % OWES_DEPOSIT == 0 and number != 5 * OWES_DEPOSIT:
            take_deposit(session, now, lease, lease.deposit_cents, on=on, reference=f"check {100 + number}")


def share_booth(session: Session, now: datetime, mall: Mall, on: date) -> None:
    """Two dealers share a booth's rent from a day on."""
    shared = _lease_of(session, mall, SHARED)
    (booth,) = shared.spaces
    shares = [(shared, Decimal(60)), (_lease_of(session, mall, SHARER), Decimal(40))]
    share_space(session, now, booth, shares, on=on)


def welcome(
    session: Session, now: datetime, mall: Mall, demo: DemoDealer, space_code: str, starts_on: date, months: Months
) -> Dealer:
    """One who comes in the middle of the year, and pays less at first."""
    dealer = add_demo_dealer(session, now, demo, starts_on)
    space = session.scalars(select(Space).where(Space.mall_id == mall.id, Space.code == space_code)).one()
    lease = lease_space(session, now, mall, demo, dealer, space, starts_on, months)
    introduced = {"reason": "introductory", "name": "for the first three months", "percent": "20"}
    add_term(session, lease, "discount", introduced, ends_on=add_months(starts_on, 3) - _DAY)
    return dealer


def add_demo_dealer(session: Session, now: datetime, demo: DemoDealer, joined_on: date) -> Dealer:
    """A dealer of the roster as a member."""
    return add_dealer(
        session,
        now,
        demo.code,
        name=demo.name,
        email=demo.email,
        phone=demo.phone,
        address=demo.address,
        trade_name=demo.shop,
        joined_on=joined_on,
    )


def give_notice_of(session: Session, now: datetime, mall: Mall, number: int, given_on: date) -> date:
    """A dealer gives notice; the last day of her lease."""
    return give_notice(session, now, _lease_of(session, mall, number), by="dealer", given_on=given_on)


def move_out_of(session: Session, now: datetime, mall: Mall, number: int, on: date) -> None:
    """She hands her space over, and the list is gone through with her."""
    lease = _lease_of(session, mall, number)
    move_out(session, now, lease, on=on)
    for item in list_of(session, lease):
        tick_item(session, now, item, by="the manager")


def return_deposit_of(session: Session, now: datetime, mall: Mall, number: int, on: date) -> None:
    """Her deposit goes back, but what she owes; she is a member no more."""
    lease = _lease_of(session, mall, number)
    settle_leaving(session, now, lease, on=on, reference="check 1998")
    session.get_one(Member, session.get_one(Dealer, lease.dealer_id).member_id).left_on = on


def dispute_rent(session: Session, months: Months, on: date) -> None:
    """A rent is disputed by her who pays late."""
    charge = session.scalars(
        select(Charge)
        .join(Dealer, Dealer.id == Charge.dealer_id)
        .where(Dealer.code == f"D{LATE:02d}", Charge.kind == "rent", Charge.first_day == months.back(2).first_day)
    ).first()
    if charge is not None:
        reason = "The roof dripped into the booth for weeks, and half of it stood empty: she asks for half of the rent back."
        open_dispute(session, charge, on=on, reason=reason)


def ask(session: Session, now: datetime, mall: Mall, on: date, which: int) -> None:
    """One more asks for a space: those who are no members by their place in the list, and then a member."""
    if which < len(_WAITING):
        name, email, wish = _WAITING[which]
        outsider = Outsider(name, email, "" if email else "555 0103", f"{which + 4} Ropewalk\nHollin Ferry")
        ask_for_space(session, now, mall, outsider, wish, asked_on=on)
        return
    member = session.scalars(select(Member).join(Dealer, Dealer.member_id == Member.id).where(Dealer.code == f"D{MEMBER}")).one()
    ask_for_space(session, now, mall, member, _MEMBERS_WISH, asked_on=on)


WAIT = len(_WAITING) + 1
"""How many ask for a space."""


def offer_booth(session: Session, now: datetime, mall: Mall, made: DemoMall, months: Months) -> None:
    """An empty booth is offered to whoever is next."""
    space = session.scalars(select(Space).where(Space.mall_id == mall.id, Space.code == OFFERED)).one()
    turn = next_for(session, space, local_date(now, mall.timezone))
    if turn is None:
        raise Refusal(f"Nobody waits for a space like {OFFERED} at {made.name}.")
    offer = make_offer(session, now, space, turn.waiting, starts_on=months.running.next.first_day)
    write_offer(session, now, offer)


def _lease_of(session: Session, mall: Mall, number: int) -> Lease:
    of_dealer = select(Lease).join(Dealer, Dealer.id == Lease.dealer_id).where(Dealer.code == f"D{number:02d}")
    return session.scalars(of_dealer.where(Lease.mall_id == mall.id)).one()
