"""What can be done with a lease or a space it holds: for each act its form, what it says, and the one service it calls."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from flask_wtf import FlaskForm
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day
from coop.floor import queries as floor
from coop.floor.models import Mall
from coop.leases import agreements, changing, deposits, holding, leaving
from coop.leases.domain.notice import increase_from, term_ends_on
from coop.leases.models import Lease, LeaseSpace
from coop.leases.pricing import named
from coop.leases.rules import rules_on
from coop.office.lease_forms import (
    AddSpaceForm,
    DayForm,
    DepositForm,
    GiveUpForm,
    NoticeForm,
    RenewForm,
    RepriceForm,
    ResizeForm,
    SettleForm,
    SharesForm,
    SignForm,
)
from coop.office.lease_queries import dealer_names


@dataclass(frozen=True)
class On:
    """What an act is done to, by whom and when. Acts of a lease have no span."""

    session: Session
    now: datetime
    mall: Mall
    lease: Lease
    user_id: int
    today: date
    span: LeaseSpace | None = None

    @property
    def held(self) -> LeaseSpace:
        assert self.span is not None
        return self.span


@dataclass(frozen=True)
class Act:
    """One thing that can be done."""

    title: str
    button: str
    lead: str
    form: type[FlaskForm]
    hints: Mapping[str, str]
    """By field; every field of the form is shown, in the form's order."""
    told_at: str
    """The field that a refusal is told at."""
    fill: Callable[[On], dict[str, Any]]
    do: Callable[[On, Any], str]
    """Does it; what was done, in a sentence."""
    prepare: Callable[[On, Any], None] | None = None
    """Gives the form what there is to choose from."""
    caution: bool = False


def _today(on: On) -> dict[str, Any]:
    return {"on": on.today}


# --- acts of a lease --------------------------------------------------------------------------------------------------------


def _sign(on: On, form: SignForm) -> str:
    agreements.sign_on_paper(on.session, on.now, on.lease, name=form.name.data, on=form.on.data, user_id=on.user_id)
    return f"The lease is signed by {on.lease.signed_name} on {day(form.on.data)}."


def _renew_fill(on: On) -> dict[str, Any]:
    runs = on.lease.term_ends_on
    return {"term_ends_on": term_ends_on(runs + timedelta(days=1), 6) if runs and runs >= on.today else None}


def _renew(on: On, form: RenewForm) -> str:
    agreements.renew_lease(on.session, on.now, on.lease, term_ends_on=form.term_ends_on.data, user_id=on.user_id)
    return f"The lease is renewed through {day(form.term_ends_on.data)}."


def _notice_fill(on: On) -> dict[str, Any]:
    return {"given_on": on.today, "last_day": leaving.first_last_day(on.lease, on.today)}


def _notice(on: On, form: NoticeForm) -> str:
    last = leaving.give_notice(
        on.session,
        on.now,
        on.lease,
        by=form.by.data,
        given_on=form.given_on.data,
        last_day=form.last_day.data,
        agreed=form.agreed.data,
        user_id=on.user_id,
    )
    return f"Notice is given: the last day is {day(last)}. It can be taken back until then."


def _move_out(on: On, form: DayForm) -> str:
    leaving.move_out(on.session, on.now, on.lease, on=form.on.data, user_id=on.user_id)
    return f"Moved out on {day(form.on.data)}. Go through the list next."


def _deposit_fill(on: On) -> dict[str, Any]:
    left = on.lease.deposit_cents - deposits.deposit_held(on.session, on.lease)
    return {"amount": left if left > 0 else None, "on": on.today}


def _deposit(on: On, form: DepositForm) -> str:
    line = deposits.take_deposit(
        on.session,
        on.now,
        on.lease,
        form.amount.data,
        on=form.on.data,
        reference=form.reference.data,
        from_account=form.how.data == "account",
        user_id=on.user_id,
    )
    return f"{format_dollars(line.amount_cents)} is taken as a deposit."


