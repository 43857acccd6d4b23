"""What holds a dealer's payout of a month: found from her papers, her charges and her balance, or said by a person.

Each reason holds, until a person decides that she is paid all the same; the newest decision counts. A decision is of what was
there when it was made: on new bank details, a hold by hand and a dispute that came after it, it says nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, select, true
from sqlalchemy.orm import InstrumentedAttribute, Session

from coop.books.rules import Rules, rules_on
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.dealers.models import Dealer, PayoutDetail
from coop.dealers.paying import details_of, forms_of
from coop.dealers.second_person import require_not_own
from coop.floor.models import Mall
from coop.leases.domain.settlement import arrears
from coop.leases.models import Charge, Dispute
from coop.leases.settling import accounts_of
from coop.payouts.domain.payable import Payable
from coop.payouts.models import HoldDecision, PayoutHold
from coop.payouts.queries import codes_of, coop_zone, malls_in, payables

TAX_FORM, DISPUTE, MINIMUM, ARREARS, NEW_DETAILS, BY_HAND = KINDS = (
    "tax form",
    "dispute",
    "minimum",
    "arrears",
    "new bank details",
    "by hand",
)
TO_DECIDE = (DISPUTE, ARREARS, BY_HAND)
"""Kinds that a person has to say a word on before a month is locked."""


@dataclass(frozen=True)
class HoldReason:
    """One thing that holds a dealer's payout, and what a person decided of it."""

    kind: str
    words: str
    pays: bool | None = None
    """True: she is paid all the same. False: she is not. None: nobody has decided, and she is not."""
    said: str = ""
    """Why it was decided so."""


def is_held(reasons: Iterable[HoldReason]) -> bool:
    return any(reason.pays is not True for reason in reasons)


def hold_reasons(
    session: Session,
    now: datetime,
    month: Month,
    *,
    dealer_id: int | None = None,
    owed: Mapping[int, Payable] | None = None,
) -> dict[int, tuple[HoldReason, ...]]:
    """What holds each dealer who is owed something at a mall, by dealer id; one whom nothing holds is not there.

    By the house rules of money of the month's last day. `owed` are the month's payables where the caller has them.
    """
    if owed is None:
        owed = payables(session, month, dealer_id=dealer_id)
    owed = {dealer: one for dealer, one in owed.items() if any(part.amount_cents > 0 for part in one.parts)}
    rules = rules_on(session, month.last_day)
    found = _Found({dealer: [] for dealer in owed}, _decisions(session, month, dealer_id), coop_zone(session))
    if rules.tax_form_needed:
        forms = forms_of(session)
        for dealer in owed.keys() - forms.keys():
            found.add(dealer, TAX_FORM, "there is no tax form on file")
    _find_disputes(session, found, dealer_id)
    for dealer, one in owed.items():
        if 0 < one.amount_cents < rules.payout_minimum_cents:
            least = format_dollars(rules.payout_minimum_cents)
            found.add(dealer, MINIMUM, f"{format_dollars(one.amount_cents)} is less than the smallest payout, {least}")
    _find_arrears(session, now, month, found, dealer_id)
    _find_new_details(session, now, rules, found)
    holds = select(PayoutHold).where(PayoutHold.lifted_at.is_(None), _of(PayoutHold.dealer_id, dealer_id))
    for hold in session.scalars(holds):
        found.add(hold.dealer_id, BY_HAND, f"held by hand: {hold.reason}", since=hold.placed_at)
    return {dealer: tuple(sorted(each, key=_order)) for dealer, each in found.reasons.items() if each}


def undecided(session: Session, now: datetime, mall: Mall, month: Month) -> list[str]:
    """A sentence for each dealer of a mall on whose payout a person has yet to decide before the month is locked."""
    owed = payables(session, month)
    here = {
        dealer: one for dealer, one in owed.items() if one.amount_cents > 0 and any(part.mall_id == mall.id for part in one.parts)
    }
    reasons = hold_reasons(session, now, month, owed=here)
    codes = codes_of(session)
    return [
        f"{codes[dealer]}: {reason.words}. Decide whether the payout goes out."
        for dealer, each in sorted(reasons.items(), key=lambda one: codes[one[0]])
        for reason in each
        if reason.kind in TO_DECIDE and reason.pays is None
    ]


