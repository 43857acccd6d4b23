"""A booth measured for its sets: proposed from the floor plan, checked field by field, kept as a frozen row with a number.

What a measuring says differs from the last one and from the lease is told; nothing of a lease or of the plan is changed by it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime

import shapely
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_FOOT, area_sqft100, format_length, format_sqft
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.floor.domain.areas import area_difference
from coop.floor.domain.draft import TOLERANCE_PERCENT, PlanDraft, SpaceDraft, draft_faults
from coop.floor.domain.plan import STANDING_KINDS, Outline
from coop.floor.models import Mall, Space
from coop.floor.queries import as_outline, parts_of, plan_row, spaces_of
from coop.leases.holding import lock_spaces
from coop.resets.domain.booth import SIDE_KINDS, Booth
from coop.resets.domain.proposing import Around, propose_booth
from coop.resets.holding import HeldBooth, require_held
from coop.resets.models import BoothMeasure
from coop.resets.naming import one_line
from coop.resets.plain import side_values
from coop.resets.reading import booth_of
from coop.resets.sets import newest_measure
from coop.resets.wording import extent, side_names, side_said

SUBJECT = "booth measure"
LEAST_IN16, MOST_IN16 = 2 * IN16_PER_FOOT, 200 * IN16_PER_FOOT
"""What a booth's width and depth lie between."""
_HIGHEST_IN16 = 40 * IN16_PER_FOOT
_LEAST_WAY_IN16, _MOST_WAY_IN16 = 12 * 16, 8 * IN16_PER_FOOT
MOST_CORNERS, MOST_POSTS, MOST_OUTLETS = 40, 20, 40
_OFF_IN16 = 6 * 16
"""How far outside the outline an outlet may be: it lies in the wall."""


class MeasureRefused(Refusal):
    """A measuring that cannot be kept: what is wrong with it, by field (`side 2`, `post 1`, `outlet 3` count from one)."""

    def __init__(self, name: str, faults: Mapping[str, str]) -> None:
        super().__init__(f"{name}: {' '.join(faults.values())}")
        self.faults = dict(faults)


def propose_measure(session: Session, mall: Mall, space: Space, on: date) -> Booth | None:
    """A booth as the plan of a day has it; None where the space is not drawn."""
    outline = as_outline(space.outline_in16)
    if not outline:
        return None
    plan = plan_row(session, mall.id)
    parts = [(part.kind, as_outline(part.outline_in16), part.height_in16) for part in parts_of(session, mall.id)]
    # Spaces that were never drawn on a plan all begin at the same corner: they say nothing of each other.
    others = (one for one in spaces_of(session, mall.id, on) if plan and one.id != space.id and one.kind in STANDING_KINDS)

    def of(*kinds: str) -> list[Outline]:
        return [corners for kind, corners, _ in parts if kind in kinds and len(corners) > 2]

    return propose_booth(
        outline,
        Around(
            floor=as_outline(plan.outline_in16) if plan else (),
            walls=[(corners, height) for kind, corners, height in parts if kind == "wall" and len(corners) > 2],
            doors=of("door", "exit"),
            aisles=of("aisle"),
            others=[corners for one in others if (corners := as_outline(one.outline_in16))],
            fixtures=of("post", "counter", "extinguisher", "fixture"),
        ),
    )


# --- what is wrong with a measuring ----------------------------------------------------------------------------------------


def measure_faults(booth: Booth) -> dict[str, str]:
    """What is wrong with a booth as it was measured, a sentence a field."""
    found = dict(_outline_faults(booth))
    if "outline" not in found:
        found |= dict(_inside_faults(booth))
    for field, sentence in (*_side_faults(booth), *_figure_faults(booth)):
        found.setdefault(field, sentence)
    return found


def _outline_faults(booth: Booth) -> Iterator[tuple[str, str]]:
    """At most one: the first is the one to mend."""
    corners = booth.outline
    if len(corners) > MOST_CORNERS:
        yield "outline", f"A booth has {MOST_CORNERS} corners at most."
        return
    drawn = PlanDraft(corners, spaces=(SpaceDraft("booth", "booth", "booth", corners),))
    wrong = [fault for fault in draft_faults(drawn) if fault.field == "outline"]
    if wrong:
        yield "outline", f"Its outline {wrong[0].reason}"
        return
    if any(corner == corners[n - 1] for n, corner in enumerate(corners)):
        yield "outline", "Two corners that follow each other are the same: leave one out."
        return
    width, depth = extent(corners)
    for word, size in (("wide", width), ("deep", depth)):
        if not LEAST_IN16 <= size <= MOST_IN16:
            yield "outline", f"It would be {format_length(size)} {word}: a plain number is inches, so write 10 feet as 10'."
            return


