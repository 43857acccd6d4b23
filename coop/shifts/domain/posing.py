"""A mall's month as the solver's problem, and back: plain facts in, a `Problem` out; the solver's turns in, who sits where out.

Cover comes first, then availability, then fairness, then wishes. Fairness is squared distance, in hundredths of a turn, of what
a member has from what is due: turns against what is owed and carried; weekend, opening and closing turns over a year against a
share by turns owed. Holidays are few, and come before: their share is nothing, so a second one costs more than anybody's first.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property

from coop.core.money import round_half_up
from coop.shifts.solving.problem import (
    Apart,
    Beside,
    Cover,
    Forbidden,
    Group,
    Kind,
    Limits,
    Person,
    Problem,
    Request,
    Target,
    Together,
    Turn,
    squared_costs,
)

TIERS = ("cover", "availability", "holidays", "fairness", "wishes")
COVER, AVAILABILITY, HOLIDAYS, FAIRNESS, WISHES = range(5)
_EFFORTS = (2, 2, 2, 8, 1)
"""The first three are mostly found at once; fairness is what takes the time."""
SHARED = ("weekend", "holiday", "opening", "closing")
"""Turns that nobody is to have more of than the others."""
_SEAT, _KEYS, _LEAST, _TOO_MANY = 20, 25, 10, 1000
"""Prices of an empty seat, of a key holder who is not there, of fewer people than the house wants, of one too many."""
_WEIGHTS = {"turns": 10, "weekend": 5, "holiday": 1, "opening": 1, "closing": 1}
_STEPS = 6
_UNIT = 100
"""Hundredths of a turn."""
_CHANGE = _WEIGHTS["turns"] * _UNIT**2
"""Price of a turn that is not kept in a draft made again: that of one too many for its member."""
KEY, TRAINED, TRAINEE = "key", "trained", "trainee"
ALL, LEFT, EXEMPT, NEVER, SILENT, ELSEWHERE = "all", "not on a lease", "exempt", "never", "silent", "elsewhere"
SEAT = "seat"
"""Name of the covers that are people in seats; the others ask who they are, or how many together."""


@dataclass(frozen=True)
class Seat:
    """A turn of the rota to be given to somebody. Minutes are after midnight of its day, by the mall's clock."""

    id: int
    day: int
    """0 is the month's first."""
    post_id: int
    starts_min: int
    ends_min: int
    number: int = 1
    needs_keys: bool = False
    opens: bool = False
    closes: bool = False
    holiday: bool = False
    member_id: int | None = None
    locked: bool = False

    @property
    def kind(self) -> str:
        # The same hours may open the mall on one day and not on another: what is shared out goes by kinds.
        return f"{self.post_id}:{self.starts_min}-{self.ends_min}{' opens' * self.opens}{' closes' * self.closes}"


@dataclass(frozen=True)
class Elsewhere:
    """A member's turn that is not this draft's: at another mall, or in the months beside, so that its day may lie outside."""

    member_id: int
    day: int
    starts_min: int
    ends_min: int


@dataclass(frozen=True)
class Someone:
    """A member who may be given turns at the mall in the month."""

    id: int
    name: str
    trained: bool = True
    keys: bool = False
    untrained_on: frozenset[int] = frozenset()
    """Days of the month on which one who is trained is not yet, or not any more."""
    keyless_on: frozenset[int] = frozenset()
    """The same of one who holds a key."""
    away: Mapping[int, str] = field(default_factory=dict)
    """By day: why no turn can be given (`LEFT`, `EXEMPT`)."""
    owed: int = 0
    """Hundredths of a turn, for the month and carried: what is due."""
    owed_year: int = 0
    """Hundredths owed over the trailing year with this month: the weight of a share."""
    had: Mapping[str, int] = field(default_factory=dict)
    """By `SHARED`: turns of the trailing year, this month's apart."""
    says: Mapping[tuple[int, str], str] = field(default_factory=dict)
    """By day and kind: `never`, `rather not` or `like`. With `silent`: never, unless liked."""
    silent: bool = False
    """Said nothing of the month, where that is never."""

    def is_trained(self, day: int) -> bool:
        return self.trained and day not in self.untrained_on

    def holds_keys(self, day: int) -> bool:
        return self.keys and day not in self.keyless_on


