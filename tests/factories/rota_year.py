"""A co-op's year of rotas, drafted month by month from one to the next, and the same year by a plain rotation list."""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal

from coop.core.periods import Month
from coop.shifts.domain.fairness import jain, spread
from coop.shifts.domain.hours import holidays_between
from coop.shifts.domain.posing import (
    ALL,
    SHARED,
    Elsewhere,
    House,
    MonthFacts,
    Seat,
    Someone,
    groups_of,
    pose,
    seat_members,
)
from coop.shifts.drafting import draft
from coop.shifts.solving.checking import added, check
from coop.shifts.solving.outcome import Stop
from coop.shifts.solving.problem import Turn

FIRST = Month(2026, 1)
MONTHS = 12
HOUSE = House(most_day=1, most_week=2, most_in_row=2, rest_minutes=600, keys_at_ends=1)
OPENS, CLOSES = 600, 1080
NOON = 840


@dataclass(frozen=True)
class Someones:
    """A member of the invented co-op: hundredths of a turn owed a month, from the month of joining on."""

    id: int
    owed: int
    joins: int
    """0 is the first month."""
    keys: bool
    free_weekdays: frozenset[int]
    """Never on the others."""


@dataclass(frozen=True)
class Year:
    """How a year's turns came to be shared."""

    weekend_index: Decimal
    """Jain's index of weekend turns for each turn owed."""
    holiday_spread: int
    broken: int
    """Hard rules that the drafts break, by the checker."""
    uncovered: int
    of: int
    """All seats of the year."""
    holidays_too_soon: int
    """Members who got a second holiday more while somebody who could have come then had not one more."""
    farthest_balance: int
    """The most that anybody's account of turns is off at the year's end, in hundredths of a turn."""


def make_members(count: int, *, seed: int) -> list[Someones]:
    """Two to four turns a month; one in ten joins in the spring; a third hold keys.

    Most never come on one or two weekdays, and a third not on one day of the weekend.
    """
    chance = random.Random(seed)
    members = []
    for number in range(1, count + 1):
        away = chance.sample(range(5), chance.choice((0, 1, 1, 2, 2, 2))) + chance.sample((5, 6), chance.choice((0, 0, 1)))
        joins = chance.randint(2, 4) if number % 10 == 0 else 0
        members.append(
            Someones(number, chance.choice((200, 200, 300, 400)), joins, number % 3 == 0, frozenset(range(7)) - frozenset(away))
        )
    return members


def make_seats(month: Month, *, people: int) -> tuple[Seat, ...]:
    """Two halves of a day with a key holder among so many at the desk, and one more at weekends; Christmas Day is closed."""
    seats = []
    holidays = holidays_between("US", month.first_day, month.last_day)
    for number, on in enumerate(month.each_day()):
        if (on.month, on.day) == (12, 25):
            continue
        for begins, ends in ((OPENS, NOON), (NOON, CLOSES)):
            for place in range(people + (on.weekday() >= 5)):
                seats.append(
                    Seat(
                        id=len(seats) + 1,
                        day=number,
                        post_id=1,
                        starts_min=begins,
                        ends_min=ends,
                        number=place + 1,
                        needs_keys=place == 0,
                        opens=begins == OPENS,
                        closes=ends == CLOSES,
                        holiday=on in holidays,
                    )
                )
    return tuple(seats)


Had = list[dict[int, Counter[str]]]
"""By month, then member: turns by what they are."""
Give = Callable[[MonthFacts], Mapping[int, int | None]]


def by_draft(stop: Stop) -> Give:
    def give(facts: MonthFacts) -> Mapping[int, int | None]:
        _problem, outcome = draft(facts, stop)
        return seat_members(facts, outcome.turns)

    return give


def by_rotation() -> Give:
    """The list on the wall: whoever is next and can come has the turn, and goes to the end."""
    waiting: list[int] = []

    def give(facts: MonthFacts) -> Mapping[int, int | None]:
        people = {person.id: person for person in facts.people}
        waiting.extend(sorted(set(people) - set(waiting)))
        there: dict[int, set[int]] = defaultdict(set)
        seated: dict[int, int | None] = {}
        for seat in facts.seats:
            fit = next(
                (
                    who
                    for who in waiting
                    if facts.people
                    and who not in there[seat.day]
                    and seat.day not in people[who].away
                    and people[who].says.get((seat.day, seat.kind)) != "never"
                    and (people[who].keys or not seat.needs_keys)
                ),
                None,
            )
            seated[seat.id] = fit
            if fit is not None:
                there[seat.day].add(fit)
                waiting.remove(fit)
                waiting.append(fit)
        return seated

    return give


