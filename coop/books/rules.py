"""The co-op's dated house rules of money, and what the state says of money nobody asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.models import MoneyRule, Period, ReleaseRule
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.templating import day as written
from coop.dealers.membership import hold_coop

WHAT = ("gift certificates", "unclaimed sales", "stale payouts")
GOES_TO = ("state", "co-op")
NEXT_RENT = ("shown", "netted")
LEAST_RELEASE_DAYS = 365
"""No state lets money nobody asks for go sooner, as far as we know (from memory): a slip of the pen is caught by it."""
LEAST_SOURCE = 10
"""Letters in which a law or an office can be named."""


@dataclass(frozen=True)
class Rules:
    """House rules of money as they hold on a day. Figures: common practice, no source; every one is a setting."""

    card_percent: Decimal = Decimal(0)
    """Of the net card part of a dealer's sales; zero: the co-op absorbs the card cost."""
    surcharge_percent: Decimal = Decimal(0)
    """The most a buyer who pays by card may be charged on top; zero: nothing."""
    journal_limit_cents: int = 100_00
    payout_minimum_cents: int = 0
    bank_wait_days: int = 7
    tax_form_needed: bool = False
    next_rent: str = "shown"
    unclaimed_days: int = 60
    stale_days: int = 180


NO_RULES = Rules()
"""Until a co-op sets its own."""


def rules_on(session: Session, day: date) -> Rules:
    """The house rules of money in force on a day."""
    row = session.scalar(select(MoneyRule).where(MoneyRule.starts_on <= day).order_by(MoneyRule.starts_on.desc()).limit(1))
    if row is None:
        return NO_RULES
    return Rules(**{name: getattr(row, name) for name in Rules.__dataclass_fields__})


def set_rules(session: Session, now: datetime, rules: Rules, *, starts_on: date, user_id: int | None = None) -> MoneyRule:
    """Set the house rules of money from a day on; those already set from that same day are replaced.

    Refuses, naming the field, a percent over a hundred, an amount or a number of days below zero, an unknown choice, and a day of
    a month that a mall has closed: what was charged and stated there went by the rules of then.
    """
    require_rules(rules)
    closed = session.scalar(select(func.max(Period.last_day)).where(Period.state == "closed"))
    if closed is not None and starts_on <= closed:
        raise Refusal(
            f"The books are closed up to {written(closed)}, by the rules of then: "
            f"begin these on {written(closed + timedelta(days=1))} or later."
        )
    hold_coop(session)
    row = session.scalar(select(MoneyRule).where(MoneyRule.starts_on == starts_on))
    if row is None:
        row = MoneyRule(starts_on=starts_on)
        session.add(row)
    for name in Rules.__dataclass_fields__:
        setattr(row, name, getattr(rules, name))
    row.set_by, row.set_at = user_id, now
    session.flush()
    audit.record(session, now, "house rules of money set", "money rules", starts_on.isoformat(), user_id=user_id)
    return row


def change_rules(
    session: Session, now: datetime, rules: Rules, *, starts_on: date, today: date, user_id: int | None = None
) -> MoneyRule:
    """Set the house rules of money as a person does: from today or a later day on. What is loosened is logged, old and new.

    Refuses a past day, by whose rules things were judged already, and what `set_rules` does.
    """
    if starts_on < today:
        raise Refusal(
            f"{written(starts_on)} is past, and was judged by the rules of then: begin these on {written(today)} or later."
        )
    before = rules_on(session, starts_on)
    row = set_rules(session, now, rules, starts_on=starts_on, user_id=user_id)
    loosened = []
    if rules.bank_wait_days < before.bank_wait_days:
        loosened.append(f"wait after new bank details {before.bank_wait_days} days before, {rules.bank_wait_days} now")
    if rules.journal_limit_cents > before.journal_limit_cents:
        limits = f"{format_dollars(before.journal_limit_cents)} before, {format_dollars(rules.journal_limit_cents)} now"
        loosened.append(f"limit of journal entries {limits}")
    if loosened:
        said = "; ".join(loosened)
        audit.record(
            session, now, "house rules of money loosened", "money rules", starts_on.isoformat(), user_id=user_id, detail=said
        )
    return row


