"""How turns were shared out, in words and as a chart: the same for the office and for every dealer."""

from __future__ import annotations

from decimal import Decimal

from coop.core.charts import Chart, Point, Unit
from coop.core.periods import Month
from coop.core.templating import day
from coop.shifts.fair import Fairness
from coop.shifts.month_facts import first_of_year
from coop.shifts.wording import turns_shown

EVEN = Decimal("0.9")
"""From this index of Jain's on weekends count as shared evenly (common practice, no source)."""


def year_said(fair: Fairness) -> str:
    """The months it is about: `January 2026 to December 2026`."""
    return f"{Month.of(first_of_year(fair.through)).name} to {fair.through.name}"


def weekends_said(fair: Fairness) -> str:
    """Whether weekends are shared evenly, with Jain's index; nothing where none can be said."""
    if fair.weekend_jain is None:
        return ""
    index = fair.weekend_jain.quantize(Decimal("0.01"))
    how = "shared evenly" if index >= EVEN else "not shared evenly yet"
    return (
        f"Weekend turns are {how}: Jain’s index is {index}. It is 1 where everybody has as many for each turn owed, and lower "
        "the more a few have."
    )


def holidays_said(fair: Fairness) -> str:
    """How far holidays lie apart; nothing where there were none."""
    if fair.holiday_spread is None:
        return ""
    if fair.holiday_spread == 0:
        return "Everybody has had as many holidays."
    if fair.holiday_spread == 1:
        return "Nobody has had two holidays more than another: as even as a few holidays can be."
    return f"Whoever had most holidays had {fair.holiday_spread} more than who had fewest: those with fewest come first."


def _said(hundredths: int) -> str:
    turns = turns_shown(Decimal(hundredths) / 100)
    return f"{turns} {'turn' if turns == '1' else 'turns'}"


_PER_OWED = Unit(
    "Turns for each owed",
    "for each turn owed",
    _said,
    lambda hundredths: turns_shown(Decimal(hundredths) / 100),
    lambda hundredths: turns_shown(Decimal(hundredths) / 100),
)


def fair_chart(fair: Fairness) -> Chart:
    """A bar a member who owes: turns had for each turn owed over the year, most first."""
    shares = [(share, row) for row in fair.rows if (share := row.per_owed(row.turns)) is not None]
    shares.sort(key=lambda found: (-found[0], found[1].code))
    points = [Point(row.code, int(share * 100), f"{row.name} ({row.code})") for share, row in shares]
    return Chart("Turns for each turn owed", points, heading="Member", unit=_PER_OWED)


def since_said(fair: Fairness, member_id: int) -> str:
    """Of a member who joined within the year: since when the figures run; nothing for the others."""
    row = next((one for one in fair.rows if one.member_id == member_id), None)
    if row is None or row.joined_on <= first_of_year(fair.through):
        return ""
    return f"since {day(row.joined_on)}"
