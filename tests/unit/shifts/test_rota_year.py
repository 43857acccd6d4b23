"""Rotas drafted month after month share turns out as a list on the wall does not: by the same members, the same absences."""

from __future__ import annotations

from coop.shifts.solving.outcome import Stop
from tests.factories.rota_year import by_draft, by_rotation, live_year, make_members


def test_four_months_of_drafts_break_nothing_and_share_weekends_better_than_a_rotation_list() -> None:
    """The whole year of sixty members is `coop bench`'s."""
    members = make_members(14, seed=5)
    drafted = live_year(members, by_draft(Stop.repeatable(6, seed=1)), people=1, seed=5, months=4)
    on_the_wall = live_year(members, by_rotation(), people=1, seed=5, months=4)
    assert drafted.broken == 0
    assert drafted.holidays_too_soon == 0
    assert drafted.uncovered <= on_the_wall.uncovered
    assert drafted.weekend_index > on_the_wall.weekend_index
