"""Malls, their plans, and the spaces in them."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any, ClassVar

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Key, Rate, UtcDateTime

SPACE_KINDS = ("booth", "case", "shelf", "wall")
PART_KINDS = ("wall", "door", "exit", "aisle", "post", "counter", "extinguisher", "fixture")


class Mall(Base):
    """One building the co-op runs, with its own time zone and tax place."""

    __tablename__ = "mall"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    code: Mapped[str] = mapped_column(String(12), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    timezone: Mapped[str] = mapped_column(String(60))
    address: Mapped[str] = mapped_column(String(400), default="")
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class FloorPlan(Base):
    """A mall's plan: its outline, and what is asked of its aisles. Its parts and spaces stand in rows of their own."""

    __tablename__ = "floor_plan"
    __table_args__ = (
        CheckConstraint("required_clear_in16 > 0", name="width_above_zero"),
        CheckConstraint("tolerance_percent >= 0", name="tolerance_not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), unique=True)
    outline_in16: Mapped[list[Any]] = mapped_column(JSON)
    """Corners [[x, y], ...] in sixteenths of an inch, x to the right and y down from the plan's upper left."""
    required_clear_in16: Mapped[int] = mapped_column(Integer, default=576)
    """Clear width of an aisle that has none of its own: 36 in. at least, more where the fire marshal says."""
    tolerance_percent: Mapped[Decimal] = mapped_column(Rate, default=Decimal(2))
    """How far a leased area may be from the drawn one before both sides are told."""
    version: Mapped[int] = mapped_column(Integer)
    """Counts up with every change of the plan, its parts or its spaces' outlines: a change made from an older one is refused."""
    changed_at: Mapped[datetime] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class PlanPart(Base):
    """What stands or lies on a plan beside its spaces: a wall, a door, an exit, an aisle, a post, a counter."""

    __tablename__ = "plan_part"
    __table_args__ = (
        UniqueConstraint("mall_id", "code"),
        CheckConstraint(f"kind IN {PART_KINDS}", name="known_kind"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    code: Mapped[str] = mapped_column(String(20))
    kind: Mapped[str] = mapped_column(String(12))
    outline_in16: Mapped[list[Any]] = mapped_column(JSON)
    """Corners [[x, y], ...] of what it covers."""
    height_in16: Mapped[int | None] = mapped_column(Integer)


class AisleWidth(Base):
    """The clear width an aisle (or, without one, the whole mall) must keep from a day on, and who says so."""

    __tablename__ = "aisle_width"
    __table_args__ = (
        Index("uq_aisle_width_mall_id_aisle_starts_on", "mall_id", "aisle", "starts_on", unique=True),
        CheckConstraint("required_clear_in16 > 0", name="width_above_zero"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    aisle: Mapped[str] = mapped_column(String(20), default="")
    """Code of the aisle; empty for every aisle of the mall."""
    starts_on: Mapped[date]
    required_clear_in16: Mapped[int] = mapped_column(Integer)
    said_by: Mapped[str] = mapped_column(String(120), default="")


class Space(Base):
    """Anything rented: a booth (floor), a case (locked), a shelf or a wall."""

    __tablename__ = "space"
    __table_args__ = (
        UniqueConstraint("mall_id", "code"),
        CheckConstraint(f"kind IN {SPACE_KINDS}", name="known_kind"),
        CheckConstraint("measured_area_sqft100 >= 0", name="area_not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    code: Mapped[str] = mapped_column(String(20))
    kind: Mapped[str] = mapped_column(String(8))
    zone: Mapped[str] = mapped_column(String(20))
    """front, middle, back, window, case, shelf: what a rate is dated for."""
    outline_in16: Mapped[list[Any] | None] = mapped_column(JSON)
    """Corners [[x, y], ...] on the mall's plan, in sixteenths of an inch; null while it is not drawn."""
    measured_area_sqft100: Mapped[int] = mapped_column(Integer, default=0)
    """Measured, in hundredths of a square foot; what a lease is signed for is the lease's own figure."""
    length_in16: Mapped[int | None] = mapped_column(Integer)
    """Measured running length, for a price by the linear foot (shelves and walls)."""
    measured_on: Mapped[date | None]
    measured_by: Mapped[str] = mapped_column(String(120), default="")
    retired_on: Mapped[date | None]
    """From this day it is not rented any more."""


class SpaceMeasure(Base):
    """A measuring of a space: who measured what, and when. The newest is the space's own figure."""

    __tablename__ = "space_measure"
    __table_args__ = (CheckConstraint("area_sqft100 >= 0", name="area_not_negative"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    space_id: Mapped[int] = mapped_column(ForeignKey("space.id"), index=True)
    measured_on: Mapped[date]
    measured_by: Mapped[str] = mapped_column(String(120))
    area_sqft100: Mapped[int] = mapped_column(Integer)
    length_in16: Mapped[int | None] = mapped_column(Integer)
    note: Mapped[str] = mapped_column(String(200), default="")
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
