"""How lent floor was shared out, in words and as bars: the same for the office and for every dealer, by code."""

from __future__ import annotations

from decimal import Decimal

from markupsafe import Markup

from coop.core.periods import shown_days
from coop.overflow.domain.fairness import foot_weeks
from coop.overflow.fair import Fairness, FairRow

__all__ = ["EVEN", "evenness_said", "foot_weeks", "share_bar", "year_said"]

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


_BAR_WIDE, _BAR_HIGH = 120, 12


def share_bar(row: FairRow, fair: Fairness) -> Markup:
    """What a dealer has had of what is due, as a bar; the line across it is what is due. The number stands beside it."""
    each = _BAR_WIDE / max(fair.most_percent, 100)
    had, due = round(row.percent * each, 1), round(100 * each, 1)
    return Markup(
        f'<svg class="share" viewBox="0 0 {_BAR_WIDE + 1} {_BAR_HIGH}" width="{_BAR_WIDE + 1}" height="{_BAR_HIGH}" '
        f'fill="currentColor" aria-hidden="true"><rect y="2" width="{had}" height="{_BAR_HIGH - 4}"/>'
        f'<path d="M0 {_BAR_HIGH - 2}H{due}M{due} 0V{_BAR_HIGH}" fill="none" stroke="currentColor"/></svg>'
    )
