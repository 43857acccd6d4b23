"""Leases made, and their charges posted exactly once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.domain import EntryDraft
from coop.books.service import dealer_account, income_account, post_entries
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases import queries
from coop.leases.domain import NoRateError, Rent, commission, month_rent
from coop.leases.models import Charge, Lease, LeaseSpace, RentRate

INCOME = {
    "rent": "Booth-rent",
    "case": "Case-rent",
    "shelf": "Shelf-rent",
    "wall": "Wall-rent",
    "commission": "Commission",
    "fee": "Fees",
}
SPACE_NAMES = {"booth": "Booth", "case": "Case", "shelf": "Shelf", "wall": "Wall"}
_KIND_OF_SPACE = {"booth": "rent", "case": "case", "shelf": "shelf", "wall": "wall"}


def set_rate(session: Session, mall: Mall, zone: str, price: Decimal, *, per: str, starts_on: date) -> RentRate:
    """The price of a zone from a date. Refuses a negative one, one without a zone, and a second one for the same day."""
    if not zone.strip():
        raise Refusal("The rate's zone is empty: name the zone it is for, such as front.")
    if per not in ("sqft", "flat"):
        raise Refusal(f"The rate of zone {zone} is per {per}: use sqft (a square foot a month) or flat (a month).")
    if price < 0:
        raise Refusal(f"The rate of zone {zone} is {price}: it cannot be negative.")
    taken = select(RentRate.id).where(RentRate.mall_id == mall.id, RentRate.zone == zone, RentRate.starts_on == starts_on)
    if session.scalar(taken) is not None:
        raise Refusal(f"Zone {zone} has a rate from {starts_on} already: choose another day.")
    rate = RentRate(mall_id=mall.id, zone=zone, per=per, price=price, starts_on=starts_on)
    session.add(rate)
    session.flush()
    return rate


def make_lease(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    *,
    starts_on: date,
    commission_percent: Decimal,
    spaces: Sequence[Space] = (),
    ends_on: date | None = None,
) -> Lease:
    """A lease on spaces as measured.

    Refuses dates that run backwards, a commission that is no percent, a space of another mall, and one leased in these dates.
    """
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"The lease of {dealer.code} ends on {ends_on}, before it starts on {starts_on}.")
    if not 0 <= commission_percent <= 100:
        raise Refusal(f"A commission of {commission_percent} percent for {dealer.code} is not between 0 and 100.")
    elsewhere = [space.code for space in spaces if space.mall_id != mall.id]
    if elsewhere:
        raise Refusal(f"Space {elsewhere[0]} is not in {mall.name}: a lease is of one mall.")
    lease = Lease(
        dealer_id=dealer.id,
        mall_id=mall.id,
        starts_on=starts_on,
        ends_on=ends_on,
        commission_percent=commission_percent,
        created_at=now,
    )
    session.add(lease)
    session.flush()
    for space in spaces:
        held = session.scalar(
            select(LeaseSpace.id).where(
                LeaseSpace.space_id == space.id,
                (LeaseSpace.ends_on.is_(None)) | (LeaseSpace.ends_on >= starts_on),
                LeaseSpace.starts_on <= (ends_on or date.max),
            )
        )
        if held is not None:
            raise Refusal(f"Space {space.code} is leased already in these dates: end that lease first.")
        session.add(
            LeaseSpace(
                lease_id=lease.id,
                space_id=space.id,
                starts_on=starts_on,
                ends_on=ends_on,
                leased_area_sqft100=space.measured_area_sqft100,
            )
        )
    session.flush()
    return lease


@dataclass(frozen=True)
class ChargeDraft:
    """A charge to be posted once."""

    lease_id: int
    dealer: Dealer
    kind: str
    what: str
    label: str
    rent: Rent


def post_charges(session: Session, now: datetime, mall: Mall, month: Month, drafts: Sequence[ChargeDraft]) -> int:
    """Post charges, dated on the last day of their month; how many were posted.

    What was posted before is left alone; where it was posted for another amount (sales came in since, a space grew) the
    difference posts under the next change number, so that a charge posted twice is still owed once.
    """
    # By dealer, not by lease: commission charged under the lease that was is not charged again under one made since.
    before: dict[tuple[int, str], tuple[int, int]] = {}
    for dealer_id, what, total, change in session.execute(
        select(Charge.dealer_id, Charge.what, func.sum(Charge.amount_cents), func.max(Charge.change))
        .where(Charge.mall_id == mall.id, Charge.first_day == month.first_day)
        .group_by(Charge.dealer_id, Charge.what)
    ):
        before[(dealer_id, what)] = (int(total), change)
    charges: list[Charge] = []
    entries: list[EntryDraft] = []
    for draft in drafts:
        stood = before.get((draft.dealer.id, draft.what))
        amount = draft.rent.amount_cents - (stood[0] if stood else 0)
        if stood and not amount:
            continue
        change = stood[1] + 1 if stood else 0
        working = f"{draft.rent.working}, less {format_dollars(stood[0])} charged before" if stood else draft.rent.working
        charges.append(
            Charge(
                lease_id=draft.lease_id,
                mall_id=mall.id,
                dealer_id=draft.dealer.id,
                kind=draft.kind,
                what=draft.what,
                first_day=month.first_day,
                change=change,
                label=draft.label,
                working=working[:200],
                amount_cents=amount,
            )
        )
        if amount:
            entries.append(
                EntryDraft(
                    mall_id=mall.id,
                    business_date=month.last_day,
                    kind=draft.kind,
                    source_kind="lease",
                    source_id=f"{draft.lease_id}/{draft.what}/{month}/{change}",
                    purpose="charge",
                    postings=(
                        (dealer_account(session, mall, draft.dealer), amount),
                        (income_account(session, mall, INCOME[draft.kind]), -amount),
                    ),
                    memo=f"{draft.label}, {month}"[:200],
                )
            )
    for charge, entry_id in zip((c for c in charges if c.amount_cents), post_entries(session, now, entries), strict=True):
        charge.entry_id = entry_id
    session.add_all(charges)
    session.flush()
    return len(charges)


def post_rents(session: Session, now: datetime, mall: Mall, month: Month) -> int:
    """Post the month's rent of every leased space of a mall; how many were new.

    Refuses, naming the space, when a zone has no rate in force: then nothing is posted.
    """
    rates = queries.rates_by_zone(session, mall.id)
    dealers = _dealers(session)
    drafts = []
    for lease in queries.leases_in(session, mall.id, month):
        for held in lease.spaces:
            last = min(d for d in (held.ends_on, lease.ends_on, date.max) if d is not None)
            if held.starts_on > month.last_day or last < month.first_day:
                continue
            space = held.space
            name = f"{SPACE_NAMES[space.kind]} {space.code}"
            try:
                rent = month_rent(
                    month,
                    area_sqft100=held.leased_area_sqft100,
                    rates=rates.get(space.zone, []),
                    starts_on=held.starts_on,
                    ends_on=None if last == date.max else last,
                )
            except NoRateError as error:
                raise Refusal(f"{name} is in zone {space.zone}, and {error}: set a rate for that zone first.") from error
            drafts.append(
                ChargeDraft(lease.id, dealers[lease.dealer_id], _KIND_OF_SPACE[space.kind], f"space:{held.id}", name, rent)
            )
    return post_charges(session, now, mall, month, drafts)


def post_commissions(session: Session, now: datetime, mall: Mall, month: Month, net_by_dealer: Mapping[int, int]) -> int:
    """Post each dealer's commission on the month's net sales (cents by dealer id, handed in); how many were new.

    Refuses, naming the dealer, when one who sold has never had a lease: then nothing is posted.
    """
    dealers = _dealers(session)
    drafts = []
    for dealer_id, net_cents in sorted(net_by_dealer.items()):
        lease = queries.latest_lease(session, mall.id, dealer_id, month.last_day)
        if lease is None:
            code = dealers[dealer_id].code
            raise Refusal(f"Dealer {code} has sales in {month.name} but no lease at {mall.name}: make one first.")
        drafts.append(
            ChargeDraft(
                lease.id,
                dealers[dealer_id],
                "commission",
                f"commission:{dealer_id}",
                "Commission",
                commission(net_cents, lease.commission_percent),
            )
        )
    return post_charges(session, now, mall, month, drafts)


def _dealers(session: Session) -> dict[int, Dealer]:
    return {dealer.id: dealer for dealer in session.scalars(select(Dealer))}