def decide_hold(
    session: Session,
    now: datetime,
    month: Month,
    dealer: Dealer,
    *,
    kind: str,
    pays: bool,
    reason: str,
    user_id: int | None = None,
) -> HoldDecision:
    """Say whether a dealer is paid for a month although something holds her; the newest word counts.

    Refuses what does not hold her, no reason, one's own payout, and letting new bank details pass by whoever entered them: before
    the wait is over they need a second person.
    """
    reason = reason.strip()
    if not 0 < len(reason) <= 200:
        raise Refusal("Say in at most 200 characters why it is decided so.")
    standing = hold_reasons(session, now, month, dealer_id=dealer.id).get(dealer.id, ())
    if kind not in {one.kind for one in standing}:
        raise Refusal(f"{dealer.code} is not held for that in {month.name}: {_listed(standing)}.")
    require_not_own(session, user_id, dealer.id, "your own payout")
    if kind == NEW_DETAILS and pays:
        changed_by = details_of(session)[dealer.id].changed_by
        if user_id is None or user_id == changed_by:
            raise Refusal(
                f"The bank details of {dealer.code} are new: before the wait is over, somebody else than who entered them "
                "has to let them pass."
            )
    decision = HoldDecision(
        first_day=month.first_day,
        dealer_id=dealer.id,
        kind=kind,
        pays=pays,
        reason=reason,
        decided_by=user_id,
        decided_at=now,
    )
    session.add(decision)
    session.flush()
    audit.record(
        session,
        now,
        "payout let pass" if pays else "payout held",
        "dealer",
        dealer.code,
        user_id=user_id,
        detail=f"{month}, {kind}",
    )
    return decision


def place_hold(session: Session, now: datetime, dealer: Dealer, reason: str, *, user_id: int | None = None) -> PayoutHold:
    """Stop a dealer's payouts until somebody lifts it. Refuses a second while one stands, and no reason."""
    reason = reason.strip()
    if not 0 < len(reason) <= 200:
        raise Refusal("Say in at most 200 characters why the payout is held.")
    session.execute(select(Dealer.id).where(Dealer.id == dealer.id).with_for_update(key_share=True))
    if open_hold(session, dealer.id) is not None:
        raise Refusal(f"The payouts of {dealer.code} are held by hand already.")
    hold = PayoutHold(dealer_id=dealer.id, reason=reason, placed_by=user_id, placed_at=now)
    session.add(hold)
    session.flush()
    audit.record(session, now, "payouts held by hand", "dealer", dealer.code, user_id=user_id)
    return hold


def lift_hold(session: Session, now: datetime, dealer: Dealer, *, user_id: int | None = None) -> None:
    """Let a dealer's payouts go again. Refuses where none is held by hand, and one's own."""
    session.execute(select(Dealer.id).where(Dealer.id == dealer.id).with_for_update(key_share=True))
    hold = open_hold(session, dealer.id)
    if hold is None:
        raise Refusal(f"The payouts of {dealer.code} are not held by hand.")
    require_not_own(session, user_id, dealer.id, "your own payout")
    hold.lifted_by, hold.lifted_at = user_id, now
    session.flush()
    audit.record(session, now, "hold by hand lifted", "dealer", dealer.code, user_id=user_id)


def open_hold(session: Session, dealer_id: int) -> PayoutHold | None:
    """The hold by hand that stands on a dealer."""
    standing = select(PayoutHold).where(PayoutHold.dealer_id == dealer_id, PayoutHold.lifted_at.is_(None))
    return session.scalar(standing.execution_options(populate_existing=True))


# --- what is found ------------------------------------------------------------------------------------------------------


class _Found:
    """Reasons as they are found, each with the newest decision on it that still counts."""

    def __init__(self, reasons: dict[int, list[HoldReason]], decisions: dict[tuple[int, str], HoldDecision], zone: str) -> None:
        self.reasons, self.decisions, self.zone = reasons, decisions, zone

    def add(self, dealer_id: int, kind: str, words: str, *, since: datetime | None = None, since_day: date | None = None) -> None:
        """`since`, or the day, is when what holds her came to be: what was decided before it does not count."""
        if dealer_id not in self.reasons:
            return
        decision = self.decisions.get((dealer_id, kind))
        if decision is not None and since is not None and decision.decided_at < since:
            decision = None
        if decision is not None and since_day is not None and local_date(decision.decided_at, self.zone) < since_day:
            decision = None
        pays, said = (decision.pays, decision.reason) if decision else (None, "")
        self.reasons[dealer_id].append(HoldReason(kind, words, pays, said))


