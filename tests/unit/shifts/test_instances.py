"""Reading instances in the published format; every fault is told with its section, its line and the mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from coop.shifts.solving.instances import InstanceRefused, read_instance
from coop.shifts.solving.problem import Cover, Forbidden, Limits, Request
from tests.unit.shifts.making import instance_text

ROSTER = Path(__file__).parents[2] / "reference" / "roster"

SMALL = """# a comment
SECTION_HORIZON
8

SECTION_SHIFTS
E,480,
L,540,E  # what may not follow
SECTION_STAFF
A,E=14|L=0,4320,3360,5,2,3,1
B,E=2,100,0,6,1,1,2
SECTION_DAYS_OFF
A,0,7
SECTION_SHIFT_ON_REQUESTS
B,3,L,2
SECTION_SHIFT_OFF_REQUESTS
A,1,E,3
SECTION_COVER
0,E,2,100,1
7,L,1,50,2
"""


def test_every_field_is_taken():
    problem = read_instance(SMALL)
    assert problem.days == 8
    assert [(kind.id, kind.minutes, kind.bars_next_day) for kind in problem.kinds] == [
        ("E", 480, frozenset()),
        ("L", 540, frozenset({"E"})),
    ]
    assert problem.person["A"].limits == Limits(
        turns_a_day=1,
        most_by_kind=(("E", 14), ("L", 0)),
        most_minutes=4320,
        least_minutes=3360,
        longest_run_days=5,
        shortest_run_days=2,
        shortest_break_days=3,
        most_weekends=1,
    )
    assert problem.forbidden == (Forbidden("A", 0), Forbidden("A", 7))
    assert problem.requests == (
        Request("B", 3, frozenset({"L"}), True, 2),
        Request("A", 1, frozenset({"E"}), False, 3),
    )
    assert problem.covers == (
        Cover(0, frozenset({"E"}), 2, 100, 1, name="day 0 E"),
        Cover(7, frozenset({"L"}), 1, 50, 2, name="day 7 L"),
    )
    assert problem.weekends == ((5, 6),)
    assert problem.tiers == ("cost",)


@pytest.mark.parametrize(("number", "staff", "covers", "requests"), [(1, 8, 14, 26), (2, 14, 28, 62), (3, 20, 42, 64)])
def test_the_published_instances_are_read_whole(number, staff, covers, requests):
    text = (ROSTER / f"Instance{number}.txt").read_text(encoding="utf-8")
    problem = read_instance(text)
    assert (problem.days, len(problem.people), len(problem.covers), len(problem.requests)) == (14, staff, covers, requests)
    assert problem.weekends == ((5, 6), (12, 13))
    assert read_instance(text.replace("\n", "\r\n")) == problem


def test_what_is_made_here_is_read():
    problem = read_instance(instance_text(3, staff=18))
    assert (problem.days, len(problem.people), len(problem.kinds)) == (28, 18, 3)
    assert len(problem.requests) > 30


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("SECTION_HORIZON\n8", "8", "Line 2: '8' stands before the first section. Begin with SECTION_HORIZON."),
        ("SECTION_HORIZON", "SECTION_HORIZONS", "Line 2: there is no section SECTION_HORIZONS."),
        ("SECTION_DAYS_OFF", "SECTION_STAFF", "Line 11: SECTION_STAFF is there twice."),
        ("SECTION_HORIZON\n8", "", "SECTION_HORIZON is missing or empty."),
        ("\n8\n", "\n8\n9\n", "SECTION_HORIZON, line 4: the horizon is one number."),
        ("\n8\n", "\n0\n", "SECTION_HORIZON, line 3: the number of days is '0'. Write a whole number from 1 to 366."),
        ("E,480,\n", "E,480\n", "SECTION_SHIFTS, line 6: 3 fields are needed"),
        ("E,480,\n", "E,8h,\n", "SECTION_SHIFTS, line 6: the length in minutes is '8h'."),
        ("L,540,E ", "L,540,E|X ", "SECTION_SHIFTS, line 7: there is no shift 'X'"),
        ("L,540,E ", "E,540, ", "SECTION_SHIFTS, line 7: the shift 'E' is there twice."),
        ("E,480,\n", ",480,\n", "SECTION_SHIFTS, line 6: the shift is empty."),
        ("B,E=2,100", "A,E=2,100", "SECTION_STAFF, line 10: the employee 'A' is there twice."),
        ("B,E=2,100", "B,X=2,100", "SECTION_STAFF, line 10: MaxShifts has 'X=2'."),
        ("B,E=2,100", "B,E=2|E=3,100", "SECTION_STAFF, line 10: MaxShifts has 'E=3'."),
        ("B,E=2,100", "B,E,100", "SECTION_STAFF, line 10: the most of E is ''."),
        ("100,0,6", "100,101,6", "SECTION_STAFF, line 10: the MaxTotalMinutes is '100'. Write a whole number from 101."),
        ("100,0,6,1", "100,0,6,7", "SECTION_STAFF, line 10: the MinConsecutiveShifts is '7'."),
        ("A,0,7", "X,0,7", "SECTION_DAYS_OFF, line 12: there is no employee 'X'."),
        ("A,0,7", "A,0,8", "SECTION_DAYS_OFF, line 12: the day is '8'. Write a whole number from 0 to 7."),
        ("B,3,L,2", "B,3,X,2", "SECTION_SHIFT_ON_REQUESTS, line 14: there is no shift 'X'."),
        ("A,1,E,3", "A,1,E,-3", "SECTION_SHIFT_OFF_REQUESTS, line 16: the weight is '-3'."),
        ("7,L,1,50,2", "0,E,1,50,2", "SECTION_COVER, line 19: the cover of day 0 and shift 'E' is there twice."),
        ("7,L,1,50,2", "7,L,²,50,2", "SECTION_COVER, line 19: the requirement is '²'."),
    ],
)
def test_a_fault_is_told_with_its_line_and_the_mend(old, new, said):
    assert SMALL.count(old) == 1
    with pytest.raises(InstanceRefused) as refused:
        read_instance(SMALL.replace(old, new))
    assert str(refused.value).startswith(said)
