"""What each rule of a mall's turns does, in a sentence: on the page Settings, and on the page where the rule is set."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal

from coop.core.templating import dollars, joined
from coop.office.rota_house_queries import WeekOfHours
from coop.office.settings_wording import days
from coop.shifts.domain.hours import weekday_words
from coop.shifts.domain.owed import turns_words
from coop.shifts.rules import TurnRules

Say = Callable[[TurnRules], str]


def _count(number: int, one: str) -> str:
    return f"{number} {one}{'' if number == 1 else 's'}"


def _hours(minutes: int) -> str:
    whole, rest = divmod(minutes, 60)
    return joined([said for said in (whole and _count(whole, "hour"), rest and _count(rest, "minute")) if said]) or "no time"


def _number(turns: Decimal) -> str:
    return turns_words(turns).partition(" ")[0]


def _owed(rules: TurnRules) -> str:
    steps = [
        f"{_number(Decimal(turns) / 100)} more from {_number(Decimal(area) / 100)} sq ft on" for area, turns in rules.owed_by_area
    ]
    more = f", {joined(steps)}" if steps else ""
    return (
        f"A lease owes {turns_words(rules.owed_base)} a month{more}; those who share a booth share them. "
        f"A member owes {_number(rules.owed_most)} at most."
    )


def _limits(rules: TurnRules) -> str:
    return (
        f"Nobody has more than {_count(rules.most_day, 'turn')} a day, {rules.most_week} a week, or turns on more than "
        f"{days(rules.most_in_row)} in a row; between turns on different days lie {_hours(rules.rest_minutes)}."
    )


def _keys(rules: TurnRules) -> str:
    if not rules.keys_at_ends:
        return "Nobody who opens or closes needs a key."
    are = "is" if rules.keys_at_ends == 1 else "are"
    return f"{_count(rules.keys_at_ends, 'key holder')} at least {are} there at opening and at closing."


def _least(rules: TurnRules) -> str:
    if not rules.least_weekdays or rules.least_people == 1:
        return "No day needs more people than its posts do."
    on = weekday_words(rules.least_weekdays)
    return (
        f"At least {rules.least_people} people are there {on if on == 'every day' else f'on {on}'}, as long as the mall is open."
    )


def _no_show(rules: TurnRules) -> str:
    after = f"A turn nobody has come to after {_count(rules.no_show_minutes, 'minute')}"
    what = f"costs {dollars(rules.no_show_cents)}, and is owed no more" if rules.no_show == "charge" else "is owed on"
    return f"Whoever comes more than {_count(rules.late_minutes, 'minute')} after the beginning is late. {after} {what}."


def _buy_out(rules: TurnRules) -> str:
    if rules.buy_out_cents is None:
        return "No turn is bought out."
    return f"A turn is bought out at {dollars(rules.buy_out_cents)}."


def _carried(rules: TurnRules) -> str:
    if rules.carry_most is None:
        return "What is worked beyond, or short, is carried from month to month, however much."
    beyond = f"brings {dollars(rules.credit_cents)} a turn" if rules.credit_cents else "brings nothing"
    return (
        f"At most {turns_words(rules.carry_most)} are carried, up or down: more beyond {beyond}, "
        f"more short costs {dollars(rules.buy_out_cents or 0)} a turn."
    )


TURNS: Mapping[str, Say] = {
    "Owed": _owed,
    "New members": lambda rules: (
        f"A member owes none in the first {days(rules.new_days)} after joining."
        if rules.new_days
        else "A new member owes turns from the first day."
    ),
    "Answers": lambda rules: (
        f"Members say when they can until day {rules.answers_day} of the month before; who says nothing "
        f"{'is free at any time' if rules.silence == 'free' else 'is given no turns that month'}."
    ),
    "Limits": _limits,
    "Keys": _keys,
    "Least number": _least,
    "Holidays": lambda rules: (
        f"The public holidays of {rules.holidays_of} count as holidays." if rules.holidays_of else "No public holidays count."
    ),
    "Reminders": lambda rules: (
        f"Members are reminded {days(rules.remind_days)} before a turn." if rules.remind_days else "Members are not reminded."
    ),
    "Swaps": lambda rules: (
        f"A turn is swapped until {_count(rules.swap_hours, 'hour')} before it."
        if rules.swap_hours
        else "A turn is swapped until it begins."
    ),
    "Substitutes": lambda rules: (
        "A member may pay another for standing in." if rules.paid_substitutes else "Nobody pays another for standing in."
    ),
    "No-shows": _no_show,
    "Closed days": lambda rules: (
        f"A turn on a day the mall stays closed {'counts as worked' if rules.closed == 'worked' else 'is owed on'}."
    ),
    "Buying out": _buy_out,
    "Carried": _carried,
}
UNSET = "No rules of turns are set, so nobody owes any."
"""Said where a mall has set none."""
NO_HOURS = "No opening hours are set."


def hours(week: WeekOfHours) -> str:
    """`Open: Monday to Saturday 10 am to 6 pm; Sunday closed.`"""
    told = [f"{days} closed" if hours == "closed" else f"{days} {hours}" for days, hours in week.lines]
    return f"Open: {'; '.join(told)}."
