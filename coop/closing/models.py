"""One mall's month-end and its steps."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Key, UtcDateTime

STATES = ("waiting", "running", "done", "refused")


class MonthClose(Base):
    """A month-end of a mall: one row, however often it is started."""

    __tablename__ = "month_close"
    __table_args__ = (UniqueConstraint("mall_id", "first_day"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    first_day: Mapped[date]
    started_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    started_at: Mapped[datetime] = mapped_column(UtcDateTime)
    locked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    finished_at: Mapped[datetime | None] = mapped_column(UtcDateTime)

    steps: Mapped[list[CloseStep]] = relationship(order_by="CloseStep.position", lazy="selectin")


class CloseStep(Base):
    """One named step: waiting, running, done, or refused with its reason and where to mend it."""

    __tablename__ = "close_step"
    __table_args__ = (
        UniqueConstraint("close_id", "name"),
        CheckConstraint(f"state IN {STATES}", name="known_state"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    close_id: Mapped[int] = mapped_column(ForeignKey("month_close.id"))
    name: Mapped[str] = mapped_column(String(20))
    position: Mapped[int] = mapped_column(Integer)
    state: Mapped[str] = mapped_column(String(8), default="waiting")
    report: Mapped[str] = mapped_column(Text, default="")
    """What was done, or why not, in a sentence."""
    mend: Mapped[str] = mapped_column(String(200), default="")
    """Path of the page where it is mended."""
    progress_done: Mapped[int] = mapped_column(Integer, default=0)
    progress_total: Mapped[int] = mapped_column(Integer, default=0)
    tries: Mapped[int] = mapped_column(Integer, default=0)
    """How often it was taken up again: part of its job's key."""
    finished_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class CloseOverride(Base):
    """A step that the manager lets pass, with the reason. Frozen."""

    __tablename__ = "close_override"
    __table_args__ = (UniqueConstraint("close_id", "step"), CheckConstraint("reason <> ''", name="with_a_reason"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    close_id: Mapped[int] = mapped_column(ForeignKey("month_close.id"))
    step: Mapped[str] = mapped_column(String(20))
    reason: Mapped[str] = mapped_column(String(400))
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