def live_year(members: list[Someones], give: Give, *, people: int, seed: int, months: int = MONTHS) -> Year:
    """Months one after the other: what was had and what is carried goes into the next."""
    chance = random.Random(seed)
    had: Had = []
    balance: Counter[int] = Counter()
    broken = uncovered = of = too_soon = 0
    last: list[Turn] = []
    month = FIRST
    for number in range(months):
        seats = make_seats(month, people=people)
        facts = _facts(month, number, seats, members, had, balance, last, chance)
        seated = give(facts)
        turns = [Turn(str(seated[s.id]), s.day, s.kind) for s in seats if seated[s.id] is not None]
        broken += len(check(pose(facts), turns).broken)
        uncovered, of = uncovered + sum(seated[s.id] is None for s in seats), of + len(seats)
        counts: dict[int, Counter[str]] = defaultdict(Counter)
        for seat in seats:
            if (who := seated[seat.id]) is not None:
                counts[who].update((ALL, *groups_of(seat, facts)))
        too_soon += _too_soon(facts, seated)
        for member in members:
            if member.joins <= number:
                balance[member.id] += counts[member.id][ALL] * 100 - member.owed
        had.append(dict(counts))
        last = [Turn(turn.person, turn.day - month.days, turn.kind) for turn in turns if turn.day >= month.days - 7]
        month = month.next
    owed = {member.id: Decimal(member.owed * (months - member.joins)) / 100 for member in members if member.joins < months}
    weekends = [Decimal(sum(each[m.id]["weekend"] for each in had if m.id in each)) / owed[m.id] for m in members if m.id in owed]
    holidays = [sum(each[m.id]["holiday"] for each in had if m.id in each) for m in members if m.joins == 0]
    return Year(
        weekend_index=jain(weekends).quantize(Decimal("0.0001")),
        holiday_spread=int(spread(holidays)),
        broken=broken,
        uncovered=uncovered,
        of=of,
        holidays_too_soon=too_soon,
        farthest_balance=max(abs(balance[member.id]) for member in members),
    )


def _facts(
    month: Month,
    number: int,
    seats: tuple[Seat, ...],
    members: list[Someones],
    had: Had,
    balance: Mapping[int, int],
    last: list[Turn],
    chance: random.Random,
) -> MonthFacts:
    here = [member for member in members if member.joins <= number]
    kinds = sorted({(seat.day, seat.kind) for seat in seats})
    people = []
    for member in here:
        begins = chance.randint(0, month.days - 1)
        holiday = range(begins, begins + chance.choice((0, 0, 4, 9)))
        says = {}
        for day, kind in kinds:
            on = month.first_day + timedelta(days=day)
            if on.weekday() not in member.free_weekdays or day in holiday:
                says[day, kind] = "never"
            elif chance.random() < 0.05:
                says[day, kind] = "rather not"
        people.append(
            Someone(
                id=member.id,
                name=f"Member {member.id}",
                keys=member.keys,
                owed=max(0, member.owed - balance[member.id]),
                owed_year=member.owed * (number + 1 - member.joins),
                had={name: sum(each.get(member.id, Counter())[name] for each in had[-11:]) for name in SHARED},
                says=says,
            )
        )
    beside = tuple(
        Elsewhere(int(turn.person), turn.day, *(int(m) for m in turn.kind.split(":")[1].split()[0].split("-"))) for turn in last
    )
    return MonthFacts(month.first_day, month.days, seats, tuple(people), HOUSE, beside)


def _too_soon(facts: MonthFacts, seated: Mapping[int, int | None]) -> int:
    """Holiday turns of somebody who then had two more than another who was willing, and would have broken no rule by coming."""
    problem = pose(facts)
    turns = {Turn(str(seated[s.id]), s.day, s.kind) for s in facts.seats if seated[s.id] is not None}
    counts = Counter({person.id: person.had.get("holiday", 0) for person in facts.people})
    counts.update(seated[seat.id] for seat in facts.seats if seat.holiday and seated[seat.id] is not None)
    keys = {person.id for person in facts.people if person.keys}
    found = 0
    for seat in facts.seats:
        who = seated[seat.id]
        if not seat.holiday or who is None:
            continue
        others = turns - {Turn(str(who), seat.day, seat.kind)}
        found += any(
            counts[who] > counts[other.id] + 1
            and (seat.day, seat.kind) not in other.says
            and (other.id in keys or who not in keys)
            and not added(problem, others, Turn(str(other.id), seat.day, seat.kind))
            for other in facts.people
        )
    return found
