"""Rows of overflow without their services: house rules, a bay, a request with its pieces, a stay. Lengths are inches."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy.orm import Session

from coop.core.geometry import IN16_PER_INCH
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.overflow.models import BayRow, OverflowPiece, OverflowRequest, OverflowRule, Stay
from coop.overflow.rules import OverflowRules

LONG_AGO = date(2020, 1, 1)
NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
"""When things here were made, unless told."""


def lay_rules(session: Session, mall: Mall, starts_on: date = LONG_AGO, **more: Any) -> OverflowRule:
    """The usual rules, with some changed."""
    row = OverflowRule(mall_id=mall.id, **asdict(OverflowRules(starts_on, **more)))
    session.add(row)
    session.flush()
    return row


def lay_bay(
    session: Session, mall: Mall, code: str = "A1-1", length: int = 120, depth: int = 24, *, x: int = 0, y: int = 0, **more: Any
) -> BayRow:
    """A bay that runs to the right from x, y, its floor downward."""
    corners = [[x, y], [x + length, y], [x + length, y + depth], [x, y + depth]]
    values: dict[str, Any] = {"backing": "wall", "palette": [], "starts_on": LONG_AGO, **more}
    row = BayRow(
        mall_id=mall.id,
        code=code,
        aisle=code.partition("-")[0],
        corners_in16=[[side * IN16_PER_INCH for side in corner] for corner in corners],
        length_in16=length * IN16_PER_INCH,
        depth_in16=depth * IN16_PER_INCH,
        **values,
    )
    session.add(row)
    session.flush()
    return row


def lay_request(
    session: Session, mall: Mall, dealer: Dealer, *, asked_on: date, not_before: date, weeks: int, **more: Any
) -> OverflowRequest:
    row = OverflowRequest(
        dealer_id=dealer.id, mall_id=mall.id, asked_on=asked_on, not_before=not_before, weeks=weeks, created_at=NOW, **more
    )
    session.add(row)
    session.flush()
    return row


def lay_piece(
    session: Session,
    dealer: Dealer,
    name: str = "Pine chest",
    size: tuple[int, int, int] = (36, 18, 30),
    request: OverflowRequest | None = None,
    **more: Any,
) -> OverflowPiece:
    """Width, depth and height."""
    width, depth, height = (side * IN16_PER_INCH for side in size)
    row = OverflowPiece(
        dealer_id=dealer.id,
        request_id=None if request is None else request.id,
        name=name,
        width_in16=width,
        depth_in16=depth,
        height_in16=height,
        **more,
    )
    session.add(row)
    session.flush()
    return row


def lay_stay(
    session: Session, piece: OverflowPiece, bay: BayRow, starts_on: date, ends_on: date, *, at: int = 0, **more: Any
) -> Stay:
    """A piece with its back to the bay's, from so far along it."""
    values: dict[str, Any] = {"kind": "asked", **more}
    row = Stay(
        piece_id=piece.id,
        bay_id=bay.id,
        from_in16=at * IN16_PER_INCH,
        to_in16=at * IN16_PER_INCH + piece.width_in16,
        depth_in16=piece.depth_in16,
        starts_on=starts_on,
        ends_on=ends_on,
        granted_until=ends_on,
        created_at=NOW,
        **values,
    )
    session.add(row)
    session.flush()
    return row
