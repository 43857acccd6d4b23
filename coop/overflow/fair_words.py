"""How lent floor was shared out, in words and as a chart: the same for the office and for every dealer, by code."""

from __future__ import annotations

from decimal import Decimal

from coop.core.charts import Chart, Point, Unit
from coop.core.periods import shown_days
from coop.overflow.domain.fairness import foot_weeks
from coop.overflow.fair import Fairness

__all__ = ["EVEN", "evenness_said", "fair_chart", "foot_weeks", "year_said"]

EVEN = Decimal("0.9")
"""From this index of Jain's on floor counts as shared evenly (common practice, no source)."""


def year_said(fair: Fairness) -> str:
    return shown_days(fair.since, fair.through)


def evenness_said(fair: Fairness) -> str:
    """Whether floor is shared evenly, with Jain's index in plain words; or what is to be done first."""
    if not fair.has_bays:
        return (
            "There are no bays here now, so no floor is due to anybody: bays come once the manager has drawn the plan with its "
            "aisles and set the house rules."
        )
    if fair.index is None:
        return "Nobody has had floor in this year."
    index = fair.index.quantize(Decimal("0.01"))
    how = "shared evenly" if index >= EVEN else "not shared evenly yet"
    return (
        f"Floor is {how}: Jain’s index is {index}. It is 1 where everybody has had the same part of what is due to them, and "
        f"lower the more a few have. The least anybody had is {fair.least_percent}% of it, the most {fair.most_percent}%."
    )


_OF_DUE = Unit(
    "Percent of what is due",
    "in percent of what is due",
    lambda hundredths: f"{hundredths // 100}%",
    lambda hundredths: f"{hundredths // 100}%",
    lambda hundredths: str(hundredths // 100),
)


def fair_chart(fair: Fairness) -> Chart | None:
    """A bar a dealer: the part had of what is due, the largest first; none where nobody had any."""
    if fair.index is None:
        return None
    rows = sorted(fair.rows, key=lambda row: (-row.percent, row.code))
    points = [Point(row.code, row.percent * 100, row.code) for row in rows]
    return Chart("Floor had, of what is due by rent", points, heading="Dealer", unit=_OF_DUE)
