"""Problems made from a seed: instances as text in the published format, small ones to try every rota of, and a mall's month."""

from __future__ import annotations

import random

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


def instance_text(seed: int, *, staff: int, days: int = 28, shifts: int = 3) -> str:
    """An instance in the published format with the figures of its middle sizes: the day's later shifts bar the earlier ones."""
    chance = random.Random(seed)
    ids = "EDLN"[:shifts]
    kinds = [f"{kind},480,{'|'.join(ids[:at])}" for at, kind in enumerate(ids)]
    people = [f"P{number}" for number in range(staff)]
    rows, off, on, against, cover = [], [], [], [], []
    for number, person in enumerate(people):
        most = "|".join(f"{kind}={days if chance.random() < 0.8 else 0}" for kind in ids[:-1]) + f"|{ids[-1]}={days}"
        part_time = number % 4 == 3
        minutes = (days * 160, days * 90, 5, 1, 1) if part_time else (days * 310, days * 240, 5 + number % 2, 2, 2 + number % 2)
        rows.append(f"{person},{most},{','.join(str(n) for n in minutes)},{days // 14}")
        off.append(f"{person},{','.join(str(day) for day in sorted(chance.sample(range(days), days // 14)))}")
        for _ in range(3):
            begin, kind, weight = chance.randrange(days - 3), chance.choice(ids), chance.randint(1, 3)
            wanted = on if chance.random() < 0.6 else against
            wanted += [f"{person},{begin + more},{kind},{weight}" for more in range(chance.randint(1, 4))]
    for day in range(days):
        cover += [f"{day},{kind},{max(1, staff * 5 // (8 * shifts) + chance.randint(-1, 1))},100,1" for kind in ids]
    sections = {
        "HORIZON": [str(days)],
        "SHIFTS": kinds,
        "STAFF": rows,
        "DAYS_OFF": off,
        "SHIFT_ON_REQUESTS": sorted(set(on)),
        "SHIFT_OFF_REQUESTS": sorted(set(against)),
        "COVER": cover,
    }
    return "\n\n".join("\n".join([f"SECTION_{name}", *lines]) for name, lines in sections.items()) + "\n"


# --- small enough to try every rota -------------------------------------------------------------------------------------

SMALL_KINDS = (
    Kind("E", 240, 9 * 60, "desk"),
    Kind("L", 300, 12 * 60, "floor", bars_next_day=frozenset({"E"}), needs=frozenset({"trained"}), credit=2),
)


def small_problem(seed: int, *, people: int = 3, days: int = 4) -> Problem:
    """Two kinds that overlap by an hour, and some of every rule and wish there is; locks and minima may contradict each other."""
    chance = random.Random(seed)
    names = "ABCD"[:people]
    kinds = [kind.id for kind in SMALL_KINDS]

    def maybe(value: int, odds: float = 0.3) -> int | None:
        return value if chance.random() < odds else None

    def turn(days: range) -> Turn:
        return Turn(chance.choice(names), chance.choice(days), chance.choice(kinds))

    def some_kinds() -> frozenset[str] | None:
        return chance.choice((None, frozenset({"E"}), frozenset({"L"})))

    limits = [
        Limits(
            turns_a_day=chance.choice((1, 1, 2, None)),
            turns_a_week=maybe(chance.randint(1, 3)),
            least_turns=maybe(chance.randint(1, 3), 0.15) or 0,
            most_turns=maybe(3),
            most_by_kind=(("E", chance.randint(0, 2)),) if chance.random() < 0.3 else (),
            least_minutes=maybe(540, 0.15) or 0,
            most_minutes=maybe(900),
            longest_run_days=maybe(2),
            shortest_run_days=chance.choice((1, 1, 2)),
            shortest_break_days=chance.choice((1, 1, 2)),
            most_weekends=maybe(chance.randint(0, 1)),
            rest_minutes=chance.choice((0, 0, 16 * 60, 30 * 60)),
        )
        for _ in names
    ]
    skills = [frozenset(skill for skill in ("trained", "trained", "new", "key") if chance.random() < 0.6) for _ in names]
    # What holds of some days only is drawn by itself, so that the rest of a problem is what it was before.
    by_day = random.Random(f"days of {seed}")
    others = [
        {day: by_day.choice(skills) for day in range(by_day.randrange(days), days)} if by_day.random() < 0.4 else {}
        for _ in names
    ]

    def some_days() -> frozenset[int] | None:
        return frozenset(range(by_day.randrange(days), days)) if by_day.random() < 0.5 else None

    return Problem(
        days=days,
        people=tuple(Person(name, *rest) for name, *rest in zip(names, limits, skills, others, strict=True)),
        kinds=SMALL_KINDS,
        covers=tuple(
            Cover(day, frozenset(of), chance.randint(0, 2), chance.randint(1, 9), chance.randint(0, 2), skill=skill)
            for day in range(days)
            for of, skill in (("E", None), ("EL", chance.choice((None, "key"))))
        ),
        requests=tuple(
            Request(
                chance.choice(names), chance.randrange(days), some_kinds(), chance.random() < 0.5, chance.randint(1, 3), tier=1
            )
            for _ in range(4)
        ),
        forbidden=tuple(Forbidden(chance.choice(names), chance.randrange(days), some_kinds(), "never") for _ in range(2)),
        locks=frozenset(turn(range(days)) for _ in range(chance.choice((0, 0, 1, 2)))),
        known=frozenset(turn(range(-2, 0)) for _ in range(chance.choice((0, 1, 2)))),
        apart=(Apart(*chance.sample(names, 2), some_days()),) if chance.random() < 0.4 else (),
        together=(Together(*chance.sample(names, 2), weight=1, tier=2),),
        beside=(Beside("new", "trained", same_post=chance.random() < 0.5),) if chance.random() < 0.5 else (),
        groups=(Group("all", by_credit=True), Group("late", frozenset({0, 2}), frozenset({"L"}))),
        targets=tuple(
            Target(name, group, squared_costs(start=chance.randint(-2, 2), aim=chance.randint(0, 7), unit=2, steps=3), tier=2)
            for name in names
            for group in ("all", "late")
        ),
        weeks=((-2, -1, 0), tuple(range(1, days))),
        weekends=((-1, 0), (2, 3)),
        last_draft=frozenset(turn(range(days)) for _ in range(chance.choice((0, 3)))),
        change_weight=1,
        change_tier=1,
        tiers=("cover", "availability", "fairness"),
    )


