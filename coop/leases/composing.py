"""What each letter says, put into words from a lease, an offer, and the books. The agreement is in `agreement_words`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day, dollars, percent, sqft
from coop.dealers.models import Cooperative, Member
from coop.floor.models import Mall, Space
from coop.leases.agreement_words import late_in_words, letter_of, rent_on, spaces_in_words, term_in_words, to_dealer, with_days
from coop.leases.agreements import deposit_asked
from coop.leases.asking import called, dealers_of
from coop.leases.documents import LetterValue, Table
from coop.leases.domain.notice import renewal_notice_by
from coop.leases.domain.settlement import settle
from coop.leases.leaving import BY, list_of, notice_rule
from coop.leases.models import Charge, DepositLine, Lease, Offer, Waiting
from coop.leases.pricing import Asked, known_rates, monthly_rent, named
from coop.leases.rules import rules_on
from coop.leases.settling import accounts_of

_DAY = timedelta(days=1)


# --- offers and terms ---------------------------------------------------------------------------------------------------


def offer(session: Session, made: Offer) -> LetterValue:
    """The offer of a space. To one who is no member it carries no name: papers are kept for good, and she can be forgotten."""
    space, row = session.get_one(Space, made.space_id), session.get_one(Waiting, made.waiting_id)
    member = session.get(Member, row.member_id) if row.member_id is not None else None
    reference = called(row, dealers_of(session, [member.id] if member else []))
    to = (member.name, *member.address.splitlines()) if member else (reference[0].upper() + reference[1:],)
    asked, rates = Asked(space), known_rates(session, space.mall_id)
    rent = monthly_rent(asked, rates, made.starts_on)
    mall, coop = session.get_one(Mall, space.mall_id), session.get_one(Cooperative, 1)
    deposit = deposit_asked(session, mall, [asked], made.starts_on)
    rules = rules_on(session, space.mall_id, made.starts_on)
    return letter_of(
        session,
        space.mall_id,
        "offer",
        made.made_on,
        to,
        reference,
        f"Offer of {named(space)}",
        f"{named(space)} is yours from {day(made.starts_on)} if you say so by {day(made.answer_by)}.",
        body=(
            f"You have been on the waiting list of {mall.name} since {day(row.asked_on)}.",
            f"To take it, answer the co-op by {day(made.answer_by)}. If you do not want it, say so: you keep your place.",
            "After that day the offer has run out, and the space is offered to the next.",
        ),
        terms=(
            ("Space", f"{named(space)}, {sqft(space.measured_area_sqft100)}, zone {space.zone}"),
            ("Rent", f"{dollars(rent.amount_cents)} a whole month: {rent.working}"),
            ("Deposit", f"{dollars(deposit.amount_cents)}: {deposit.working}"),
            ("Commission", f"{percent(coop.commission_percent)} of net sales"),
            ("Notice", f"{rules.notice_days} days"),
            ("Why you", _begun(with_days(made.why.partition(": ")[2]))),
        ),
    )


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def renewal(session: Session, lease: Lease, made_on: date) -> LetterValue:
    """That a fixed term ends, and what happens if nobody says anything. Refuses a lease without one that runs."""
    dealer, to = to_dealer(session, lease)
    ends = lease.term_ends_on
    if ends is None or ends < made_on:
        raise Refusal(f"The lease of {dealer.code} has no term that runs: it goes on by the month.")
    cents, working = rent_on(session, lease, max(made_on, lease.starts_on))
    return letter_of(
        session,
        lease.mall_id,
        "renewal",
        made_on,
        to,
        dealer.code,
        "Your term ends",
        f"The term of your lease of {spaces_in_words(session, lease, ends)} runs through {day(ends)}.",
        body=(
            "Tell the co-op whether you want another term, and for how long. "
            "If nobody says anything, the lease runs on by the month.",
            f"To leave with the term, give notice by {day(renewal_notice_by(ends, notice_rule(lease)))}.",
        ),
        terms=(("Rent now", f"{dollars(cents)} a whole month: {working}"), ("Term", term_in_words(lease))),
    )


def increase(session: Session, lease: Lease, begins_on: date, made_on: date) -> LetterValue:
    """An increase that is on its way, as rent before and after. Refuses when the rent does not rise on that day."""
    dealer, to = to_dealer(session, lease)
    before, how_before = rent_on(session, lease, begins_on - _DAY)
    after, how_after = rent_on(session, lease, begins_on)
    if after <= before:
        raise Refusal(
            f"The rent of {dealer.code} does not rise on {day(begins_on)}: "
            f"it is {dollars(before)} before and {dollars(after)} from then."
        )
    days, demanded = (begins_on - made_on).days, rules_on(session, lease.mall_id, made_on).increase_days
    return letter_of(
        session,
        lease.mall_id,
        "increase",
        made_on,
        to,
        dealer.code,
        "Increase of the rent",
        f"From {day(begins_on)} your rent is {dollars(after)} a month, {dollars(after - before)} more than now.",
        body=(
            f"This tells you {days} days before it begins; the lease asks for {demanded}.",
            f"It is for {spaces_in_words(session, lease, begins_on)}.",
        ),
        tables=(
            Table(
                "Your rent",
                ("When", "How it is worked out", "A whole month"),
                (
                    (f"Through {day(begins_on - _DAY)}", how_before, dollars(before)),
                    (f"From {day(begins_on)}", how_after, dollars(after)),
                    ("More", "", dollars(after - before)),
                ),
                total=True,
            ),
        ),
    )


# --- money and the end --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Open:
    """A charge that is not paid, or not wholly."""

    label: str
    cents: int
    due_on: date
    disputed: bool


def open_charges(session: Session, lease: Lease, on: date) -> list[Open]:
    """What a lease's dealer has open at its mall on a day, the oldest first, as settlements leave it."""
    account = accounts_of(session, lease.mall_id, on, dealer_id=lease.dealer_id).get(lease.dealer_id)
    if account is None:
        return []
    left = settle(account.owed, account.paid, on).open_cents
    owed = sorted((one for one in account.owed if left[one.key]), key=lambda one: (one.due_on, one.key))
    ids = [int(one.key) for one in owed if one.key.isdecimal()]
    labels = {
        f"{charge.id:09d}": f"{charge.label}, {Month.of(charge.first_day).name}"
        for charge in session.scalars(select(Charge).where(Charge.id.in_(ids)))
    }
    return [Open(labels.get(one.key, "Taken from your account"), left[one.key], one.due_on, one.in_dispute(on)) for one in owed]


