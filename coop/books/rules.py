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
from coop.core.templating import day as written

WHAT = ("gift certificates", "unclaimed sales", "stale payouts")
GOES_TO = ("state", "co-op")
NEXT_RENT = ("shown", "netted")


@dataclass(frozen=True)
class Rules:
    """House rules of money as they hold on a day. Figures: common practice, no source; every one is a setting."""

    card_percent: Decimal = Decimal(0)
    """Of the net card part of a dealer's sales; zero: the co-op absorbs the card cost."""
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
    row = session.scalar(select(MoneyRule).where(MoneyRule.starts_on == starts_on).with_for_update())
    if row is None:
        row = MoneyRule(starts_on=starts_on)
        session.add(row)
    for name in Rules.__dataclass_fields__:
        setattr(row, name, getattr(rules, name))
    row.set_by, row.set_at = user_id, now
    session.flush()
    audit.record(session, now, "house rules of money set", "money rules", starts_on.isoformat(), user_id=user_id)
    return row


def require_rules(rules: Rules) -> None:
    if not 0 <= rules.card_percent <= 100:
        raise Refusal(f"The card cost is {rules.card_percent}%: write a percent from 0 to 100.")
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
    """Write down what the state says of money nobody asks for. Refuses an unknown kind, no source, and a second for one day."""
    if what not in WHAT:
        raise Refusal(f"A rule is for {', '.join(WHAT)}, not for {what!r}.")
    if goes_to not in GOES_TO:
        raise Refusal(f"The money goes to the {' or the '.join(GOES_TO)}, not to {goes_to!r}.")
    if not said_by.strip():
        raise Refusal("The source is empty: write which law or office says so.")
    if after_days < 0:
        raise Refusal("The days after which it may go cannot be below zero.")
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