@dataclass(frozen=True)
class House:
    """The rules of a mall that a draft goes by."""

    most_day: int = 1
    most_week: int = 3
    most_in_row: int = 3
    rest_minutes: int = 0
    keys_at_ends: int = 0
    least_people: int = 0
    least_open: Mapping[int, tuple[int, int]] = field(default_factory=dict)
    """By day of the month: the minutes from and until which `least_people` are there."""


@dataclass(frozen=True)
class MonthFacts:
    first_day: date
    days: int
    seats: tuple[Seat, ...]
    people: tuple[Someone, ...]
    house: House = House()
    elsewhere: tuple[Elsewhere, ...] = ()
    apart: Mapping[tuple[int, int], frozenset[int]] = field(default_factory=dict)
    """Pairs who must not work together, with the days on which it holds."""
    together: tuple[tuple[int, int], ...] = ()

    @cached_property
    def seats_of(self) -> dict[tuple[int, str], list[Seat]]:
        """Seats that are alike, by day and kind, in their order."""
        found: dict[tuple[int, str], list[Seat]] = defaultdict(list)
        for seat in sorted(self.seats, key=lambda seat: (seat.day, seat.kind, seat.number)):
            found[seat.day, seat.kind].append(seat)
        return dict(found)

    @cached_property
    def weeks(self) -> tuple[tuple[int, ...], ...]:
        """Monday to Sunday, with the days of the months beside."""
        monday = -self.first_day.weekday()
        return tuple(tuple(range(day, day + 7)) for day in range(monday, self.days, 7))

    def holds(self, e: Elsewhere) -> bool:
        """Whether a turn elsewhere is in the month itself."""
        return 0 <= e.day < self.days

    def is_weekend(self, day: int) -> bool:
        return (self.first_day + timedelta(days=day)).weekday() >= 5


def groups_of(seat: Seat, facts: MonthFacts) -> frozenset[str]:
    """Which of `SHARED` a seat is."""
    is_one = {"weekend": facts.is_weekend(seat.day), "holiday": seat.holiday, "opening": seat.opens, "closing": seat.closes}
    return frozenset(name for name in SHARED if is_one[name])


def pose(facts: MonthFacts, *, keep: bool = False) -> Problem:
    """The month as a problem. Its people are members' ids as text, its kinds posts with their spans.

    `keep`: each turn that is not kept as it stands costs as much as a turn that is one too many for its member.
    """
    kinds = _kinds(facts)
    known = {Turn(str(e.member_id), e.day, _outside(e)) for e in facts.elsewhere if not facts.holds(e)}
    ids = {person.id for person in facts.people}
    # On a day of which nobody's training is written down nobody is a trainee: else nobody could stand anywhere.
    untold = frozenset(day for day in range(facts.days) if not any(person.is_trained(day) for person in facts.people))
    return Problem(
        days=facts.days,
        people=tuple(_person(person, facts, untold) for person in facts.people),
        kinds=tuple(kinds),
        covers=tuple(_covers(facts)),
        requests=tuple(_requests(facts)),
        forbidden=tuple(_forbidden(facts)),
        locks=frozenset(Turn(str(s.member_id), s.day, s.kind) for s in facts.seats if s.locked and s.member_id in ids)
        | _had_elsewhere(facts),
        known=frozenset(turn for turn in known if int(turn.person) in ids),
        apart=tuple(Apart(str(one), str(other), days) for (one, other), days in facts.apart.items() if {one, other} <= ids),
        together=tuple(
            Together(str(one), str(other), 1, WISHES)
            for pair in facts.together
            if set(pair) <= ids
            for one, other in (pair, pair[::-1])
        ),
        beside=(Beside(TRAINEE, TRAINED),),
        groups=tuple(_groups(facts)),
        targets=tuple(_targets(facts)),
        weeks=facts.weeks,
        last_draft=held(facts),
        change_weight=_CHANGE if keep else 1,
        change_tier=FAIRNESS if keep else WISHES,
        tiers=TIERS,
        efforts=_EFFORTS,
    )


def held(facts: MonthFacts) -> frozenset[Turn]:
    """The rota's turns as they stand, of members who take part."""
    ids = {person.id for person in facts.people}
    return frozenset(Turn(str(s.member_id), s.day, s.kind) for s in facts.seats if s.member_id in ids)


