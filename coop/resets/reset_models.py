"""A reset: the change from one set to the next on a day, its plans and ticks, what it books, and the times that were logged."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, ClassVar

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Integer, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Key, UtcDateTime

RESET_STATES = ("planned", "under way", "done", "dropped")
BOOKED_KINDS = ("dock", "staging", "aisle")
_DAY = "BETWEEN 0 AND 1440"


class Reset(Base):
    """A booth goes from what stands in it to another set, on a day."""

    __tablename__ = "booth_reset"
    __table_args__ = (
        CheckConstraint(f"state IN {RESET_STATES}", name="known_state"),
        CheckConstraint(f"begins_minute {_DAY} AND ends_minute {_DAY} AND begins_minute < ends_minute", name="forward"),
        CheckConstraint("people > 0", name="somebody"),
        CheckConstraint("from_set_id <> to_set_id", name="two_sets"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    space_id: Mapped[int] = mapped_column(ForeignKey("space.id"), index=True)
    from_set_id: Mapped[int | None] = mapped_column(ForeignKey("booth_set.id"))
    """Null: the booth is empty before."""
    to_set_id: Mapped[int | None] = mapped_column(ForeignKey("booth_set.id"))
    """Null: the booth is emptied."""
    on_date: Mapped[date]
    begins_minute: Mapped[int] = mapped_column(Integer)
    ends_minute: Mapped[int] = mapped_column(Integer)
    """Of the mall's day, by its clock."""
    people: Mapped[int] = mapped_column(Integer, default=2)
    """Who works on it, the dealer among them."""
    helpers: Mapped[list[Any]] = mapped_column(JSON, default=list)
    """[{"from_minute", "to_minute", "people"}, ...]: more hands for a time."""
    staging: Mapped[list[Any]] = mapped_column(JSON, default=list)
    """[{"name", "width_in16", "depth_in16"}, ...]: floor on which pieces wait meanwhile."""
    way_id: Mapped[int | None] = mapped_column(ForeignKey("carry_way.id"))
    van: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    """{"width_in16", "depth_in16", "height_in16", "payload_oz"}; null: no van is asked for."""
    state: Mapped[str] = mapped_column(String(9), default="planned")
    note: Mapped[str] = mapped_column(String(400), default="")
    version: Mapped[int] = mapped_column(Integer)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    done_at: Mapped[datetime | None] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class ResetPlan(Base):
    """A plan of a reset as it was worked out: moves, hands, hours and kit as plain values. Frozen; a newer one is a row more."""

    __tablename__ = "reset_plan"
    __table_args__ = (UniqueConstraint("reset_id", "number"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    reset_id: Mapped[int] = mapped_column(ForeignKey("booth_reset.id"))
    number: Mapped[int] = mapped_column(Integer)
    """1 is the first; the highest counts."""
    value: Mapped[dict[str, Any]] = mapped_column(JSON)
    made_of: Mapped[str] = mapped_column(String(64))
    """SHA-256 over what it was worked out from: another one means that pieces, sets or the booth have changed since."""
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)


class ResetTick(Base):
    """A move of a plan that was done, as whoever stood in the booth ticked it; it may come long after, with the network."""

    __tablename__ = "reset_tick"
    __table_args__ = (UniqueConstraint("plan_id", "move_number"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    plan_id: Mapped[int] = mapped_column(ForeignKey("reset_plan.id"))
    move_number: Mapped[int] = mapped_column(Integer)
    is_done: Mapped[bool]
    """False: it was ticked, and the tick taken back."""
    ticked_at: Mapped[datetime] = mapped_column(UtcDateTime)
    """By the device's clock: of two that come for one move, the later counts."""
    received_at: Mapped[datetime] = mapped_column(UtcDateTime)
    user_id: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))


class ResetBooking(Base):
    """Dock, staging floor or aisle taken for a reset for some of a day: no two resets take one place at once."""

    __tablename__ = "reset_booking"
    __table_args__ = (
        CheckConstraint(f"kind IN {BOOKED_KINDS}", name="known_kind"),
        CheckConstraint(f"from_minute {_DAY} AND to_minute {_DAY} AND from_minute < to_minute", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    reset_id: Mapped[int] = mapped_column(ForeignKey("booth_reset.id"), index=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    kind: Mapped[str] = mapped_column(String(7))
    place: Mapped[str] = mapped_column(String(60))
    """Name of the dock or of the staging floor, code of the aisle's stretch (the booth before which it lies)."""
    on_date: Mapped[date]
    from_minute: Mapped[int] = mapped_column(Integer)
    to_minute: Mapped[int] = mapped_column(Integer)


class CarryWay(Base):
    """A way from the aisle to where vans are loaded: its doors, corners, steps and elevator, measured."""

    __tablename__ = "carry_way"
    __table_args__ = (UniqueConstraint("mall_id", "name"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    name: Mapped[str] = mapped_column(String(60))
    legs: Mapped[list[Any]] = mapped_column(JSON)
    """[{"kind", ...its measures}, ...] from the aisle outwards (`domain/way.py`)."""
    version: Mapped[int] = mapped_column(Integer)
    changed_at: Mapped[datetime] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class StagingFloor(Base):
    """Floor of a mall on which pieces may wait during a reset, as the manager lends it."""

    __tablename__ = "staging_floor"
    __table_args__ = (
        UniqueConstraint("mall_id", "name"),
        CheckConstraint("width_in16 > 0 AND depth_in16 > 0", name="has_a_size"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    name: Mapped[str] = mapped_column(String(60))
    width_in16: Mapped[int] = mapped_column(Integer)
    depth_in16: Mapped[int] = mapped_column(Integer)
    note: Mapped[str] = mapped_column(String(200), default="")


class ResetTime(Base):
    """How long some work of a reset took, as the dealer logged it: what the next estimate is corrected by."""

    __tablename__ = "reset_time"
    __table_args__ = (
        CheckConstraint("minutes > 0", name="minutes_above_zero"),
        CheckConstraint("count > 0", name="count_above_zero"),
        CheckConstraint("people > 0", name="somebody"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    reset_id: Mapped[int | None] = mapped_column(ForeignKey("booth_reset.id"))
    task: Mapped[str] = mapped_column(String(20))
    """A kind of task (`domain/hours/tasks.TASK_KINDS`)."""
    minutes: Mapped[int] = mapped_column(Integer)
    people: Mapped[int] = mapped_column(Integer, default=1)
    count: Mapped[int] = mapped_column(Integer, default=1)
    """How many of what the kind is counted by: pieces moved, boxes packed, tags written."""
    on_date: Mapped[date]
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class ResetSetting(Base):
    """What a dealer's plans go by where it is not the usual: minutes of tasks, smalls a box, days of the season."""

    __tablename__ = "reset_setting"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), unique=True)
    value: Mapped[dict[str, Any]] = mapped_column(JSON)
    """As `settings.read_setting` reads it."""
    version: Mapped[int] = mapped_column(Integer)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]
