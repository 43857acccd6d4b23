"""Where people come into booths: said side by side of a booth's outline, kept open by the bays."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from math import hypot

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_INCH, format_length
from coop.floor.domain.plan import Outline
from coop.floor.models import Mall, Space
from coop.floor.queries import as_outline
from coop.leases.editing import By
from coop.overflow.domain.keepouts import Opening
from coop.overflow.models import BoothOpening
from coop.overflow.survey_asking import ask_survey

LEAST_IN16 = 32 * IN16_PER_INCH
"""2010 ADA Standards 404.2.3: the clear width of a doorway."""


def set_openings(
    session: Session, now: datetime, mall: Mall, space: Space, openings: Sequence[tuple[int, int, int]], *, by: By
) -> None:
    """Where people come into a booth: (side, from, width) each, lengths in sixteenths of an inch; none: as is usual again.

    Refuses, naming it, a side the booth does not have, what runs beyond its side or over another, and less than 32 in.
    """
    outline = as_outline(space.outline_in16)
    if openings and not outline:
        raise Refusal(f"{_named(space)} is not drawn on the plan of {mall.name}: draw it first.")
    wanted = sorted(openings)
    for opening in wanted:
        _require_fits(space, outline, *opening)
    for (side, from_in16, width_in16), (other, begins, _) in pairwise(wanted):
        if side == other and begins < from_in16 + width_in16:
            raise Refusal(
                f"{_named(space)}, side {side + 1}: the opening from {format_length(begins)} begins before the one from "
                f"{format_length(from_in16)} ends; make them one."
            )
    session.execute(delete(BoothOpening).where(BoothOpening.space_id == space.id))
    session.add_all(
        BoothOpening(space_id=space.id, side=side, from_in16=from_in16, width_in16=width_in16)
        for side, from_in16, width_in16 in wanted
    )
    session.flush()
    said = ", ".join(f"side {side + 1} from {format_length(at)}, {format_length(width)} wide" for side, at, width in wanted)
    audit.record(
        session,
        now,
        "openings set",
        "space",
        space.id,
        user_id=by.user_id,
        request_id=by.request_id,
        detail=f"{mall.code} {space.code}: {said or 'as is usual'}",
    )
    ask_survey(session, now, mall)


def _require_fits(space: Space, outline: Outline, side: int, from_in16: int, width_in16: int) -> None:
    if not 0 <= side < len(outline):
        raise Refusal(f"{_named(space)} has the sides 1 to {len(outline)}, and an opening is on side {side + 1}: choose another.")
    far = side_in16(outline, side)
    if width_in16 < LEAST_IN16:
        raise Refusal(
            f"{_named(space)}, side {side + 1}: an opening of {format_length(width_in16)} is too narrow; make it "
            f"{format_length(LEAST_IN16)} or wider (2010 ADA Standards 404.2.3)."
        )
    if from_in16 < 0 or from_in16 + width_in16 > far:
        raise Refusal(
            f"{_named(space)}, side {side + 1}: an opening of {format_length(width_in16)} from {format_length(from_in16)} on "
            f"runs beyond its side, which is {format_length(far)} long."
        )


def openings_of(session: Session, mall_id: int) -> tuple[Opening, ...]:
    """The openings of a mall's booths that its plan has the sides of, for working out bays."""
    return tuple(opening for opening, outline in _all(session, mall_id) if _fits(opening, outline))


def lost_openings(session: Session, mall_id: int) -> list[str]:
    """In sentences, openings that were said and are left out: the outline of their booth has changed since."""
    return [
        f"Space {opening.space} has no side {opening.side + 1} any more that holds the opening said for it, "
        f"{format_length(opening.width_in16)} from {format_length(opening.from_in16)}: it is left out. Say its openings again."
        for opening, outline in _all(session, mall_id)
        if not _fits(opening, outline)
    ]


def _all(session: Session, mall_id: int) -> list[tuple[Opening, Outline]]:
    rows = session.execute(
        select(BoothOpening, Space.code, Space.outline_in16)
        .join(Space, Space.id == BoothOpening.space_id)
        .where(Space.mall_id == mall_id)
        .order_by(Space.id, BoothOpening.side, BoothOpening.from_in16)
    )
    return [(Opening(code, row.side, row.from_in16, row.width_in16), as_outline(outline)) for row, code, outline in rows]


def _fits(opening: Opening, outline: Outline) -> bool:
    return opening.side < len(outline) and opening.from_in16 + opening.width_in16 <= side_in16(outline, opening.side)


def side_in16(outline: Outline, side: int) -> int:
    """How long a side is, to the nearest sixteenth."""
    (ax, ay), (bx, by) = outline[side], outline[(side + 1) % len(outline)]
    return round(hypot(bx - ax, by - ay))


def _named(space: Space) -> str:
    return f"{space.kind.capitalize()} {space.code}"
