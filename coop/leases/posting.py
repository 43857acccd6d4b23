"""Charges posted exactly once: rent, commission and fees, each with its working.

What was posted before is left alone; where it now comes to another amount (sales came in since, a space grew, a lease ended) the
difference posts under the next change number, so that a charge posted twice is still owed once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from coop.books.accounts import dealer_account, income_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, Period
from coop.books.service import post_entries, posting_date
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.jobs import name_job, short_job
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases import queries
from coop.leases.domain import Rent, TermsError, commission
from coop.leases.domain.commission import Sold, tiered_commission
from coop.leases.domain.turns import NOTHING_LESS, points_less_turns
from coop.leases.models import Charge, Lease, LeaseRule
from coop.leases.rents import OF_RENT, RentDraft, SalesBetween, month_rents
from coop.leases.rules import rules_on
from coop.leases.terms import CommissionTerm, holds_on, read_term

INCOME = {
    "rent": "Booth-rent",
    "case": "Case-rent",
    "shelf": "Shelf-rent",
    "wall": "Wall-rent",
    "commission": "Commission",
    "fee": "Fees",
    "late": "Late-fees",
    "overflow": "Overflow-rent",
    "turn": "Turns",
    "card": "Card-cost-recovered",
}
"""Kinds of charge, and of their entries, with the income they are."""
SoldBy = Callable[[set[int]], Mapping[int, Sequence[Sold]]]
"""The items that dealers (by id) sold in the month, handed in: by dealer id."""


class NoLease(Refusal):
    """A dealer sold and has no lease to be charged under."""

    def __init__(self, dealer: str, mall: Mall, month: Month) -> None:
        super().__init__(f"Dealer {dealer} has sales in {month.name} but no lease at {mall.name}: make one first.")
        self.dealer = dealer


@dataclass(frozen=True)
class ChargeDraft:
    """What a charge of a month comes to in all, whatever part of it was posted before; `on` is the day of its first posting."""

    lease_id: int
    dealer_id: int
    kind: str
    what: str
    label: str
    rent: Rent
    on: date


@dataclass(frozen=True)
class Standing:
    """What was posted of one charge."""

    lease_id: int
    kind: str
    label: str
    amount_cents: int
    change: int


@dataclass(frozen=True)
class Due:
    """A charge that is to be posted: the draft, what stood before (None: nothing), and what posts now."""

    draft: ChargeDraft
    before: Standing | None

    @property
    def amount_cents(self) -> int:
        return self.draft.rent.amount_cents - (self.before.amount_cents if self.before else 0)

    @property
    def posts(self) -> bool:
        """The first time a charge of nothing is kept too: it says why it is nothing."""
        return self.before is None or self.amount_cents != 0

    @property
    def working(self) -> str:
        stood = self.before.amount_cents if self.before else 0
        if stood < 0:
            return f"{self.draft.rent.working}; {format_dollars(-stood)} was taken off before"
        words = f", less {format_dollars(stood)} charged before" if self.before else ""
        return self.draft.rent.working + words


def charged_before(session: Session, mall_id: int, month: Month) -> dict[tuple[int, str], Standing]:
    """What was posted for a month, by dealer and what it is for.

    By dealer, not by lease: commission charged under the lease that was is not charged again under one made since.
    """
    rows = session.execute(
        select(
            Charge.dealer_id,
            Charge.what,
            func.max(Charge.lease_id),
            func.max(Charge.kind),
            func.max(Charge.label),
            func.sum(Charge.amount_cents),
            func.max(Charge.change),
        )
        .where(Charge.mall_id == mall_id, Charge.first_day == month.first_day)
        .group_by(Charge.dealer_id, Charge.what)
    )
    return {
        (dealer_id, what): Standing(lease_id, kind, label, int(total), change)
        for dealer_id, what, lease_id, kind, label, total, change in rows
    }


def due_rents(
    session: Session,
    mall: Mall,
    month: Month,
    *,
    sales_between: SalesBetween | None = None,
    turns: Mapping[int, int] | None = None,
) -> list[Due]:
    """The month's rents, each with what was posted of it: what `post_rents` posts, and what is settled already."""
    in_advance = rules_on(session, mall.id, month.first_day).in_advance
    drafts = [
        ChargeDraft(r.lease_id, r.dealer_id, r.kind, r.what, r.label, r.rent, _first_posted(r, month, in_advance))
        for r in month_rents(session, mall, month, sales_between=sales_between, turns=turns)
    ]
    before = charged_before(session, mall.id, month)
    there = {(draft.dealer_id, draft.what) for draft in drafts}
    for (dealer_id, what), stood in before.items():
        # Posted in advance for a space that was given up, or a discount that was taken back.
        if (dealer_id, what) in there or not stood.amount_cents or what.partition(":")[0] not in OF_RENT:
            continue
        if (what.startswith("percentage:") and sales_between is None) or (what.startswith("turns:") and turns is None):
            continue
        nothing = Rent(0, "nothing for this month any more")
        drafts.append(ChargeDraft(stood.lease_id, dealer_id, stood.kind, what, stood.label, nothing, month.last_day))
    return [Due(draft, before.get((draft.dealer_id, draft.what))) for draft in drafts]


