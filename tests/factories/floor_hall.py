"""A hall of sixty booths in the house's mall: its plan, and who is in them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.core.periods import Month
from coop.dealers.membership import add_dealer
from coop.floor.domain.draft import PartDraft, PlanDraft, SpaceDraft
from coop.floor.domain.plan import Outline
from coop.floor.models import Mall
from coop.floor.planning import save_plan
from coop.floor.queries import find_space, spaces_of
from coop.leases.agreements import make_lease
from coop.leases.posting import post_rents
from coop.leases.rules import set_rate
from coop.sales.service import take_tickets
from tests.factories.coops import line, ticket

OCTOBER = Month(2026, 10)
NAMES = ("Vera Quill", "Otis Marrow", "June Tansy", "Hal Brindle", "Nell Garrow", "Silas Wren", "Dora Finch", "Abel Stroud")


def box(x: int, y: int, width: int, depth: int) -> Outline:
    """A rectangle in feet, as corners in sixteenths of an inch."""
    x, y, right, low = (side * FOOT for side in (x, y, x + width, y + depth))
    return ((x, y), (right, y), (right, low), (x, low))


def hall_draft() -> PlanDraft:
    """124 ft by 84 ft; booths 1 to 60 in six rows of ten, each 10 ft by 8 ft, rows back to back with aisles of 6 ft between.

    Two more stand wrong: booth 61 half over booth 60, and case C1 partly outside.
    """
    spaces = []
    for n in range(60):
        row, place = divmod(n, 10)
        top = 10 + 22 * (row // 2) + 8 * (row % 2)
        zone = ("front", "middle", "back")[row // 2]
        spaces.append(SpaceDraft(str(n + 1), "booth", zone, box(8 + 10 * place, top, 10, 8)))
    spaces.append(SpaceDraft("61", "booth", "back", box(103, 66, 10, 8)))
    spaces.append(SpaceDraft("C1", "case", "case", box(120, 40, 6, 2)))
    parts = (
        PartDraft("A1", "aisle", box(8, 26, 100, 6)),
        PartDraft("A2", "aisle", box(8, 48, 100, 6)),
        PartDraft("X1", "exit", ((58 * FOOT, 0), (64 * FOOT, 0))),
        PartDraft("D1", "door", box(0, 40, 1, 4)),
        PartDraft("P1", "post", box(112, 30, 1, 1)),
        PartDraft("K1", "counter", box(20, 3, 10, 2), 34 * 16),
        PartDraft("W1", "wall", box(114, 60, 10, 1)),
    )
    return PlanDraft(box(0, 0, 124, 84), parts, tuple(spaces))


def build_plan(session: Session, now: datetime, mall: Mall) -> None:
    """The plan alone, over whatever spaces the mall has under its codes; its other spaces are not drawn."""
    draft = hall_draft()
    codes = {space.code for space in draft.spaces}
    others = [SpaceDraft(s.code, s.kind, s.zone) for s in spaces_of(session, mall.id, now.date()) if s.code not in codes]
    save_plan(session, now, mall, replace(draft, spaces=(*draft.spaces, *others)), version=0)


def build_hall(session: Session, now: datetime, mall: Mall) -> None:
    """The plan and its tenants, with October's rent posted."""
    build_plan(session, now, mall)
    build_tenants(session, now, mall, range(len(NAMES)))
    post_rents(session, now, mall, OCTOBER)
    session.flush()


def build_tenants(session: Session, now: datetime, mall: Mall, which: range) -> None:
    """Dealers H01 on, of five booths each, leaving every sixth and the house's own: H02 has given notice, H03 is for a term.

    Each sold in October, the sixth excepted: $120.00 by the first, $240.00 by the second, and so on.
    """
    if which.start == 0:
        for zone, price in (("middle", "1.75"), ("back", "1.25"), ("case", "3.00")):
            set_rate(session, mall, zone, Decimal(price), per="sqft", starts_on=date(2026, 1, 1))
    free = [str(n) for n in range(1, 61) if n != 12]
    for n in which:
        dealer = add_dealer(session, now, f"H{n + 1:02}", name=NAMES[n], joined_on=date(2025, 3, 1))
        spaces = [space for code in free[n * 6 : n * 6 + 5] if (space := find_space(session, mall.id, code)) is not None]
        lease = make_lease(session, now, mall, dealer, starts_on=date(2026, 1, 1), commission_percent=Decimal(10), spaces=spaces)
        if n == 1:
            lease.notice_on, lease.notice_by, lease.ends_on = date(2026, 10, 20), "dealer", date(2026, 11, 30)
        if n == 2:
            lease.term_ends_on = date(2026, 12, 31)
        if n != 5:
            sold = [line(dealer, 12_000 * (n + 1))]
            take_tickets(session, now, mall, [ticket(f"hall{n}", date(2026, 10, 12), sold, taxed=False)])
    session.flush()