def _settle(on: On, form: SettleForm) -> str:
    settled = leaving.settle_leaving(
        on.session,
        on.now,
        on.lease,
        on=form.on.data,
        damages=form.deductions(),
        reference=form.reference.data,
        user_id=on.user_id,
    )
    owing = f" {format_dollars(settled.owing_cents)} more than the deposit is still owed." if settled.owing_cents else ""
    return f"The deposit is settled: {format_dollars(settled.returned_cents)} goes back.{owing}"


def _free_spaces(on: On, form: Any) -> None:
    form.space.among([(str(s.id), named(s)) for s in floor.spaces_of(on.session, on.mall.id, on.today)], "choose a space")


def _next_first(on: On) -> dict[str, Any]:
    return {"on": max(Month.of(on.today).next.first_day, on.lease.starts_on)}


def _add_space(on: On, form: AddSpaceForm) -> str:
    spaces = {str(space.id): space for space in floor.spaces_of(on.session, on.mall.id, on.today)}
    asked = form.asked(spaces)
    held = holding.add_space_to_lease(on.session, on.now, on.lease, asked, on=form.on.data, user_id=on.user_id)
    return f"{named(asked.space)} is leased with it from {day(held.starts_on)}."


LEASE_ACTS: Mapping[str, Act] = {
    "sign": Act(
        "Signed on paper",
        "Note it as signed",
        "The agreement was printed and signed. Write the name and the day as they stand there; once noted, that stays.",
        SignForm,
        {},
        "on",
        _today,
        _sign,
    ),
    "renew": Act(
        "Renew for a fixed term",
        "Renew the lease",
        "The lease gets a last day that both keep to; after it, it runs on by the month.",
        RenewForm,
        {"term_ends_on": "Six months on is suggested where a term runs."},
        "term_ends_on",
        _renew_fill,
        _renew,
    ),
    "notice": Act(
        "Notice",
        "Note the notice",
        "Rent runs through the last day. The earliest the lease allows is filled in; leave the day empty for just that.",
        NoticeForm,
        {"agreed": "Only for a last day before the earliest one. Otherwise leave it empty."},
        "last_day",
        _notice_fill,
        _notice,
        caution=True,
    ),
    "move-out": Act(
        "Moved out",
        "Note it",
        "The space is empty and handed over. Rent runs to the last day all the same.",
        DayForm,
        {},
        "on",
        _today,
        _move_out,
    ),
    "deposit": Act(
        "Take a deposit",
        "Take the deposit",
        "It is the dealer's money, held apart in the books until it is settled.",
        DepositForm,
        {"amount": "What is agreed and not held yet is filled in."},
        "amount",
        _deposit_fill,
        _deposit,
        caution=True,
    ),
    "settle": Act(
        "Settle the deposit",
        "Settle the deposit",
        "What the dealer owes on the account is taken first, then what you write here; the rest goes back from the bank.",
        SettleForm,
        {},
        "on",
        _today,
        _settle,
        caution=True,
    ),
    "space": Act(
        "Another space",
        "Add the space",
        "It is leased with the others from that day on, as measured and at its zone's rate unless you write otherwise.",
        AddSpaceForm,
        {
            "area": "Empty: as measured.",
            "length": "Where rent goes by the foot. Empty: as measured.",
            "price": "Empty: the rate.",
        },
        "on",
        _next_first,
        _add_space,
        _free_spaces,
    ),
}


# --- acts of a space held ---------------------------------------------------------------------------------------------------


def _span_day(on: On) -> date:
    return max(Month.of(on.today).next.first_day, on.held.starts_on)


def _resize_fill(on: On) -> dict[str, Any]:
    return {"on": _span_day(on), "area": on.held.leased_area_sqft100, "length": on.held.leased_length_in16}


