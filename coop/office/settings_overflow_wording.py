"""What each rule of a mall's lent floor does, in a sentence: on the page Settings, and on the page where the rule is set."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from coop.core.geometry import format_length
from coop.core.templating import dollars
from coop.office.settings_wording import days
from coop.overflow.rules import OverflowRules

Say = Callable[[OverflowRules], str]
FEES: Mapping[str, str] = {"free": "is free", "foot-week": "by the foot and week", "piece-week": "by the piece and week"}
GLASS_STANDS: Mapping[str, str] = {"nowhere": "nowhere in an aisle", "at a wall": "at a wall only", "anywhere": "anywhere"}
LAST_BY: Mapping[str, str] = {"price": "the price of the piece", "fee": "the fee it brings"}


def _weeks(number: int) -> str:
    return "1 week" if number == 1 else f"{number} weeks"


def _fee(rules: OverflowRules) -> str:
    if rules.fee_kind == "free":
        return "Floor in the aisles is lent free of charge."
    each = "foot along the bay" if rules.fee_kind == "foot-week" else "piece"
    return f"Floor costs {dollars(rules.fee_cents)} a week for each {each}, by the day, and is charged with the rent."


def _limits(rules: OverflowRules) -> str:
    length = f"{format_length(rules.most_in16)} along the bays" if rules.most_in16 is not None else ""
    pieces = f"{rules.most_pieces} {'piece' if rules.most_pieces == 1 else 'pieces'}" if rules.most_pieces is not None else ""
    limit = " and ".join(filter(None, (length, pieces)))
    return f"A dealer has at most {limit} at a time." if limit else "A dealer may have any number of pieces, however long."


def _heights(rules: OverflowRules) -> str:
    return (
        f"Nothing higher than {format_length(rules.highest_in16)} stands in an aisle; higher than "
        f"{format_length(rules.wall_above_in16)} at a wall only, fastened to it; before another dealer’s booth nothing higher "
        f"than {format_length(rules.before_in16)}."
    )


OVERFLOW: Mapping[str, Say] = {
    "Fee": _fee,
    "Limits": _limits,
    "How long": lambda rules: (
        f"Floor is asked for up to {_weeks(rules.longest_weeks)}; nobody is in one bay for more than "
        f"{_weeks(rules.rotation_weeks)} of any 52."
    ),
    "Recall": lambda rules: (
        f"Floor is asked back with {days(rules.recall_days)} of notice; for safety, sooner."
        if rules.recall_days
        else "Floor is asked back without notice."
    ),
    "Sold pieces": lambda rules: (
        f"A sold piece waits to be fetched for {days(rules.sold_days)}, free of charge."
        if rules.sold_days
        else "A sold piece that waits to be fetched is charged from its first day."
    ),
    "Heights": _heights,
    "Tipping": lambda rules: (
        f"A piece {rules.tips_from.normalize():f} times as high as the short side of its base, or more, tips easily: at a wall "
        "only, fastened to it."
    ),
    "Glass": lambda rules: f"Glass and mirrors stand {GLASS_STANDS[rules.glass]}.",
    "Bays": lambda rules: (
        f"A bay is at least {format_length(rules.least_length_in16)} long and {format_length(rules.least_depth_in16)} deep, and "
        f"at most {format_length(rules.deepest_in16)} deep; {format_length(rules.gap_in16)} is kept free beside each piece."
    ),
    "Booths": lambda rules: (
        f"Where nobody said where people come into a booth, the middle {format_length(rules.entry_in16)} of each of its sides on "
        "an aisle is kept open."
    ),
    "Between equals": lambda rules: f"Last of all, {LAST_BY[rules.last_by]} decides who is given floor.",
}
UNSET = "No rules of overflow are set, so it is as is usual."
"""Said where a mall has set none."""