def _side_faults(booth: Booth) -> Iterator[tuple[str, str]]:
    if len(booth.sides) != len(booth.outline):
        yield "outline", "Say of each side what it is: there are as many sides as corners."
        return
    if not any(side.kind == "open" for side in booth.sides):
        yield "side 1", "No side is open: say by which one people come in."
    for number, side in enumerate(booth.sides, 1):
        if side.kind not in SIDE_KINDS:
            yield f"side {number}", "Choose one of those listed."
        elif side.hooks and side.kind != "wall":
            yield f"side {number}", "Only a wall takes hooks: say it is a wall, or take the tick away."
        elif side.height_in16 is not None and not 0 < side.height_in16 <= _HIGHEST_IN16:
            yield (
                f"side {number}",
                "The wall’s height is above zero and 40 feet at most; leave it empty where nobody measured it.",
            )


def _figure_faults(booth: Booth) -> Iterator[tuple[str, str]]:
    if booth.height_limit_in16 is not None and not 0 < booth.height_limit_in16 <= _HIGHEST_IN16:
        yield "height_limit", "The height limit is above zero and 40 feet at most; leave it empty where there is none."
    if not _LEAST_WAY_IN16 <= booth.way_in16 <= _MOST_WAY_IN16:
        yield "way", 'The path is between 12" and 8 feet wide: 36 is what most malls ask.'
    if not 0 <= booth.aisle_in16 <= MOST_IN16:
        yield "aisle", "The aisle’s depth is zero or more, and 200 feet at most; leave it empty where nobody measured it."


def _inside_faults(booth: Booth) -> Iterator[tuple[str, str]]:
    shape = booth.shape
    if len(booth.posts) > MOST_POSTS:
        yield "post 1", f"A booth has {MOST_POSTS} posts at most."
    if len(booth.outlets) > MOST_OUTLETS:
        yield "outlet 1", f"A booth has {MOST_OUTLETS} outlets at most."
    for number, corners in enumerate(booth.posts[:MOST_POSTS], 1):
        post = shapely.Polygon(corners)
        if not post.is_valid or post.area == 0:
            yield f"post {number}", "Write its width and its depth, each above zero."
        elif not post.intersects(shape) or post.intersection(shape).area == 0:
            yield f"post {number}", "It lies outside of the booth: measure from the left and from the back, as one looks in."
        elif post.intersection(shape).area > shape.area / 2:
            yield f"post {number}", "It would fill more than half of the booth: check its figures."
    for number, at in enumerate(booth.outlets[:MOST_OUTLETS], 1):
        if shape.distance(shapely.Point(at)) > _OFF_IN16:
            yield f"outlet {number}", "It lies outside of the booth: measure from the left and from the back, as one looks in."


# --- keeping it ------------------------------------------------------------------------------------------------------------


def record_booth(
    session: Session,
    now: datetime,
    dealer: Dealer,
    space: Space,
    booth: Booth,
    *,
    measured_on: date,
    measured_by: str,
    user_id: int | None = None,
) -> BoothMeasure:
    """Keep a measuring under the next number. Its upper left is 0, 0 afterwards, wherever its corners were counted from.

    Refuses a booth that is not the dealer's from now on; raises MeasureRefused with what is wrong with each field.
    """
    held = require_held(session, now, dealer.id, space)
    faults = measure_faults(booth)
    if not one_line(measured_by):
        faults["measured_by"] = "Write who measured it."
    elif len(one_line(measured_by)) > 120:
        faults["measured_by"] = "Write it in 120 characters."
    if measured_on > held.today:
        faults["measured_on"] = f"{shown_day(measured_on)} is to come: give the day it was measured."
    if faults:
        raise MeasureRefused(held.name, faults)
    lock_spaces(session, [space])
    last = newest_measure(session, space.id)
    placed = placed_at_origin(booth)
    row = BoothMeasure(
        space_id=space.id,
        number=last.number + 1 if last else 1,
        measured_on=measured_on,
        measured_by=one_line(measured_by),
        user_id=user_id,
        outline_in16=[list(corner) for corner in placed.outline],
        sides=side_values(placed.sides),
        posts_in16=[[list(corner) for corner in post] for post in placed.posts],
        outlets_in16=[list(outlet) for outlet in placed.outlets],
        height_limit_in16=placed.height_limit_in16,
        way_in16=placed.way_in16,
        aisle_in16=placed.aisle_in16,
        created_at=now,
    )
    session.add(row)
    session.flush()
    audit.record(
        session, now, "booth measured", SUBJECT, f"{held.mall.code}/{space.code}", user_id=user_id, detail=f"number {row.number}"
    )
    return row