def arrears(session: Session, lease: Lease, made_on: date) -> LetterValue:
    """What is past due on a dealer's account, charge by charge. Refuses when nothing is."""
    dealer, to = to_dealer(session, lease)
    late = [one for one in open_charges(session, lease, made_on) if one.due_on < made_on]
    total = sum(one.cents for one in late if not one.disputed)
    if not total:
        raise Refusal(f"{dealer.code} owes nothing that is past due on {day(made_on)}.")
    rules = rules_on(session, lease.mall_id, made_on)
    return letter_of(
        session,
        lease.mall_id,
        "arrears",
        made_on,
        to,
        dealer.code,
        "Rent past due",
        f"{dollars(total)} on your account is past due.",
        body=(
            "Pay it at the office, or tell the co-op what is wrong with it: "
            "a charge you dispute bears no late fee until it is decided.",
            late_in_words(rules),
            *(("What is in dispute is listed, and not in the sum.",) if any(one.disputed for one in late) else ()),
        ),
        tables=(
            Table(
                f"Open on {day(made_on)}",
                ("What", "Due", "Open"),
                (
                    *(
                        (f"{one.label}{', in dispute' if one.disputed else ''}", day(one.due_on), dollars(one.cents))
                        for one in late
                    ),
                    ("Past due", "", dollars(total)),
                ),
                total=True,
            ),
        ),
    )


def end(session: Session, lease: Lease, made_on: date) -> LetterValue:
    """That notice was given and taken in, with the last day and what is gone through. Refuses a lease without notice."""
    dealer, to = to_dealer(session, lease)
    if lease.ends_on is None or lease.notice_on is None:
        raise Refusal(f"The lease of {dealer.code} is not under notice: give notice first.")
    items = tuple((item.what, f"done {day(item.done_on)}" if item.done_on else "to do") for item in list_of(session, lease))
    return letter_of(
        session,
        lease.mall_id,
        "end",
        made_on,
        to,
        dealer.code,
        "Your lease ends",
        f"Your lease of {spaces_in_words(session, lease, lease.ends_on)} ends on {day(lease.ends_on)}.",
        body=(
            f"Notice was given by {BY[lease.notice_by]} on {day(lease.notice_on)}. Rent runs through {day(lease.ends_on)}.",
            "The deposit is settled after you have moved out, and your last statement follows.",
            "What is still sold or returned afterwards goes by this lease's rules.",
        ),
        tables=(Table("Gone through when you move out", ("What", "State"), items),) if items else (),
    )


def deposit(session: Session, lease: Lease, made_on: date) -> LetterValue:
    """What became of the deposit, line by line. Refuses while none was taken, or some is still held."""
    dealer, to = to_dealer(session, lease)
    lines = session.scalars(select(DepositLine).where(DepositLine.lease_id == lease.id).order_by(DepositLine.id)).all()
    held = sum(line.amount_cents * (1 if line.kind == "taken" else -1) for line in lines)
    if not lines or held:
        raise Refusal(f"The deposit of {dealer.code} is not settled: {dollars(held)} is held.")
    back = sum(line.amount_cents for line in lines if line.kind == "returned")
    words = {"taken": "Taken", "deducted": "Kept", "returned": "Returned"}
    rows = tuple(
        (
            f"{words[line.kind]} {day(line.on)}",
            line.reason,
            dollars(line.amount_cents if line.kind == "taken" else -line.amount_cents),
        )
        for line in lines
    )
    outcome = f"{dollars(back)} of your deposit was returned to you." if back else "Nothing of your deposit was left to return."
    return letter_of(
        session,
        lease.mall_id,
        "deposit",
        made_on,
        to,
        dealer.code,
        "Your deposit",
        outcome,
        body=("If a deduction looks wrong, answer this letter and name it.",),
        tables=(Table("What became of it", ("When", "For", "Amount"), (*rows, ("Left", "", dollars(held))), total=True),),
    )