def _first_posted(rent: RentDraft, month: Month, in_advance: bool) -> date:
    """In advance: on the month's first day, or the first that is held. In arrears, and what the sales decide: on its last."""
    return rent.begins_on if in_advance and not rent.what.startswith("percentage:") else month.last_day


def post_rents(
    session: Session,
    now: datetime,
    mall: Mall,
    month: Month,
    *,
    lease: Lease | None = None,
    sales_between: SalesBetween | None = None,
    turns: Mapping[int, int] | None = None,
) -> int:
    """Post the month's rent of every leased space of a mall, or of one lease's; how many charges were new.

    `sales_between` (net sales by dealer id over days) makes percentage rent due too: hand it in when the month's sales are known.
    `turns` are turns worked in the month, by dealer id; without them nothing of turns is posted, or taken back.
    For a month that is closed, differences are dated in the open month.
    Refuses, naming each space, when a zone has no rate in force or terms cannot be computed: then nothing is posted.
    """
    hold_charges(session, mall)
    due = due_rents(session, mall, month, sales_between=sales_between, turns=turns)
    return post_due(session, now, mall, month, [each for each in due if lease is None or each.draft.lease_id == lease.id])


def post_commissions(
    session: Session,
    now: datetime,
    mall: Mall,
    month: Month,
    net_by_dealer: Mapping[int, int],
    *,
    sold_by: SoldBy | None = None,
    turns: Mapping[int, int] | None = None,
) -> int:
    """Post each dealer's commission on the month's net sales (cents by dealer id, handed in); how many were new.

    `sold_by` is asked for the items of those whose lease has tiers by item price. Refuses, naming the dealer, when one who sold
    has never had a lease: then nothing is posted.
    """
    hold_charges(session, mall)
    drafts = []
    for dealer_id, lease, rent in _commissions(session, mall, month, net_by_dealer, sold_by, turns):
        if lease is None:
            raise NoLease(session.get_one(Dealer, dealer_id).code, mall, month)
        if isinstance(rent, TermsError):
            raise Refusal(f"{session.get_one(Dealer, dealer_id).code}: {rent}") from rent
        drafts.append(
            ChargeDraft(lease.id, dealer_id, "commission", f"commission:{dealer_id}", "Commission", rent, month.last_day)
        )
    before = charged_before(session, mall.id, month)
    return post_due(session, now, mall, month, [Due(d, before.get((d.dealer_id, d.what))) for d in drafts])


def commissions_so_far(
    session: Session, mall: Mall, month: Month, net_by_dealer: Mapping[int, int], *, sold_by: SoldBy
) -> dict[int, int]:
    """What each dealer's commission on these net sales comes to, in cents by dealer id, by the lease of the month's end.

    Nothing is posted. Whose cannot be worked out, for want of a lease say, is left out: the month-end says why.
    """
    worked_out = _commissions(session, mall, month, net_by_dealer, sold_by, None)
    return {dealer_id: rent.amount_cents for dealer_id, _lease, rent in worked_out if isinstance(rent, Rent)}