def arranged(facts: MonthFacts) -> frozenset[Turn]:
    """The same with what these members have at other malls in the month: what a judgement goes by."""
    return held(facts) | _had_elsewhere(facts)


def _kinds(facts: MonthFacts) -> Iterable[Kind]:
    days: dict[str, set[int]] = defaultdict(set)
    spans: dict[str, Seat] = {}
    for seat in facts.seats:
        days[seat.kind].add(seat.day)
        spans[seat.kind] = seat
    for name, seat in sorted(spans.items()):
        length = seat.ends_min - seat.starts_min
        yield Kind(name, length, starts=seat.starts_min, post=str(seat.post_id), days=frozenset(days[name]))
    outside = {_outside(e): e for e in facts.elsewhere if not facts.holds(e)}
    for name, e in sorted(outside.items()):
        yield Kind(name, e.ends_min - e.starts_min, starts=e.starts_min, days=frozenset())
    for name, e in sorted((_elsewhere(e), e) for e in facts.elsewhere if facts.holds(e)):
        only_hers = frozenset({_only(e.member_id)})
        yield Kind(name, e.ends_min - e.starts_min, starts=e.starts_min, days=frozenset({e.day}), needs=only_hers, elsewhere=True)


def _outside(e: Elsewhere) -> str:
    return f"out:{e.starts_min}-{e.ends_min}"


def _elsewhere(e: Elsewhere) -> str:
    return f"at:{e.member_id}:{e.day}:{e.starts_min}-{e.ends_min}"


def _only(member_id: int) -> str:
    """The skill of one member, whose turn elsewhere nobody else can have."""
    return f"member {member_id}"


def _had_elsewhere(facts: MonthFacts) -> frozenset[Turn]:
    ids = {person.id for person in facts.people}
    return frozenset(
        Turn(str(e.member_id), e.day, _elsewhere(e)) for e in facts.elsewhere if facts.holds(e) and e.member_id in ids
    )


def _person(person: Someone, facts: MonthFacts, untold: frozenset[int]) -> Person:
    by_day = [_skills(person, day, untold) for day in range(facts.days)]
    first, house = by_day[0], facts.house
    limits = Limits(
        turns_a_day=house.most_day,
        turns_a_week=house.most_week,
        longest_run_days=house.most_in_row,
        rest_minutes=house.rest_minutes,
    )
    return Person(str(person.id), limits, first, {day: skills for day, skills in enumerate(by_day) if skills != first})


def _skills(person: Someone, day: int, untold: frozenset[int]) -> frozenset[str]:
    standing = TRAINED if day in untold or person.is_trained(day) else TRAINEE
    return frozenset({_only(person.id), standing, *({KEY} if person.holds_keys(day) else ())})


def _covers(facts: MonthFacts) -> Iterable[Cover]:
    ends: dict[tuple[int, str], set[str]] = defaultdict(set)
    for (day, kind), seats in facts.seats_of.items():
        # A seat that is locked empty is meant to stay so.
        wanted = sum(not (seat.locked and seat.member_id is None) for seat in seats)
        yield Cover(day, frozenset({kind}), wanted, _SEAT, _TOO_MANY, tier=COVER, name=SEAT)
        keys = sum(seat.needs_keys for seat in seats)
        if keys:
            yield Cover(day, frozenset({kind}), keys, _KEYS, skill=KEY, tier=COVER, name="keys")
        for name in ("opening", "closing"):
            if any(seat.opens if name == "opening" else seat.closes for seat in seats):
                ends[day, name].add(kind)
    if facts.house.keys_at_ends:
        for (day, name), at_end in sorted(ends.items()):
            yield Cover(day, frozenset(at_end), facts.house.keys_at_ends, _KEYS, skill=KEY, tier=COVER, name=f"keys at {name}")
    if facts.house.least_people:
        for day, (opens, closes) in sorted(facts.house.least_open.items()):
            for kinds in _stretches(facts, day, opens, closes):
                yield Cover(day, kinds, facts.house.least_people, _LEAST, tier=COVER, name="least people")


