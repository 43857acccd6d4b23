"""Two years of drafts share floor by rent paid as first come first served does not: by the same requests and limits."""

from __future__ import annotations

from coop.shifts.solving.outcome import Stop
from tests.unit.overflow.overflow_years import ROTATION_WEEKS, by_draft, first_come, live, make_hall


def test_drafts_of_two_years_share_floor_by_rent_and_leave_nobody_without():
    hall = make_hall(bays=6, dealers=14, periods=13, seed=1)
    drafted = live(hall, by_draft(Stop.repeatable(1)), periods=13)
    served = live(hall, first_come, periods=13)
    assert drafted.broken == served.broken == 0
    assert drafted.shared.index > 0.9 > 0.8 > served.shared.index
    assert drafted.shared.least > served.shared.least
    assert drafted.without == ()
    assert drafted.longest_in_a_bay <= ROTATION_WEEKS
    assert len(drafted.stays) > len(served.stays)