def _commissions(
    session: Session,
    mall: Mall,
    month: Month,
    net_by_dealer: Mapping[int, int],
    sold_by: SoldBy | None,
    turns: Mapping[int, int] | None,
) -> Iterator[tuple[int, Lease | None, Rent | TermsError]]:
    """Each dealer's id, the lease she is charged under and what it comes to, or why it cannot be worked out."""
    leases = queries.latest_leases(session, mall.id, month.last_day)
    rules = {dealer_id: _commission_term(lease, month) for dealer_id, lease in leases.items() if dealer_id in net_by_dealer}
    tiered = {dealer_id for dealer_id, rule in rules.items() if rule is not None and rule.tiers}
    items = sold_by(tiered) if tiered and sold_by else {}
    for dealer_id, net_cents in sorted(net_by_dealer.items()):
        lease = leases.get(dealer_id)
        if lease is None:
            yield dealer_id, None, TermsError("There is no lease.")
            continue
        worked = (turns or {}).get(dealer_id, 0)
        try:
            yield dealer_id, lease, _commission(lease, rules[dealer_id], net_cents, items.get(dealer_id), worked)
        except TermsError as error:
            yield dealer_id, lease, error


def commission_of(lease: Lease, month: Month, sold: Sequence[Sold]) -> Rent:
    """What a lease's commission on these items of a month comes to, by the rule of the month's end. Nothing is posted.

    Raises TermsError where its terms cannot be computed by.
    """
    return _commission(lease, _commission_term(lease, month), sum(item.net_cents for item in sold), sold, 0)


def _commission_term(lease: Lease, month: Month) -> CommissionTerm | None:
    """The term in force when the month ends, or when the lease ended."""
    day = min(month.last_day, lease.ends_on or date.max)
    for row in lease.terms:
        if row.kind == "commission":
            term = read_term(row.kind, row.terms, row.starts_on, row.ends_on)
            if isinstance(term, CommissionTerm) and holds_on(term, day):
                return term
    return None


def _commission(lease: Lease, rule: CommissionTerm | None, net_cents: int, items: Sequence[Sold] | None, worked: int) -> Rent:
    if rule is None:
        return commission(net_cents, lease.commission_percent)
    less = points_less_turns(rule.turns, worked) if rule.turns else NOTHING_LESS
    if not rule.tiers:
        return commission(net_cents, lease.commission_percent if rule.percent is None else rule.percent, less)
    if items is None or sum(item.net_cents for item in items) != net_cents:
        raise TermsError(f"Commission by tiers needs the items that make up {format_dollars(net_cents)} of sales.")
    return tiered_commission(items, rule.tiers, less)


def post_fee(
    session: Session,
    now: datetime,
    lease: Lease,
    amount_cents: int,
    *,
    key: str,
    label: str,
    working: str,
    on: date,
    kind: str = "fee",
) -> None:
    """Charge a fee on a day, once a month under its key. Refuses one that is not above zero, and a second."""
    if amount_cents <= 0:
        raise Refusal(f"The fee {label} is {format_dollars(amount_cents)}: write one above zero.")
    mall = session.get_one(Mall, lease.mall_id)
    hold_charges(session, mall)
    day = posting_date(session, mall.id, on)
    month = Month.of(day)
    if (lease.dealer_id, key) in charged_before(session, mall.id, month):
        raise Refusal(f"The fee {label} was charged in {month.name} already.")
    draft = ChargeDraft(lease.id, lease.dealer_id, kind, key, label[:120], Rent(amount_cents, working), day)
    post_due(session, now, mall, month, [Due(draft, None)])


def hold_charges(session: Session, mall: Mall) -> None:
    """Keep others from posting charges of this mall meanwhile: the second of two waits, and then finds nothing left to post."""
    hold_mall(session, mall.id)