def _stretches(facts: MonthFacts, day: int, opens: int, closes: int) -> list[frozenset[str]]:
    """The kinds that are there together, for each stretch of a day's opening hours in which there is any."""
    spans = [(kind, seats[0].starts_min, seats[0].ends_min) for (on, kind), seats in facts.seats_of.items() if on == day]
    edges = sorted({opens} | {edge for _kind, *both in spans for edge in both if opens < edge < closes})
    found = [frozenset(kind for kind, begins, ends in spans if begins <= edge < ends) for edge in edges]
    return [kinds for n, kinds in enumerate(found) if kinds and kinds not in found[:n]]


def _forbidden(facts: MonthFacts) -> Iterable[Forbidden]:
    kinds_on: dict[int, list[tuple[str, int, int]]] = defaultdict(list)
    for (day, kind), seats in facts.seats_of.items():
        kinds_on[day].append((kind, seats[0].starts_min, seats[0].ends_min))
    away: dict[tuple[int, int], list[Elsewhere]] = defaultdict(list)
    for e in facts.elsewhere:
        away[e.member_id, e.day].append(e)
    for person in facts.people:
        for day, why in sorted(person.away.items()):
            yield Forbidden(str(person.id), day, None, why)
        for day, kinds in sorted(kinds_on.items()):
            nearby = [(e, gap) for gap in (-1, 0, 1) for e in away[person.id, day + gap]] if facts.elsewhere else []
            by_reason: dict[str, set[str]] = defaultdict(set)
            for kind, begins, ends in kinds:
                says = person.says.get((day, kind))
                if says == NEVER:
                    by_reason[NEVER].add(kind)
                elif person.silent and says != "like":
                    by_reason[SILENT].add(kind)
                if any(_in_the_way(e, gap, begins, ends, facts.house, 0 <= day + gap < facts.days) for e, gap in nearby):
                    by_reason[ELSEWHERE].add(kind)
            for reason, names in sorted(by_reason.items()):
                yield Forbidden(str(person.id), day, frozenset(names), reason)


def _in_the_way(e: Elsewhere, gap: int, begins: int, ends: int, house: House, within: bool) -> bool:
    """Whether a turn elsewhere, `gap` days on, leaves no room for a span of the day. Outside of the month the solver knows."""
    if not within:
        return False
    if gap == 0:
        return house.most_day == 1 or (e.starts_min < ends and begins < e.ends_min)
    between = gap * 1440 + e.starts_min - ends if gap > 0 else begins - (gap * 1440 + e.ends_min)
    return between < house.rest_minutes


def _requests(facts: MonthFacts) -> Iterable[Request]:
    for person in facts.people:
        for kind_says, tier, wanted in (("rather not", AVAILABILITY, False), ("like", WISHES, True)):
            kinds: dict[int, set[str]] = defaultdict(set)
            for (day, kind), says in person.says.items():
                if says == kind_says and (day, kind) in facts.seats_of:
                    kinds[day].add(kind)
            for day, names in sorted(kinds.items()):
                yield Request(str(person.id), day, frozenset(names), wanted, 1, tier)


def _groups(facts: MonthFacts) -> Iterable[Group]:
    here = frozenset(seat.kind for seat in facts.seats)
    yield Group(ALL, kinds=here)
    yield Group("weekend", days=frozenset(day for day in range(facts.days) if facts.is_weekend(day)), kinds=here)
    yield Group("holiday", days=frozenset(seat.day for seat in facts.seats if seat.holiday), kinds=here)
    yield Group("opening", kinds=frozenset(seat.kind for seat in facts.seats if seat.opens))
    yield Group("closing", kinds=frozenset(seat.kind for seat in facts.seats if seat.closes))


def shares(facts: MonthFacts) -> dict[str, dict[int, int]]:
    """By what is shared, then by member: how much of the year is due to each, in hundredths of a turn, this month's with it."""
    weight = {person.id: max(0, person.owed_year) for person in facts.people}
    whole = sum(weight.values())
    due: dict[str, dict[int, int]] = {}
    for name in SHARED:
        seats = sum(name in groups_of(seat, facts) for seat in facts.seats)
        total = seats + sum(person.had.get(name, 0) for person in facts.people)
        due[name] = {
            member: round_half_up(Fraction(total * _UNIT * part, whole)) if whole else 0 for member, part in weight.items()
        }
    return due


