"""Turns owed in a month, worked by hand: area, shared booths, offices, new members, exempt days, coming and going.

November 2026 has thirty days. No source: what a co-op asks of its members is its own rule.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.money import round_half_up
from coop.core.periods import Month
from coop.shifts.domain.owed import LONGEST, Fact, Held, Owed, Owing, Part, lease_turns, month_owed, turns_words

NOVEMBER = Month(2026, 11)
LONG_AGO = date(2020, 1, 1)
RULES = Owing(Decimal(2), ((100_00, 50), (200_00, 100)), Decimal(8), new_days=30)
"""Two turns, half a turn more from 100 sq ft, one more from 200."""


def booth(area_sqft: int, percent: str = "100", first: date = LONG_AGO, last: date | None = None) -> Part:
    return Part(first, last, area_sqft * 100, Decimal(percent))


def lease(*parts: Part, first: date = LONG_AGO, last: date | None = None) -> Held:
    return Held(first, last, parts)


def owed(*leases: Held, joined: date = LONG_AGO, left: date | None = None, facts: tuple[Fact, ...] = ()) -> Owed | None:
    return month_owed(RULES, NOVEMBER, joined, left, leases, facts)


@pytest.mark.parametrize(
    ("leases", "turns", "working"),
    [
        ([lease(booth(80))], "2", "2"),
        ([lease()], "2", "2"),
        ([lease(booth(100))], "2.5", "2 and 0.5 for 100 sq ft = 2.5"),
        # The steps are not added up.
        ([lease(booth(240))], "3", "2 and 1 for 240 sq ft = 3"),
        # Two booths under one lease are one area.
        ([lease(booth(120), booth(90))], "3", "2 and 1 for 210 sq ft = 3"),
        # Each lease owes its own.
        ([lease(booth(80)), lease(booth(100))], "4.5", "2 and 2 and 0.5 for 100 sq ft = 4.5"),
        # Half of a booth of 240: half of what the whole of it owes.
        ([lease(booth(240, "50"))], "1.5", "50% of (2 and 1 for 240 sq ft) = 1.5"),
        ([lease(booth(80, "50"))], "1", "50% of 2 = 1"),
        # A third of 240 sq ft: 33.333333% of three turns.
        ([lease(booth(240, "33.333333"))], "1", "33.33% of (2 and 1 for 240 sq ft) = 1"),
        # An own booth and half of another: one base, and the area that is paid for.
        ([lease(booth(80), booth(240, "50"))], "3", "2 and 1 for 200 sq ft = 3"),
        # Halves of two booths make a whole: 120 and 60 sq ft.
        ([lease(booth(240, "50"), booth(120, "50"))], "2.5", "2 and 0.5 for 180 sq ft = 2.5"),
        # Eight at most.
        ([lease(booth(240))] * 4, "8", "8 at most = 8"),
    ],
)
def test_what_a_whole_month_owes(leases: list[Held], turns: str, working: str) -> None:
    assert owed(*leases) == Owed(Decimal(turns), working)


def test_the_halves_of_a_shared_booth_owe_what_the_whole_does() -> None:
    halves = [owed(lease(booth(240, "50"))) for _ in range(2)]
    whole = owed(lease(booth(240)))
    assert whole is not None
    assert sum(half.turns for half in halves if half is not None) == whole.turns == Decimal(3)


def test_an_office_is_worth_turns_and_never_more_than_are_owed() -> None:
    treasurer = Fact("office", LONG_AGO, None, "Treasurer", Decimal(1))
    chair = Fact("office", LONG_AGO, None, "Chair", Decimal("1.5"))
    assert owed(lease(booth(80)), facts=(treasurer,)) == Owed(Decimal(1), "2 less 1 (Treasurer) = 1")
    assert owed(lease(booth(80)), facts=(treasurer, chair)) == Owed(Decimal(0), "2 less 1 (Treasurer) less 1.5 (Chair) = 0")


def test_the_office_is_taken_off_what_is_owed_at_most() -> None:
    treasurer = Fact("office", LONG_AGO, None, "Treasurer", Decimal(1))
    made = owed(*[lease(booth(240))] * 4, facts=(treasurer,))
    assert made == Owed(Decimal(7), "8 at most less 1 (Treasurer) = 7")


def test_an_office_for_half_a_month_is_worth_half() -> None:
    treasurer = Fact("office", date(2026, 11, 16), None, "Treasurer", Decimal(1))
    # 2 x 15/30 + 1 x 15/30
    assert owed(lease(booth(80)), facts=(treasurer,)) == Owed(
        Decimal("1.5"), "Nov 1 to Nov 15: 2, 15 of 30 days; Nov 16 to Nov 30: 2 less 1 (Treasurer), 15 of 30 days = 1.5"
    )


def test_a_new_member_owes_from_the_day_the_new_days_are_over() -> None:
    # Joined on October 17: thirty days are October 17 to November 15; 2 x 15/30.
    assert owed(lease(booth(80)), joined=date(2026, 10, 17)) == Owed(
        Decimal(1), "Nov 1 to Nov 15: new; Nov 16 to Nov 30: 2, 15 of 30 days = 1"
    )
    assert owed(lease(booth(80), first=date(2026, 11, 10)), joined=date(2026, 11, 10)) == Owed(
        Decimal(0), "Nov 10 to Nov 30: new = 0"
    )


def test_days_without_a_lease_owe_nothing() -> None:
    # The lease ends on November 20: 2 x 20/30 = 1.333... turns, to the hundredth.
    assert owed(lease(booth(80), last=date(2026, 11, 20))) == Owed(Decimal("1.33"), "Nov 1 to Nov 20: 2, 20 of 30 days = 1.33")
    assert owed(lease(booth(80), last=date(2026, 10, 31))) is None
    assert owed() is None


def test_a_member_who_leaves_owes_through_the_last_day() -> None:
    # 2 x 10/30 = 0.666... turns, half up.
    assert owed(lease(booth(80)), left=date(2026, 11, 10)) == Owed(Decimal("0.67"), "Nov 1 to Nov 10: 2, 10 of 30 days = 0.67")


def test_exempt_days_owe_nothing_and_say_why() -> None:
    ill = Fact("exempt", date(2026, 11, 7), date(2026, 11, 12), "hip operation")
    # 2 x 24/30
    assert owed(lease(booth(80)), facts=(ill,)) == Owed(
        Decimal("1.6"),
        "Nov 1 to Nov 6: 2, 6 of 30 days; Nov 7 to Nov 12: exempt (hip operation); Nov 13 to Nov 30: 2, 18 of 30 days = 1.6",
    )
    always = replace(ill, starts_on=LONG_AGO, ends_on=None, words="")
    assert owed(lease(booth(80)), facts=(always,)) == Owed(Decimal(0), "exempt = 0")


def test_a_booth_that_grows_owes_by_its_days() -> None:
    # 80 sq ft for ten days, 240 for twenty: 2 x 10/30 + 3 x 20/30 = 2.666...
    grown = lease(booth(80, last=date(2026, 11, 10)), booth(240, first=date(2026, 11, 11)))
    made = owed(grown)
    assert made is not None
    assert made.turns == Decimal("2.67")


def test_a_working_fits_the_account_however_often_things_change() -> None:
    first = NOVEMBER.first_day
    days = [first + timedelta(days=n) for n in range(0, 30, 2)]
    facts = tuple(Fact("exempt", day, day, "away with the choir on its tour of the lakes") for day in days)
    made = owed(lease(booth(80)), facts=facts)
    assert made is not None
    assert made.turns == Decimal(1)
    assert len(made.working) <= LONGEST
    assert made.working.endswith("; ... = 1")


@pytest.mark.parametrize(("turns", "said"), [("1", "1 turn"), ("2.50", "2.5 turns"), ("0.93", "0.93 turns"), ("10", "10 turns")])
def test_turns_are_said(turns: str, said: str) -> None:
    assert turns_words(Decimal(turns)) == said


# --- every day counts alike ---------------------------------------------------------------------------------------------------

DAYS = st.dates(date(2026, 10, 20), date(2026, 12, 10))
SPANS = st.tuples(DAYS, st.none() | DAYS).filter(lambda span: span[1] is None or span[0] <= span[1])
PARTS = st.builds(
    lambda span, area, percent: Part(*span, area, Decimal(percent)),
    SPANS,
    st.integers(0, 300_00),
    st.sampled_from(("100", "50", "33.333333")),
)
LEASES = st.builds(lambda span, parts: Held(*span, tuple(parts)), SPANS, st.lists(PARTS, max_size=3))
FACTS = st.builds(
    lambda span, kind: Fact(kind, *span, "so it is", Decimal("0.5") if kind == "office" else Decimal(0)),
    SPANS,
    st.sampled_from(("office", "exempt", "trained")),
)


@given(st.lists(LEASES, max_size=3), st.lists(FACTS, max_size=3), DAYS, st.none() | DAYS)
def test_the_month_is_the_sum_of_its_days(leases: list[Held], facts: list[Fact], joined: date, left: date | None) -> None:
    """A day's part of the month, as a month of which only that day is there would have it."""
    made = month_owed(RULES, NOVEMBER, joined, left, leases, facts)
    days = Fraction(0)
    for day in NOVEMBER.each_day():
        running = [lease for lease in leases if lease.starts_on <= day and (lease.ends_on is None or day <= lease.ends_on)]
        holding = [fact for fact in facts if fact.starts_on <= day and (fact.ends_on is None or day <= fact.ends_on)]
        gone = day < joined or (left is not None and day > left)
        if gone or (day - joined).days < RULES.new_days or any(fact.kind == "exempt" for fact in holding):
            continue
        whole = min(sum((lease_turns(RULES, lease, day)[0] for lease in running), Fraction(0)), Fraction(8))
        days += max(whole - Fraction(1, 2) * sum(fact.kind == "office" for fact in holding), Fraction(0)) / 30
    assert (made.turns if made else Decimal(0)) == Decimal(round_half_up(days * 100)) / 100
    assert made is None or len(made.working) <= LONGEST
