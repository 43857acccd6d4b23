"""What the pages of the floor read: each space with who holds it, what it brings in and what is owed for it.

No page's number of queries grows with its spaces or their dealers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books import queries as books
from coop.core.periods import Month, days_within
from coop.floor import queries as floor
from coop.floor.domain.areas import drawn_area_sqft100
from coop.floor.domain.draft import PlanDraft, SpaceDraft, draft_faults, to_plan
from coop.floor.domain.findings import Finding, judge_plan
from coop.floor.domain.plan import Outline, PlanFault
from coop.floor.models import Mall, Space
from coop.leases.models import Offer
from coop.leases.occupancy import Hold, holds, rents_between
from coop.leases.settling import arrears_of
from coop.overflow.reading import standing_between
from coop.sales.queries import net_between

AGES = ("not past due", "1 to 30 days past due", "31 to 60 days past due", "61 to 90 days past due", "over 90 days past due")
"""The ages of coop.leases.domain.settlement.Arrears in words."""
MONTHS = (1, 12)
"""How many months figures may be asked over."""


@dataclass(frozen=True)
class Span:
    """The months that rent and sales are taken over, the last one closed where any is."""

    first: Month
    last: Month
    closed: bool

    @property
    def words(self) -> str:
        months = self.last.name if self.first == self.last else f"the twelve months from {self.first.name} to {self.last.name}"
        return months if self.closed else f"{months} (not closed yet)"

    @property
    def months(self) -> list[Month]:
        made = [self.first]
        while made[-1] < self.last:
            made.append(made[-1].next)
        return made


def span_of(session: Session, mall: Mall, today: date, months: int) -> Span:
    """The last closed month, or the twelve up to it; where none is closed, up to the last one that is over."""
    closed = books.last_closed(session, mall.id)
    last = closed or Month.of(today).previous
    first = last
    for _ in range(months - 1):
        first = first.previous
    return Span(first, last, closed is not None)


@dataclass(frozen=True)
class SpaceRow:
    """A space as the plan and its table show it. Figures a square foot are cents a month."""

    space_id: int
    code: str
    kind: str
    zone: str
    outline: Outline
    area_sqft100: int
    """As leased; while nobody holds it as measured, else as drawn."""
    state: str
    """held, noticed, promised (leased from a later day), offered (to somebody who has not answered yet) or vacant."""
    held: Sequence[Hold]
    """Today; several where it is shared."""
    next_from: date | None
    """First day of the next lease of a space that nobody holds."""
    rent_per_sqft_cents: Fraction | None
    sales_per_sqft_cents: Fraction | None
    past_due_cents: int
    """What its dealers have open past its day, all their spaces together, as of the day."""
    oldest: int
    """Index in AGES of the oldest of it; 0 where nothing is past due."""

    @property
    def dealers(self) -> str:
        return ", ".join(hold.dealer_code for hold in self.held)

    @property
    def names(self) -> str:
        return ", ".join(hold.dealer_name for hold in self.held)

    @property
    def ends_on(self) -> date | None:
        return min((hold.ends_on for hold in self.held if hold.ends_on), default=None)

    @property
    def term_ends_on(self) -> date | None:
        return min((hold.term_ends_on for hold in self.held if hold.term_ends_on), default=None)

    @property
    def until(self) -> date | None:
        return self.ends_on or self.term_ends_on


def sqft_months(held: Sequence[Hold], months: Sequence[Month]) -> Fraction:
    """Square feet times months held: a space of 100 sq ft held for half of a month is 50. Shares count as their part."""
    return sum(
        (
            Fraction(hold.leased_sqft100, 100)
            * Fraction(hold.share_percent)
            / 100
            * Fraction(days_within(month, hold.starts_on, hold.ends_on), month.days)
            for hold in held
            for month in months
        ),
        Fraction(0),
    )


def space_rows(session: Session, mall: Mall, today: date, span: Span) -> list[SpaceRow]:
    """Every space of a mall that is not retired.

    A dealer's sales are spread over all the floor she leases, for no ticket says in which space a thing stood.
    """
    first, last = span.first.first_day, span.last.last_day
    held = holds(session, mall.id, since=min(first, today))
    by_space, by_dealer = _grouped(held, "space_id"), _grouped(held, "dealer_id")
    rents = rents_between(session, mall.id, first, last)
    sales = net_between(session, mall.id, first, last)
    open_by_dealer = {row.dealer_id: row.arrears.ages for row in arrears_of(session, mall.id, today)}
    offered = set(session.scalars(select(Offer.space_id).join(Space).where(Space.mall_id == mall.id, Offer.state == "open")))
    weights = {hold: sqft_months([hold], span.months) for hold in held}
    per_dealer = {
        dealer_id: Fraction(sales.get(dealer_id, 0)) / floor_months
        for dealer_id, mine in by_dealer.items()
        if (floor_months := sum((weights[hold] for hold in mine), Fraction(0)))
    }
    return [
        _row(
            space,
            by_space.get(space.id, []),
            today,
            weights,
            rents.get(space.id),
            per_dealer,
            open_by_dealer,
            space.id in offered,
        )
        for space in floor.spaces_of(session, mall.id, today)
    ]


def _grouped(held: Sequence[Hold], by: str) -> dict[int, list[Hold]]:
    groups: dict[int, list[Hold]] = {}
    for hold in held:
        groups.setdefault(getattr(hold, by), []).append(hold)
    return groups


def _row(
    space: Space,
    held: Sequence[Hold],
    today: date,
    weights: Mapping[Hold, Fraction],
    rent_cents: int | None,
    per_dealer: Mapping[int, Fraction],
    open_by_dealer: Mapping[int, tuple[int, ...]],
    is_offered: bool,
) -> SpaceRow:
    now = [_as_of(hold, today) for hold in held if hold.on(today)]
    later = min((hold.starts_on for hold in held if hold.starts_on > today), default=None)
    outline = floor.as_outline(space.outline_in16)
    area = now[0].leased_sqft100 if now else space.measured_area_sqft100 or drawn_area_sqft100(outline)
    floor_months = sum((weights[hold] for hold in held), Fraction(0))
    weighed = [(weights[hold], per_dealer.get(hold.dealer_id)) for hold in held]
    ages = [open_by_dealer[dealer_id] for dealer_id in {hold.dealer_id for hold in now} & open_by_dealer.keys()]
    sold = [weight * figure for weight, figure in weighed if figure is not None and weight]
    return SpaceRow(
        space_id=space.id,
        code=space.code,
        kind=space.kind,
        zone=space.zone,
        outline=outline,
        area_sqft100=area,
        state=_state(now, later, is_offered),
        held=now,
        next_from=None if now else later,
        rent_per_sqft_cents=Fraction(rent_cents) / floor_months if rent_cents is not None and floor_months else None,
        sales_per_sqft_cents=sum(sold, Fraction(0)) / floor_months if sold else None,
        past_due_cents=sum(sum(of_one[1:]) for of_one in ages),
        oldest=max((n for of_one in ages for n, cents in enumerate(of_one) if n and cents), default=0),
    )


def _as_of(hold: Hold, today: date) -> Hold:
    """The same without a term that is over: it goes on by the month, and that day says nothing any more."""
    return replace(hold, term_ends_on=None) if hold.term_ends_on is not None and hold.term_ends_on < today else hold


def _state(now: Sequence[Hold], later: date | None, is_offered: bool) -> str:
    if not now:
        return "promised" if later else "offered" if is_offered else "vacant"
    return "noticed" if any(hold.notice_on for hold in now) else "held"


# --- the plan as it would be judged -----------------------------------------------------------------------------------------


def whole_draft(session: Session, mall: Mall, today: date) -> PlanDraft:
    """The mall's plan as it is; without an outline, but with the spaces there are, where none is drawn yet."""
    found = floor.draft_of(session, mall, today)
    if found is not None:
        return found
    spaces = [
        SpaceDraft(s.code, s.kind, s.zone, floor.as_outline(s.outline_in16)) for s in floor.spaces_of(session, mall.id, today)
    ]
    return PlanDraft((), spaces=tuple(spaces))


def judged(session: Session, mall: Mall, today: date, draft: PlanDraft) -> tuple[list[PlanFault], list[Finding]]:
    """Why a draft cannot be drawn, or else everything wrong with it on a day. Saves nothing."""
    faults = draft_faults(draft)
    return faults, [] if faults else judge_plan(to_plan(draft, floor.widths_on(session, mall.id, today)))


def lent_lengths(session: Session, mall_id: int, day: date) -> dict[int, int]:
    """Length of aisle floor that dealers have on a day, in sixteenths of an inch, by the dealer's id."""
    found: dict[int, int] = {}
    for one in standing_between(session, mall_id, day, day):
        found[one.dealer.id] = found.get(one.dealer.id, 0) + one.stay.to_in16 - one.stay.from_in16
    return found