def _targets(facts: MonthFacts) -> Iterable[Target]:
    due = shares(facts)
    # Beyond the table each turn costs as much as its last: it reaches past what anybody is likely to be given.
    each = -(-len(facts.seats) // max(1, len(facts.people)))
    most = max(_STEPS, 2 * each, max((person.owed for person in facts.people), default=0) // _UNIT + 2)
    for person in facts.people:
        who = str(person.id)
        yield Target(who, ALL, _costs("turns", 0, person.owed, most), FAIRNESS)
        for name in SHARED:
            aim = 0 if name == "holiday" else due[name][person.id]
            tier = HOLIDAYS if name == "holiday" else FAIRNESS
            yield Target(who, name, _costs(name, person.had.get(name, 0) * _UNIT, aim, most), tier)


def _costs(name: str, start: int, aim: int, steps: int) -> tuple[int, ...]:
    return squared_costs(start=start, aim=aim, unit=_UNIT, steps=steps, weight=_WEIGHTS[name])


def seat_members(facts: MonthFacts, turns: Iterable[Turn]) -> dict[int, int | None]:
    """Who gets which seat: each stays in the seat they had, key holders sit where keys are needed, the others in their order."""
    there: dict[tuple[int, str], list[int]] = defaultdict(list)
    for turn in sorted(turns):
        there[turn.day, turn.kind].append(int(turn.person))
    seated: dict[int, int | None] = {}
    for where, seats in facts.seats_of.items():
        waiting = list(there[where])
        keys = {person.id for person in facts.people if person.id in waiting and person.holds_keys(where[0])}
        free = [seat for seat in seats if not (seat.locked and seat.member_id is None)]
        seated |= {seat.id: None for seat in seats}
        for seat in [
            seat for seat in free if seat.member_id in waiting and (seat.locked or not seat.needs_keys or seat.member_id in keys)
        ]:
            seated[seat.id] = seat.member_id
            waiting.remove(seat.member_id)  # type: ignore[arg-type]
        for seat in sorted((seat for seat in free if seated[seat.id] is None), key=lambda seat: not seat.needs_keys):
            if waiting:
                fits = next((member for member in waiting if seat.needs_keys and member in keys), waiting[0])
                seated[seat.id] = fits
                waiting.remove(fits)
    return seated


def with_members(facts: MonthFacts, seated: Mapping[int, int | None]) -> MonthFacts:
    """The same month with other members in some of its seats."""
    return replace(facts, seats=tuple(replace(s, member_id=seated.get(s.id, s.member_id)) for s in facts.seats))


def why_each(facts: MonthFacts, seated: Mapping[int, int | None], names: Sequence[str] = SHARED) -> dict[int, str]:
    """By seat: why its member got it, in a sentence that anybody may read."""
    due, counts = shares(facts), _counts(facts, seated)
    people = {person.id: person for person in facts.people}
    seats = {seat.id: seat for seat in facts.seats}
    said: dict[int, str] = {}
    for seat_id, member in seated.items():
        if member is None or member not in people:
            continue
        person, seat = people[member], seats[seat_id]
        parts = [f"{_hundredths(person.owed)} due this month with what was carried, {counts[member, ALL]} given"]
        parts += [
            f"{name} turns of the year {person.had.get(name, 0) + counts[member, name]}"
            + ("" if name == "holiday" else f", a fair share is {_hundredths(due[name][member])}")
            for name in names
            if name in groups_of(seat, facts)
        ]
        says = person.says.get((seat.day, seat.kind))
        if says:
            parts.append({"like": "asked for", "rather not": "would rather not, and is asked all the same"}.get(says, says))
        said[seat_id] = "; ".join(parts)[:1].upper() + "; ".join(parts)[1:] + "."
    return said


def _counts(facts: MonthFacts, seated: Mapping[int, int | None]) -> dict[tuple[int, str], int]:
    counts: dict[tuple[int, str], int] = defaultdict(int)
    for seat in facts.seats:
        member = seated.get(seat.id)
        if member is not None:
            for name in (ALL, *groups_of(seat, facts)):
                counts[member, name] += 1
    return counts


def _hundredths(value: int) -> str:
    """`1.5`, `2`, `-0.25`: hundredths as people write them."""
    sign, (whole, rest) = ("-" if value < 0 else ""), divmod(abs(value), 100)
    return f"{sign}{whole}" + (f".{rest:02d}".rstrip("0") if rest else "")