def post_due(session: Session, now: datetime, mall: Mall, month: Month, due: Iterable[Due]) -> int:
    """Post what of these charges is to be posted; how many were. The caller holds the mall (`hold_charges`)."""
    due = [each for each in due if each.posts]
    closed_to = posting_date(session, mall.id, month.last_day)
    is_closed = closed_to != month.last_day
    in_advance = rules_on(session, mall.id, month.first_day).in_advance
    today = min(max(local_date(now, mall.timezone), month.first_day), month.last_day)
    accounts = _accounts(session, mall, {each.draft.dealer_id for each in due})
    charges: list[dict[str, Any]] = []
    entries: list[EntryDraft] = []
    for each in due:
        draft, change = each.draft, each.before.change + 1 if each.before else 0
        on = closed_to if is_closed else today if change and in_advance else draft.on
        charges.append(
            {
                "lease_id": draft.lease_id,
                "mall_id": mall.id,
                "dealer_id": draft.dealer_id,
                "kind": draft.kind,
                "what": draft.what,
                "first_day": month.first_day,
                "change": change,
                "label": draft.label,
                "working": each.working,
                "amount_cents": each.amount_cents,
            }
        )
        if each.amount_cents:
            entries.append(
                EntryDraft(
                    mall_id=mall.id,
                    business_date=on,
                    kind=draft.kind,
                    source_kind="lease",
                    source_id=f"{draft.lease_id}/{draft.what}/{month}/{change}",
                    purpose="charge",
                    postings=(
                        (accounts[draft.dealer_id], each.amount_cents),
                        (income_account(session, mall, INCOME[draft.kind]), -each.amount_cents),
                    ),
                    memo=f"{draft.label}, {month}"[:200],
                )
            )
    entry_ids = iter(post_entries(session, now, entries))
    for charge in charges:
        charge["entry_id"] = next(entry_ids) if charge["amount_cents"] else None
    if charges:
        session.execute(insert(Charge), charges)
    return len(charges)


def _accounts(session: Session, mall: Mall, dealer_ids: set[int]) -> dict[int, int]:
    """Each dealer's account at a mall: those there are in one query, the others made."""
    there = select(Account.dealer_id, Account.id).where(Account.kind == "dealer", Account.mall_id == mall.id)
    accounts = {dealer_id: account_id for dealer_id, account_id in session.execute(there) if dealer_id is not None}
    for dealer_id in sorted(dealer_ids - accounts.keys()):
        accounts[dealer_id] = dealer_account(session, mall, session.get_one(Dealer, dealer_id))
    return accounts


# --- by the clock -------------------------------------------------------------------------------------------------------


@short_job("leases.rents")
def _rents_of_malls(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Every day: a job for each mall that has house rules and whose rent is to be posted."""
    for mall in session.scalars(select(Mall).order_by(Mall.id)):
        today = local_date(now, mall.timezone)
        if rents_are_due(session, mall, today):
            name_job(session, now, "leases.rents_of", {"mall_id": mall.id, "day": today.isoformat()}, queue="default")


@short_job("leases.rents_of")
def _rents_of_mall(session: Session, now: datetime, args: dict[str, Any]) -> None:
    post_rents(session, now, session.get_one(Mall, args["mall_id"]), Month.of(date.fromisoformat(args["day"])))


def rents_are_due(session: Session, mall: Mall, today: date) -> bool:
    """Whether the day's month is to be posted: in advance from its first day on, in arrears on its last.

    Only where the co-op has set house rules, and only in a month that the books have come to: the rest is left to the month-end.
    """
    month = Month.of(today)
    if not follows_the_clock(session, mall, month):
        return False
    return rules_on(session, mall.id, month.first_day).in_advance or today == month.last_day


def follows_the_clock(session: Session, mall: Mall, month: Month) -> bool:
    """Whether a mall has house rules and its books have come to a month: they hold it, or the one before, or nothing yet."""
    ruled = select(LeaseRule.id).where(LeaseRule.mall_id == mall.id, LeaseRule.starts_on <= month.last_day).limit(1)
    if session.scalar(ruled) is None:
        return False
    begun = list(session.scalars(select(Period.first_day).where(Period.mall_id == mall.id, Period.first_day <= month.first_day)))
    return not begun or max(begun) >= month.previous.first_day