def require_rules(rules: Rules) -> None:
    if not 0 <= rules.card_percent <= 100:
        raise Refusal(f"The card cost is {rules.card_percent}%: write a percent from 0 to 100.")
    if not 0 <= rules.surcharge_percent <= 100:
        raise Refusal(f"The surcharge is {rules.surcharge_percent}%: write a percent from 0 to 100.")
    for what, amount in (
        ("limit of journal entries", rules.journal_limit_cents),
        ("smallest payout", rules.payout_minimum_cents),
        ("days to wait after new bank details", rules.bank_wait_days),
        ("days until an unclaimed sale is listed", rules.unclaimed_days),
        ("days until a check is stale", rules.stale_days),
    ):
        if amount < 0:
            raise Refusal(f"The {what} cannot be below zero.")
    if rules.next_rent not in NEXT_RENT:
        raise Refusal(f"Next month's rent is {' or '.join(NEXT_RENT)}, not {rules.next_rent!r}.")


def set_release_rule(
    session: Session,
    now: datetime,
    *,
    what: str,
    starts_on: date,
    after_days: int,
    goes_to: str,
    said_by: str,
    ends_on: date | None = None,
    user_id: int | None = None,
) -> ReleaseRule:
    """Write down what the state says of money nobody asks for. Refuses an unknown kind, no source or one of a few
    letters, less than a year, and a second for one day.
    """
    if what not in WHAT:
        raise Refusal(f"A rule is for {', '.join(WHAT)}, not for {what!r}.")
    if goes_to not in GOES_TO:
        raise Refusal(f"The money goes to the {' or the '.join(GOES_TO)}, not to {goes_to!r}.")
    if not said_by.strip():
        raise Refusal("The source is empty: write which law or office says so.")
    if len(said_by.strip()) < LEAST_SOURCE:
        raise Refusal(f"The source {said_by.strip()!r} is too short to be looked up: write the law's or the office's whole name.")
    if after_days < LEAST_RELEASE_DAYS:
        raise Refusal(f"No state lets go so early as far as we know: write at least {LEAST_RELEASE_DAYS} days, not {after_days}.")
    if ends_on is not None and ends_on < starts_on:
        raise Refusal(f"The rule ends on {written(ends_on)}, before it begins on {written(starts_on)}.")
    for other in release_rules(session):
        if (
            other.what == what
            and (ends_on is None or other.starts_on <= ends_on)
            and (other.ends_on is None or starts_on <= other.ends_on)
        ):
            raise Refusal(f"There is a rule for {what} from {written(other.starts_on)} already: end it first.")
    row = ReleaseRule(
        what=what,
        starts_on=starts_on,
        ends_on=ends_on,
        after_days=after_days,
        goes_to=goes_to,
        said_by=said_by.strip()[:200],
        set_by=user_id,
        set_at=now,
    )
    session.add(row)
    session.flush()
    audit.record(session, now, "release rule set", "release rule", row.id, user_id=user_id, detail=what)
    return row


def end_release_rule(session: Session, now: datetime, rule: ReleaseRule, ends_on: date, *, user_id: int | None = None) -> None:
    """End a rule on a day. Refuses one before it begins, and one after it has ended: another may hold from then on."""
    session.refresh(rule, with_for_update=True)
    if rule.ends_on is not None and ends_on > rule.ends_on:
        raise Refusal(f"The rule ends on {written(rule.ends_on)} already: write a new rule for the days after that.")
    if ends_on < rule.starts_on:
        raise Refusal(f"The rule begins on {written(rule.starts_on)}: it cannot end before, on {written(ends_on)}.")
    rule.ends_on = ends_on
    session.flush()
    audit.record(session, now, "release rule ended", "release rule", rule.id, user_id=user_id)


def release_rules(session: Session) -> Sequence[ReleaseRule]:
    return session.scalars(select(ReleaseRule).order_by(ReleaseRule.what, ReleaseRule.starts_on)).all()


def release_rule_on(session: Session, what: str, day: date) -> ReleaseRule | None:
    """The rule for a kind of money on a day; None: it stays a liability."""
    for rule in release_rules(session):
        if rule.what == what and rule.starts_on <= day and (rule.ends_on is None or day <= rule.ends_on):
            return rule
    return None