def placed_at_origin(booth: Booth) -> Booth:
    """The same with the upper left of its outline at 0, 0, its corners going round clockwise as it is looked at."""
    left, top = (min(axis) for axis in zip(*booth.outline, strict=True))

    def moved(corners: Outline) -> Outline:
        return tuple((x - left, y - top) for x, y in corners)

    outline, sides = moved(booth.outline), booth.sides
    if not shapely.LinearRing(outline).is_ccw:
        # Side n ran from corner n to the next: gone round the other way it runs to it.
        outline, sides = outline[::-1], (*sides[-2::-1], sides[-1])
    return Booth(
        outline,
        sides,
        posts=tuple(moved(post) for post in booth.posts),
        outlets=moved(booth.outlets),
        height_limit_in16=booth.height_limit_in16,
        way_in16=booth.way_in16,
        aisle_in16=booth.aisle_in16,
    )


def measures_of(session: Session, space_id: int) -> list[BoothMeasure]:
    """Every measuring of a space, the newest first."""
    query = select(BoothMeasure).where(BoothMeasure.space_id == space_id).order_by(BoothMeasure.number.desc())
    return list(session.scalars(query))


# --- what it differs in ----------------------------------------------------------------------------------------------------


def differences(before: Booth, after: Booth) -> list[str]:
    """What a newer measuring says otherwise than the one before it, a sentence each."""
    found = []
    for word, old, new in zip(("wide", "deep"), extent(before.outline), extent(after.outline), strict=True):
        if old != new:
            found.append(f"It is {format_length(new)} {word} now; it was {format_length(old)}.")
    if not found and before.outline != after.outline:
        found.append(f"Its outline has other corners: {len(after.outline)} of them.")
    found += _side_differences(before, after)
    for what, one, other in (("post", before.posts, after.posts), ("outlet", before.outlets, after.outlets)):
        if len(one) != len(other):
            found.append(f"It has {len(other)} {what}{'' if len(other) == 1 else 's'} now; it had {len(one)}.")
        elif set(one) != set(other):
            found.append(f"Its {what}{' lies' if len(one) == 1 else 's lie'} elsewhere.")
    for what, old_figure, new_figure in (
        ("height limit", before.height_limit_in16, after.height_limit_in16),
        ("path inside", before.way_in16, after.way_in16),
        ("aisle", before.aisle_in16 or None, after.aisle_in16 or None),
    ):
        if old_figure != new_figure:
            found.append(f"Its {what} is {_figure(new_figure)} now; it was {_figure(old_figure)}.")
    return found


def _figure(length_in16: int | None) -> str:
    return "not given" if length_in16 is None else format_length(length_in16)


def _side_differences(before: Booth, after: Booth) -> Iterator[str]:
    names = (side_names(before.outline), side_names(after.outline))
    if names[0] != names[1]:
        return
    for name, old, new in zip(names[0], before.sides, after.sides, strict=True):
        if old != new:
            yield f"Its {name} is {side_said(new)} now; it was {side_said(old)}."


def leased_told(session: Session, held: HeldBooth, booth: Booth) -> str:
    """How the measured area lies to the leased one. Nothing is changed by it, and nobody else is told."""
    measured, leased = area_sqft100(booth.outline), held.leased_sqft100
    plan = plan_row(session, held.mall.id)
    tolerance = plan.tolerance_percent if plan else TOLERANCE_PERCENT
    said = f"It measures {format_sqft(measured)} sq ft; your lease says {format_sqft(leased)}"
    if measured == leased:
        return f"{said}: the same."
    found = area_difference(measured, leased, tolerance)
    how = "more" if found.difference_sqft100 > 0 else "less"
    said = f"{said}: {format_sqft(abs(found.difference_sqft100))} {how}"
    if not found.beyond:
        return f"{said}, within the {tolerance.normalize():f}% that measurings may be apart."
    return (
        f"{said}, beyond the {tolerance.normalize():f}% that measurings may be apart. "
        "Your lease stays as it is: ask the manager to measure."
    )


def said_anew(rows: Sequence[BoothMeasure]) -> list[str]:
    """What the newest measuring of a booth says otherwise than the one before (`measures_of`: the newest first)."""
    return differences(booth_of(rows[1]), booth_of(rows[0])) if len(rows) > 1 else []
