"""Malls and the spaces in them."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Integer, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Key, UtcDateTime

SPACE_KINDS = ("booth", "case", "shelf", "wall")


class Mall(Base):
    """One building the co-op runs, with its own time zone and tax place."""

    __tablename__ = "mall"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    code: Mapped[str] = mapped_column(String(12), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    timezone: Mapped[str] = mapped_column(String(60))
    address: Mapped[str] = mapped_column(String(400), default="")
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


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
    """Corners [[x, y], ...] on the mall's plan, in sixteenths of an inch."""
    measured_area_sqft100: Mapped[int] = mapped_column(Integer, default=0)
    """Measured, in hundredths of a square foot; what a lease is signed for is the lease's own figure."""
    measured_on: Mapped[date | None]
    measured_by: Mapped[str] = mapped_column(String(120), default="")