def _resize(on: On, form: ResizeForm) -> str:
    held = changing.resize_space(
        on.session,
        on.now,
        on.held,
        on=form.on.data,
        area_sqft100=form.area.data,
        length_in16=form.length.data,
        user_id=on.user_id,
    )
    return f"{named(held.space)} has its new size from {day(held.starts_on)}; the month's rent counts both parts."


def _reprice_fill(on: On) -> dict[str, Any]:
    days = rules_on(on.session, on.mall.id, on.today).increase_days
    first = increase_from(on.today, days, term_ends_on=on.lease.term_ends_on)
    price = {"price": on.held.agreed_price, "per": on.held.agreed_per or "sqft"}
    return {"on": max(first, on.held.starts_on), "told_on": on.today, **price}


def _reprice(on: On, form: RepriceForm) -> str:
    held = changing.reprice_space(
        on.session,
        on.now,
        on.held,
        on=form.on.data,
        per=form.per.data or None,
        price=form.price.data,
        told_on=form.told_on.data,
        user_id=on.user_id,
    )
    return f"{named(held.space)} has its new price from {day(held.starts_on)}."


def _give_up_fill(on: On) -> dict[str, Any]:
    return {"last_day": Month.of(on.today).last_day}


def _give_up(on: On, form: GiveUpForm) -> str:
    name = named(on.held.space)
    changing.give_up_space(on.session, on.now, on.held, last_day=form.last_day.data, user_id=on.user_id)
    return f"{name} is given up after {day(form.last_day.data)}."


def _running(on: On) -> dict[str, Lease]:
    query = select(Lease).where(Lease.mall_id == on.mall.id, Lease.settled_on.is_(None), Lease.moved_out_on.is_(None))
    return {str(lease.id): lease for lease in on.session.scalars(query.order_by(Lease.dealer_id, Lease.id))}


def _sharers(on: On, form: SharesForm) -> None:
    names = dealer_names(on.session)
    choices = [
        (key, f"{' '.join(names[lease.dealer_id])}, lease of {day(lease.starts_on)}") for key, lease in _running(on).items()
    ]
    for entry in form.shares:
        entry.form.lease.among(choices, "nobody")


def _share_fill(on: On) -> dict[str, Any]:
    there = [{"lease": str(share.lease_id), "percent": share.share_percent} for share in on.held.shares]
    return {"on": _span_day(on), "shares": there or [{"lease": str(on.lease.id), "percent": None}]}


def _share(on: On, form: SharesForm) -> str:
    leases = _running(on)
    shares = [(leases[one.lease.data], one.percent.data) for one in form.used]
    held = changing.share_space(on.session, on.now, on.held, shares, on=form.on.data, user_id=on.user_id)
    if len(shares) == 1:
        return f"{named(held.space)} is not shared any more from {day(held.starts_on)}."
    return f"{named(held.space)} is shared by {len(shares)} from {day(held.starts_on)}. Sales stay separate."


SPAN_ACTS: Mapping[str, Act] = {
    "resize": Act(
        "Grow or shrink",
        "Change the size",
        "What it is now ends the day before; the month of the change counts both parts by their days.",
        ResizeForm,
        {"length": "Where rent goes by the foot."},
        "on",
        _resize_fill,
        _resize,
    ),
    "price": Act(
        "Another price",
        "Change the price",
        "A price for this lease alone. An increase begins after the days of notice, and not within a fixed term.",
        RepriceForm,
        {"price": "Leave it empty, and choose the zone's rate, to follow that again."},
        "on",
        _reprice_fill,
        _reprice,
        caution=True,
    ),
    "share": Act(
        "Share the rent",
        "Share it so",
        "Each pays a percent of the rent, together 100; sales stay separate. One alone with 100 ends the sharing.",
        SharesForm,
        {},
        "on",
        _share_fill,
        _share,
        _sharers,
    ),
    "give-up": Act(
        "Give it up",
        "Give the space up",
        "The lease goes on with its other spaces. To end the whole lease, give notice instead.",
        GiveUpForm,
        {},
        "last_day",
        _give_up_fill,
        _give_up,
    ),
}