# --- a mall's month -----------------------------------------------------------------------------------------------------

MALL_KINDS = (
    Kind("opening", 60, 9 * 60, "opening", needs=frozenset({"trained"}), credit=1),
    Kind("desk early", 240, 10 * 60, "desk", needs=frozenset(), credit=2),
    Kind("desk late", 240, 14 * 60, "desk", needs=frozenset(), credit=2),
    Kind("floor early", 240, 10 * 60, "floor", credit=2),
    Kind("floor late", 240, 14 * 60, "floor", credit=2),
    Kind("closing", 60, 18 * 60, "closing", needs=frozenset({"trained"}), credit=1),
)


def mall_problem(members: int, *, seed: int = 1, days: int = 30, each: int = 1) -> Problem:
    """A month of four posts, its first day a Thursday: `each` people at desk and floor, one more at weekends.

    Members owe turns by size, carry balances, have keys, are trained or not yet, are away, would rather or rather not.
    """
    chance = random.Random(seed)
    weekend = frozenset(day for day in range(days) if (day + 3) % 7 in (5, 6))
    covers = []
    for day in range(days):
        for kind in MALL_KINDS:
            people = 1 if kind.post in ("opening", "closing") else each + (day in weekend)
            covers.append(Cover(day, frozenset({kind.id}), people, 100, 1))
            if kind.post in ("opening", "closing"):
                covers.append(Cover(day, frozenset({kind.id}), 1, 60, skill="key"))
    due = sum(cover.required * (1 if "ing" in "".join(cover.kinds) else 2) for cover in covers if cover.skill is None)
    sizes = [chance.choice((60, 80, 100, 100, 140, 200)) for _ in range(members)]
    people, forbidden, requests, targets = [], [], [], []
    groups = (
        Group("owed", by_credit=True),
        Group("weekends", weekend),
        Group("holidays", frozenset({days - 4})),
        Group("openings", kinds=frozenset({"opening"})),
        Group("closings", kinds=frozenset({"closing"})),
    )
    for number in range(members):
        name = f"M{number:03}"
        skills = {"trainee"} if number % 20 == 19 else {"trained"}
        if number % 3 == 0 and "trained" in skills:
            skills.add("key")
        limits = Limits(turns_a_day=2, turns_a_week=3, longest_run_days=3, rest_minutes=11 * 60)
        people.append(Person(name, limits, frozenset(skills)))
        off_weekdays = set(chance.sample(range(7), chance.choice((0, 0, 1, 1, 2, 3))))
        for day in range(days):
            if (day + 3) % 7 in off_weekdays or chance.random() < 0.05:
                forbidden.append(Forbidden(name, day, None, "never"))
            elif chance.random() < 0.15:
                requests.append(Request(name, day, None, False, 1, tier=1))
            elif chance.random() < 0.05:
                kinds = frozenset({"desk early", "floor early"}) if chance.random() < 0.5 else None
                requests.append(Request(name, day, kinds, True, 1, tier=3))
        share = sizes[number] * 10 * due // sum(sizes) + chance.randint(-10, 10)
        targets.append(Target(name, "owed", squared_costs(start=0, aim=share, unit=10, steps=12), tier=2))
        for group, most in (("weekends", 6), ("holidays", 2), ("openings", 6), ("closings", 6)):
            costs = squared_costs(start=10 * chance.randint(0, 3), aim=10 * chance.randint(1, 5), unit=10, steps=most)
            targets.append(Target(name, group, costs, tier=2))
    names = [person.id for person in people]
    pairs = [tuple(chance.sample(names, 2)) for _ in range(members // 10)]
    return Problem(
        days=days,
        people=tuple(people),
        kinds=MALL_KINDS,
        covers=tuple(covers),
        requests=tuple(requests),
        forbidden=tuple(forbidden),
        apart=tuple(Apart(one, other) for one, other in pairs[::2]),
        together=tuple(Together(one, other, 1, tier=3) for one, other in pairs[1::2]),
        beside=(Beside("trainee", "trained"),),
        groups=groups,
        targets=tuple(targets),
        weeks=tuple(tuple(range(begin, begin + 7)) for begin in range(-3, days, 7)),
        change_tier=3,
        tiers=("cover", "availability", "fairness", "wishes"),
    )
