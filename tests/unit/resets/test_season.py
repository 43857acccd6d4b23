"""The season's calendar, by hand on a calendar of 2026: each step's day, what is late, and the days that cannot be had."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.errors import Refusal
from coop.resets.domain.season import STEP_KINDS, Leads, LeaseSpan, season_calendar

STANDS, TODAY = date(2026, 11, 7), date(2026, 9, 1)


def days_of(steps):
    return {(step.kind, step.on.isoformat(), step.days) for step in steps}


def test_every_step_counts_back_from_the_first_day_of_the_reset():
    # Set on Saturday the 7th; the reset is Friday the 6th.
    steps = season_calendar(STANDS, 1, TODAY)
    assert [(step.kind, step.on.isoformat(), step.words) for step in steps] == [
        ("buy", "2026-10-09", "Buying over: what comes after is for the season after: by Oct 9, 2026."),
        ("book", "2026-10-16", "Dock, staging and aisle floor booked with the mall: by Oct 16, 2026."),
        ("ask", "2026-10-23", "Helpers asked: by Oct 23, 2026."),
        ("van", "2026-10-23", "Van booked: by Oct 23, 2026."),
        ("mend", "2026-10-27", "Mended, painted and dry: by Oct 27, 2026."),
        ("price", "2026-11-02", "Priced and tagged: by Nov 2, 2026."),
        ("pack", "2026-11-05", "Packed: boxes, pads, tools: by Nov 5, 2026."),
        ("reset", "2026-11-06", "Reset: Nov 6, 2026."),
        ("stands", "2026-11-07", "The set stands when the mall opens: Nov 7, 2026."),
        # Three months on, a day of reset and 28 days before.
        ("next buy", "2027-01-09", "Buying for the next season over: by Jan 9, 2027."),
        ("next", "2027-02-07", "The next season's set stands: Feb 7, 2027."),
    ]
    assert not any(step.late for step in steps)


def test_days_the_mall_is_closed_are_not_worked_and_not_booked_on():
    # Closed on the 5th and 2nd: two days of reset are the 4th and 6th; booking on Wednesday the 14th, closed, is on the 13th.
    steps = season_calendar(STANDS, 2, TODAY, closed={date(2026, 11, 5), date(2026, 11, 2), date(2026, 10, 14)})
    worked = {("reset", "2026-11-04", 1), ("reset", "2026-11-06", 1), ("book", "2026-10-13", 1), ("pack", "2026-11-03", 1)}
    assert worked <= days_of(steps)


def test_days_in_a_row_are_one_step():
    steps = season_calendar(STANDS, 3, TODAY)
    (reset,) = (step for step in steps if step.kind == "reset")
    assert (reset.on, reset.days, reset.words) == (date(2026, 11, 4), 3, "Reset: Nov 4 to Nov 6, 2026.")
    assert reset.ends_before == date(2026, 11, 7)


def test_a_day_that_has_passed_is_said_plainly():
    steps = {step.kind: step for step in season_calendar(STANDS, 1, date(2026, 10, 24))}
    assert [kind for kind, step in steps.items() if step.late] == ["buy", "book", "ask", "van"]
    assert steps["buy"].words == (
        "Buying over: what comes after is for the season after: by Oct 9, 2026; that was 15 days ago: "
        "plan the set with what is there, or move the day it must stand."
    )
    assert steps["ask"].words == (
        "Helpers asked: by Oct 23, 2026; that was 1 day ago: do it now, or move the day the set must stand."
    )


def test_today_is_not_late_and_a_reset_under_way_is_not():
    assert not any(step.late for step in season_calendar(STANDS, 1, date(2026, 10, 9)))
    late = {step.kind: step.late for step in season_calendar(STANDS, 3, date(2026, 11, 5))}
    assert (late["pack"], late["reset"], late["stands"]) == (True, False, False)
    gone = {step.kind: step for step in season_calendar(STANDS, 1, date(2026, 11, 9))}
    assert gone["stands"].words == "The set stands when the mall opens: Nov 7, 2026; that was 2 days ago: set another day."


def test_lead_times_are_settings():
    leads = Leads(buy_days=60, season_months=6)
    steps = days_of(season_calendar(STANDS, 1, date(2026, 6, 1), leads=leads))
    assert {("buy", "2026-09-07", 1), ("next", "2027-05-07", 1)} <= steps


def test_the_next_set_may_have_a_day_of_its_own():
    assert ("next", "2027-03-01", 1) in days_of(season_calendar(STANDS, 1, TODAY, next_stands_on=date(2027, 3, 1)))


LEASE = LeaseSpan(date(2026, 11, 5), date(2027, 4, 30))


@pytest.mark.parametrize(
    ("stands_on", "reset_days", "more", "said"),
    [
        (
            STANDS,
            3,
            {"lease": LEASE},
            "The reset would begin on Nov 4, 2026, and the lease of the booth on Nov 5, 2026: "
            "let the set stand on Nov 8, 2026 or later.",
        ),
        # Closed on the 6th and 9th: the first three days are the 5th, 7th and 8th, and the 9th is closed.
        (
            date(2026, 11, 8),
            3,
            {"lease": LEASE, "closed": {date(2026, 11, 6), date(2026, 11, 9)}},
            "The reset would begin on Nov 4, 2026, and the lease of the booth on Nov 5, 2026: "
            "let the set stand on Nov 10, 2026 or later.",
        ),
        (
            date(2027, 5, 1),
            1,
            {"lease": LEASE},
            "The set is to stand on May 1, 2027, and the lease of the booth ends on Apr 30, 2027: "
            "write a day before, or have the lease go on.",
        ),
        (
            STANDS,
            1,
            {"closed": {STANDS, date(2026, 11, 8)}},
            "The mall is closed on Nov 7, 2026: let the set stand on Nov 9, 2026, or another day.",
        ),
        (STANDS, 0, {}, "The days of the reset are 0: write 1 to 60."),
        (
            STANDS,
            1,
            {"closed": {STANDS - timedelta(days=n) for n in range(1, 400)}},
            "The mall is closed too long before Nov 7, 2026 for a reset of 1 day: set another day.",
        ),
        (
            STANDS,
            1,
            {"next_stands_on": STANDS},
            "The next set is to stand on Nov 7, 2026, which is no later than this one on Nov 7, 2026: write a later day.",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_the_mend(stands_on, reset_days, more, said):
    with pytest.raises(Refusal) as caught:
        season_calendar(stands_on, reset_days, TODAY, **more)
    assert str(caught.value) == said


@pytest.mark.parametrize("stands_on", [date(2026, 11, 8), date(2027, 4, 30)])
def test_the_first_and_the_last_day_of_a_lease_can_be_had(stands_on):
    assert season_calendar(stands_on, 3, TODAY, lease=LEASE)


@given(
    st.dates(date(2026, 1, 1), date(2028, 12, 31)),
    st.integers(1, 5),
    st.sets(st.integers(1, 20), max_size=12),
    st.dates(date(2026, 1, 1), date(2028, 12, 31)),
)
def test_a_calendar_is_in_order_works_on_open_days_and_calls_late_what_has_passed(stands_on, reset_days, closed_before, today):
    closed = {stands_on - timedelta(days=n) for n in closed_before}
    steps = season_calendar(stands_on, reset_days, today, closed=closed)
    assert [step.on for step in steps] == sorted(step.on for step in steps)
    worked = {step.on + timedelta(days=n) for step in steps if step.kind == "reset" for n in range(step.days)}
    assert len(worked) == reset_days
    assert worked.isdisjoint(closed)
    # No open day between the first of them and the set is left idle.
    idle = {min(worked) + timedelta(days=n) for n in range((stands_on - min(worked)).days)} - worked
    assert idle <= closed
    assert all(step.late == (step.ends_before <= today) for step in steps)
    assert {step.kind for step in steps} == set(STEP_KINDS)