def _decisions(session: Session, month: Month, dealer_id: int | None) -> dict[tuple[int, str], HoldDecision]:
    rows = session.scalars(
        select(HoldDecision)
        .where(HoldDecision.first_day == month.first_day, _of(HoldDecision.dealer_id, dealer_id))
        .order_by(HoldDecision.id)
    )
    return {(row.dealer_id, row.kind): row for row in rows}


def _find_disputes(session: Session, found: _Found, dealer_id: int | None) -> None:
    rows = session.execute(
        select(Charge.dealer_id, Charge.label, Charge.first_day, Dispute.opened_on)
        .join(Dispute, Dispute.charge_id == Charge.id)
        .where(Dispute.closed_on.is_(None), _of(Charge.dealer_id, dealer_id))
        .order_by(Dispute.id)
    )
    disputed: dict[int, list[tuple[str, date]]] = {}
    for dealer, label, first_day, opened_on in rows:
        disputed.setdefault(dealer, []).append((f"{label}, {Month.of(first_day).name}", opened_on))
    for dealer, each in disputed.items():
        words = f"in dispute: {'; '.join(label for label, _ in each)}"
        found.add(dealer, DISPUTE, words, since_day=max(opened_on for _, opened_on in each))


def _find_arrears(session: Session, now: datetime, month: Month, found: _Found, dealer_id: int | None) -> None:
    """What was due by the month's end and is still open: mostly at another mall, for what she sold at one settles its own."""
    late: dict[int, list[str]] = {}
    for mall in malls_in(session, month) if found.reasons else ():
        on = max(local_date(now, mall.timezone), month.next.first_day)
        accounts = accounts_of(session, mall.id, month.last_day, money_through=on, dealer_id=dealer_id)
        for dealer, account in accounts.items():
            if dealer not in found.reasons:
                continue
            due = [owed for owed in account.owed if owed.due_on <= month.last_day]
            cents = arrears(due, account.paid, on).late_cents
            if cents > 0:
                late.setdefault(dealer, []).append(f"{format_dollars(cents)} at {mall.code}")
    for dealer, each in late.items():
        found.add(dealer, ARREARS, f"owed since before the end of {month.name}: {', '.join(each)}")


def _find_new_details(session: Session, now: datetime, rules: Rules, found: _Found) -> None:
    details: Mapping[int, PayoutDetail] = details_of(session)
    wait = timedelta(days=rules.bank_wait_days)
    for dealer, detail in details.items():
        if detail.method == "ach" and now < detail.changed_at + wait:
            free = written(local_date(detail.changed_at + wait, found.zone))
            found.add(dealer, NEW_DETAILS, f"the bank details are new and wait until {free}", since=detail.changed_at)


def free_from(session: Session, now: datetime, detail: PayoutDetail | None) -> date | None:
    """The day from which money goes to new bank details, by the house rules of today; None where nothing waits."""
    return None if detail is None else free_days(session, now, [detail]).get(detail.dealer_id)


def free_days(session: Session, now: datetime, details: Iterable[PayoutDetail]) -> dict[int, date]:
    """That day for each dealer whose details wait, by dealer id."""
    zone = coop_zone(session)
    wait = timedelta(days=rules_on(session, local_date(now, zone)).bank_wait_days)
    return {
        detail.dealer_id: local_date(detail.changed_at + wait, zone)
        for detail in details
        if detail.method == "ach" and now < detail.changed_at + wait
    }


def _of(column: InstrumentedAttribute[int], dealer_id: int | None) -> ColumnElement[bool]:
    return true() if dealer_id is None else column == dealer_id


def _order(reason: HoldReason) -> int:
    return KINDS.index(reason.kind)


def _listed(reasons: Iterable[HoldReason]) -> str:
    kinds = [reason.kind for reason in reasons]
    return f"what holds is {', '.join(kinds)}" if kinds else "nothing holds"
