"""A lease's stored term said back in one sentence, and the words of its house rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from coop.core.checked_json import cents_of
from coop.core.periods import Month
from coop.core.templating import day, dollars, joined, percent

KINDS: Mapping[str, str] = {
    "discount": "Discount",
    "escalation": "Increase agreed beforehand",
    "percentage": "Rent by sales",
    "commission": "Commission by another rule",
}
"""What a person calls each kind of term."""
PRORATION: Mapping[str, str] = {
    "actual": "by the days of its month",
    "thirty": "by a month of thirty days",
    "year365": "by a year of 365 days",
}
UNITS: Mapping[str, str] = {"sqft": "a square foot a month", "foot": "a linear foot a month", "flat": "a month, flat"}
ORDERS: Mapping[str, str] = {
    "neighbour,member,first_come": "a member with a space next to it, then a member, then who has waited longest",
    "neighbour,first_come": "a member with a space next to it, then who has waited longest",
    "member,neighbour,first_come": "a member (one with a space next to it before others), then who has waited longest",
    "member,first_come": "a member, then who has waited longest",
    "first_come": "who has waited longest",
}
"""Orders of the waiting list by their rules, in words. A member is one in good standing."""
REASONS: Mapping[str, str] = {
    "introductory": "For its first months",
    "member": "For a member",
    "prepayment": "For paying ahead",
    "turns": "For turns worked",
}


def term_sentence(kind: str, terms: Mapping[str, Any], starts_on: date, ends_on: date | None) -> str:
    """What a checked term does, and when."""
    if ends_on is None:
        when = f"From {day(starts_on)} on"
    else:
        when = f"On {day(starts_on)}" if ends_on == starts_on else f"From {day(starts_on)} to {day(ends_on)}"
    return f"{when}, {_WORDS[kind](terms)}."


def _rate(text: str) -> str:
    return percent(Decimal(text))


def _turn_part(terms: Mapping[str, Any]) -> str:
    owed, most = terms.get("owed", 0), terms.get("at_most")
    parts = [f" beyond the {owed} owed" if owed else ""]
    if most is not None:
        parts.append(f", counting {most} at most")
    return "".join(parts)


def _discount(terms: Mapping[str, Any]) -> str:
    amount = _rate(terms["percent"]) if "percent" in terms else dollars(cents_of(terms["dollars"]))
    if terms["reason"] == "turns":
        return f"each turn worked{_turn_part(terms)} takes {amount} off the rent"
    each = "" if "percent" in terms else " a month"
    return f"the rent is {amount}{each} less {terms['name']}"


def _every(months: int) -> str:
    if months == 12:
        return "every year"
    return "every month" if months == 1 else f"every {months} months"


def _escalation(terms: Mapping[str, Any]) -> str:
    every = _every(terms.get("every_months", 12))
    if terms["how"] == "percent":
        change = Decimal(terms["percent"])
        return f"the rent {'rises' if change >= 0 else 'falls'} by {percent(abs(change))} {every}"
    if terms["how"] == "steps":
        steps = [
            f"by {percent(abs(Decimal(step['percent'])))}{' less' if Decimal(step['percent']) < 0 else ''} "
            f"on {day(date.fromisoformat(step['on']))}"
            for step in terms["steps"]
        ]
        return f"the rent rises {joined(steps)}"
    lag = terms.get("lag_months", 2)
    before = f"the index of {lag} {'month' if lag == 1 else 'months'} before" if lag else "the index of that month"
    bounds = [f"{words} {_rate(terms[key])}" for key, words in (("floor", "at least"), ("cap", "at most")) if key in terms]
    base = Month.parse(terms["base"]).name
    held = f", {joined(bounds)} each time" if bounds else ""
    return f"the rent follows {terms['series']} {every}, by {before}, first against {base}{held}"


def _percentage(terms: Mapping[str, Any]) -> str:
    period = terms.get("period", "month")
    if "breakpoint" in terms:
        above = f"above {dollars(cents_of(terms['breakpoint']))} a {period}"
    else:
        above = f"above what the {period}'s rent is {_rate(terms['percent'])} of"
    return f"{_rate(terms['percent'])} of the sales {above} is paid beside the rent"


def _commission(terms: Mapping[str, Any]) -> str:
    if "tiers" in terms:
        parts = [
            f"{_rate(tier['percent'])} of items up to {dollars(cents_of(tier['upto']))}"
            if "upto" in tier
            else f"{_rate(tier['percent'])} of {'dearer ones' if len(terms['tiers']) > 1 else 'every item'}"
            for tier in terms["tiers"]
        ]
        said = f"the commission is {joined(parts)}"
    elif "percent" in terms:
        said = f"the commission is {_rate(terms['percent'])}"
    else:
        said = "the commission is the lease's own"
    if "turns" in terms:
        turns = terms["turns"]
        points = "point" if Decimal(turns["percent"]) == 1 else "points"
        said += f", less {_rate(turns['percent']).removesuffix('%')} {points} for each turn worked{_turn_part(turns)}"
    return said


_WORDS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "discount": _discount,
    "escalation": _escalation,
    "percentage": _percentage,
    "commission": _commission,
}

STATES: Mapping[str, str] = {
    "fixed": "for a fixed term",
    "monthly": "by the month",
    "noticed": "notice given",
    "moved_out": "moved out",
    "ended": "ended",
}
"""What a lease is on a day, in words."""
