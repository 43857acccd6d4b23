"""Bookings of neighbouring resets, by hand: what is taken, by whom and when, and the next time all of it is free."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.resets.domain.bookings import Booking, conflicts_of, next_free
from coop.shifts.domain.hours import CLOSED, Hours

FRI, SAT, SUN = date(2026, 11, 6), date(2026, 11, 7), date(2026, 11, 8)
HOURS = {FRI: Hours(600, 1080), SAT: Hours(600, 1080), SUN: CLOSED}


def booking(reset: str, space: str, begins: int, ends: int, day: date = FRI, **takes: object) -> Booking:
    return Booking(reset, {"a": "Ada Park", "b": "Ben Roe", "c": "Cy Moss"}[reset[0]], space, day, begins, ends, **takes)


WANTED = booking(
    "a", "Booth 12", 600, 780, dock=True, staging=frozenset({"North"}), aisle_front=frozenset({"Booth 12", "Booth 13"})
)


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (
            booking("b", "Booth 30", 720, 840, dock=True),
            "The dock is taken, Fri, Nov 6, 2026, noon to 2 pm, for the reset of Booth 30 by Ben Roe: "
            "the next time all of it is free is Fri, Nov 6, 2026, 2 to 5 pm.",
        ),
        (
            booking("b", "Booth 30", 600, 660, staging=frozenset({"North", "South"})),
            "Staging floor North is taken, Fri, Nov 6, 2026, 10 to 11 am, for the reset of Booth 30 by Ben Roe: "
            "the next time all of it is free is Fri, Nov 6, 2026, 11 am to 2 pm.",
        ),
        (
            booking("b", "Booth 14", 600, 660, aisle_front=frozenset({"Booth 13", "Booth 14"})),
            "The aisle before Booth 13 is taken, Fri, Nov 6, 2026, 10 to 11 am, for the reset of Booth 14 by Ben Roe: "
            "the next time all of it is free is Fri, Nov 6, 2026, 11 am to 2 pm.",
        ),
        # They take no floor of the aisle themselves, and yet must get in and out.
        (
            booking("b", "Booth 13", 600, 660),
            "The aisle before Booth 13, which this would block, is needed, Fri, Nov 6, 2026, 10 to 11 am, "
            "for the reset of Booth 13 by Ben Roe: the next time all of it is free is Fri, Nov 6, 2026, 11 am to 2 pm.",
        ),
        (
            booking("b", "Booth 12", 600, 660),
            "Booth 12 is being worked in, Fri, Nov 6, 2026, 10 to 11 am, for the reset of Booth 12 by Ben Roe: "
            "the next time all of it is free is Fri, Nov 6, 2026, 11 am to 2 pm.",
        ),
        # Free at 4 pm only, too late for three hours that day: the next morning.
        (
            booking("b", "Booth 30", 660, 960, dock=True),
            "The dock is taken, Fri, Nov 6, 2026, 11 am to 4 pm, for the reset of Booth 30 by Ben Roe: "
            "the next time all of it is free is Sat, Nov 7, 2026, 10 am to 1 pm.",
        ),
    ],
    ids=["dock", "staging", "aisle both take", "front of one at work", "same booth", "the day after"],
)
def test_one_thing_in_the_way(other, said):
    first, *more = conflicts_of(WANTED, [other], HOURS)
    assert (first.sentence, first.other) == (said, other)
    # A booth of one's own, worked in by another, has its aisle blocked besides.
    assert len(more) == (other.space == "Booth 12")


def test_the_aisle_before_the_wanted_booth_is_blocked_by_a_neighbour():
    wanted = booking("a", "Booth 12", 600, 780)
    other = booking("b", "Booth 11", 600, 660, aisle_front=frozenset({"Booth 12"}))
    assert [(one.kind, one.sentence.split(",")[0]) for one in conflicts_of(wanted, [other], HOURS)] == [
        ("aisle", "The aisle before Booth 12 is blocked")
    ]


@pytest.mark.parametrize(
    "other",
    [
        booking("b", "Booth 30", 780, 900, dock=True),
        booking("b", "Booth 30", 600, 780, dock=False, staging=frozenset({"South"}), aisle_front=frozenset({"Booth 30"})),
        booking("b", "Booth 30", 600, 780, SAT, dock=True),
        booking("a", "Booth 12", 600, 780, dock=True),
    ],
    ids=["it ends as the other begins", "other floor", "another day", "the same reset"],
)
def test_nothing_in_the_way(other):
    assert conflicts_of(WANTED, [other], HOURS) == ()


def test_each_thing_taken_is_a_conflict_of_its_own_in_the_order_of_the_day():
    others = [
        booking("c", "Booth 31", 700, 800, staging=frozenset({"North"})),
        booking("b", "Booth 30", 600, 720, dock=True, staging=frozenset({"North"})),
    ]
    found = conflicts_of(WANTED, others, HOURS)
    assert [(one.kind, one.other.who) for one in found] == [("dock", "Ben Roe"), ("staging", "Ben Roe"), ("staging", "Cy Moss")]
    # After both: 1:20 pm.
    assert {(one.next_free.day, one.next_free.from_minute) for one in found} == {(FRI, 800)}


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        (replace(WANTED, day=SUN), "The mall is closed on Sun, Nov 8, 2026: it is not free again by Nov 8, 2026."),
        (
            replace(WANTED, from_minute=540, to_minute=720),
            "The mall is open only 10 am to 6 pm on Fri, Nov 6, 2026: "
            "the next time all of it is free is Fri, Nov 6, 2026, 10 am to 1 pm.",
        ),
        (
            replace(WANTED, from_minute=1000, to_minute=1180),
            "The mall is open only 10 am to 6 pm on Fri, Nov 6, 2026: "
            "the next time all of it is free is Sat, Nov 7, 2026, 10 am to 1 pm.",
        ),
    ],
)
def test_a_time_at_which_the_mall_is_not_open(wanted, said):
    (one,) = conflicts_of(wanted, [], HOURS)
    assert (one.kind, one.other, one.sentence) == ("hours", None, said)


def test_no_day_known_is_said():
    (one,) = conflicts_of(WANTED, [], {})
    assert one.sentence == "The mall is closed on Fri, Nov 6, 2026: no day is set on which resets may be worked."


@given(
    st.lists(st.tuples(st.integers(600, 1000), st.integers(5, 200), st.booleans(), st.booleans(), st.booleans()), max_size=6),
    st.integers(600, 1000),
    st.integers(5, 200),
)
def test_the_next_free_time_is_free_and_no_minute_before_it_is(rows, begins, length):
    others = [
        booking(f"b{n}", f"Booth {20 + n}", begin, begin + long, FRI if first else SAT, dock=dock, aisle_front=aisle)
        for n, (begin, long, dock, front, first) in enumerate(rows)
        for aisle in [frozenset({"Booth 12"}) if front else frozenset()]
    ]
    wanted = booking("a", "Booth 12", begins, begins + length, dock=True)
    free = next_free(wanted, others, HOURS)
    tried = [(day, minute) for day in (FRI, SAT) for minute in range(begins if day == FRI else 600, 1081 - length)]
    for day, minute in tried:
        moved = replace(wanted, day=day, from_minute=minute, to_minute=minute + length)
        if free is not None and (day, minute) == (free.day, free.from_minute):
            assert conflicts_of(moved, others, HOURS) == ()
            return
        assert conflicts_of(moved, others, HOURS)
    assert free is None
