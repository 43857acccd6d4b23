"""A hall whose aisles are wide enough to lend floor: 60 ft by 39 ft, twelve booths, six dealers, rents of three months.

            exit XN
 #################################======#########
 # 21      | 22      | 23      | 24      |        #     booths of 12 ft by 8 ft
 #------------------ aisle A1, 7 ft -------------- # E1
 #        | 25    | 26    | 27    | 28    |        #     booths of 10 ft by 8 ft,
 #        | 29    | 30    | 31    | 32    |        #     back to back
D1------------------ aisle A2, 7 ft -------------- #
 #################################################
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.core.periods import Month
from coop.dealers.membership import add_dealer
from coop.dealers.models import Dealer
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.domain.plan import Outline
from coop.floor.models import Mall, Space
from coop.floor.planning import save_plan, set_aisle_width
from coop.floor.queries import spaces_of
from coop.leases.agreements import make_lease
from coop.leases.posting import post_rents
from coop.leases.rules import set_rate

MONTHS = (Month(2026, 8), Month(2026, 9), Month(2026, 10))
"""Of which rent is posted."""
NAMES = {
    "V1": "Vera Quill",
    "V2": "Otis Marrow",
    "V3": "June Tansy",
    "V4": "Hal Brindle",
    "V5": "Nell Garrow",
    "V6": "Silas Wren",
}
HELD = {"V1": "21", "V2": "22 23", "V3": "24 25", "V4": "26", "V5": "27 28 29", "V6": "30"}
"""The booths of each dealer; 31 and 32 are vacant."""
SINCE = date(2026, 8, 1)


@dataclass(frozen=True)
class OverflowHall:
    """What was built, by code."""

    mall: Mall
    dealers: Mapping[str, Dealer]
    spaces: Mapping[str, Space]


def feet(x: float, y: float, width: float, depth: float) -> Outline:
    """A rectangle in feet, as corners in sixteenths of an inch."""
    left, top, right, low = (round(at * IN16_PER_FOOT) for at in (x, y, x + width, y + depth))
    return ((left, top), (right, top), (right, low), (left, low))


def overflow_draft() -> PlanDraft:
    """The plan. Nothing of it is a finding with 44 in. required."""
    rows = (("21", 0.5, 0.5, 12, "north"), ("25", 10, 15.5, 10, "middle"), ("29", 10, 23.5, 10, "south"))
    booths = tuple(
        SpaceDraft(str(int(first) + n), "booth", zone, feet(x + n * width, y, width, 8))
        for first, x, y, width, zone in rows
        for n in range(4)
    )
    parts = (
        PartDraft("WN", "wall", feet(0, 0, 60, 0.5)),
        PartDraft("WW", "wall", feet(0, 0.5, 0.5, 38)),
        PartDraft("WE", "wall", feet(59.5, 0.5, 0.5, 38)),
        PartDraft("WS", "wall", feet(0, 38.5, 60, 0.5)),
        PartDraft("XN", "exit", feet(52, 0, 4, 0.5)),
        PartDraft("D1", "door", feet(0, 33, 0.5, 3)),
        PartDraft("E1", "extinguisher", feet(59, 12, 0.5, 0.5)),
        PartDraft("A1", "aisle", feet(0.5, 8.5, 59, 7)),
        PartDraft("A2", "aisle", feet(0.5, 31.5, 59, 7)),
    )
    return PlanDraft(feet(0, 0, 60, 39), parts, booths)


def build_overflow_hall(session: Session, now: datetime, mall: Mall) -> OverflowHall:
    """Over whatever spaces the mall has under other codes, which are not drawn. 44 in. are required in every aisle."""
    undrawn = [SpaceDraft(s.code, s.kind, s.zone) for s in spaces_of(session, mall.id, now.date())]
    draft = overflow_draft()
    save_plan(session, now, mall, replace(draft, spaces=(*draft.spaces, *undrawn)), version=0)
    set_aisle_width(session, now, mall, "", date(2026, 1, 1), 44 * IN16_PER_INCH, said_by="fire marshal")
    for zone, price in (("north", "2.25"), ("middle", "1.75"), ("south", "1.50")):
        set_rate(session, mall, zone, Decimal(price), per="sqft", starts_on=date(2026, 1, 1))
    spaces = {space.code: space for space in spaces_of(session, mall.id, now.date())}
    dealers = {code: add_dealer(session, now, code, name=name, joined_on=SINCE) for code, name in NAMES.items()}
    for code, held in HELD.items():
        own = [spaces[booth] for booth in held.split()]
        make_lease(session, now, mall, dealers[code], starts_on=SINCE, commission_percent=Decimal(10), spaces=own)
    for month in MONTHS:
        post_rents(session, now, mall, month)
    session.flush()
    return OverflowHall(mall, dealers, spaces)
