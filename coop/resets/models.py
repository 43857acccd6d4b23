"""A dealer's pieces and smalls, booths as they were measured, and the sets that stand or will stand in them.

What a change from one set to another needs (its plan, ticks, bookings, logged times) is in `reset_models.py`.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, ClassVar

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Cents, Key, UtcDateTime

PIECE_PLACES = ("booth", "home", "store")
BOUND = ("", "sold", "held", "layaway")
SET_STATES = ("draft", "stands", "stood")


class PieceRow(Base):
    """A thing with a size that a dealer puts into a booth."""

    __tablename__ = "piece"
    __table_args__ = (
        Index(
            "uq_piece_dealer_id_name_key",
            "dealer_id",
            "name_key",
            unique=True,
            postgresql_where=text("gone_on IS NULL"),
            sqlite_where=text("gone_on IS NULL"),
        ),
        CheckConstraint("width_in16 > 0 AND depth_in16 > 0 AND height_in16 > 0", name="has_a_size"),
        CheckConstraint("weight_oz > 0", name="weight_above_zero"),
        CheckConstraint("carries_oz >= 0", name="carries_not_negative"),
        CheckConstraint("stands IN ('floor', 'wall', 'table')", name="known_stands"),
        CheckConstraint(f"place IN {PIECE_PLACES}", name="known_place"),
        CheckConstraint(f"bound IN {BOUND}", name="known_bound"),
        CheckConstraint("(top_width_in16 IS NULL) = (top_depth_in16 IS NULL)", name="top_whole"),
        CheckConstraint("feet >= 0", name="feet_not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"))
    name: Mapped[str] = mapped_column(String(80))
    name_key: Mapped[str] = mapped_column(String(80))
    """Its name without case and needless blanks: no two pieces that a dealer has are called the same."""
    kind: Mapped[str] = mapped_column(String(40), default="")
    """What it is in the dealer's own words: table, cabinet, mirror."""
    width_in16: Mapped[int] = mapped_column(Integer)
    """Across its front."""
    depth_in16: Mapped[int] = mapped_column(Integer)
    height_in16: Mapped[int] = mapped_column(Integer)
    weight_oz: Mapped[int | None] = mapped_column(Integer)
    """Null: nobody weighed it."""
    stands: Mapped[str] = mapped_column(String(5), default="floor")
    """On the floor, on a hook of a wall, on top of another piece."""
    grouping: Mapped[str] = mapped_column(String(40), default="")
    theme: Mapped[str] = mapped_column(String(40), default="")
    colours: Mapped[list[Any]] = mapped_column(JSON, default=list)
    """`#rrggbb`, the main one first."""
    price_cents: Mapped[int | None] = mapped_column(Cents)
    tag: Mapped[str] = mapped_column(String(40), default="")
    """The whole tag as tickets and layaways have it."""
    carries_oz: Mapped[int | None] = mapped_column(Integer)
    """What may stand on its top; null: nothing may."""
    top_width_in16: Mapped[int | None] = mapped_column(Integer)
    top_depth_in16: Mapped[int | None] = mapped_column(Integer)
    """The top that carries, in the middle of it; null: all of it."""
    opens_in16: Mapped[int] = mapped_column(Integer, default=0)
    """Floor that its doors or drawers need before its front."""
    fragile: Mapped[bool] = mapped_column(default=False)
    glass: Mapped[bool] = mapped_column(default=False)
    leans: Mapped[bool] = mapped_column(default=False)
    needs_power: Mapped[bool] = mapped_column(default=False)
    feet: Mapped[int] = mapped_column(Integer, default=4)
    carried: Mapped[list[Any]] = mapped_column(JSON, default=list)
    """[{"how", "width_in16", "depth_in16", "height_in16"}, ...]: its size tilted, on its end, with parts off."""
    place: Mapped[str] = mapped_column(String(5), default="home")
    store_until: Mapped[date | None]
    """In store until this day, or until somebody fetches it."""
    bound: Mapped[str] = mapped_column(String(7), default="")
    """Why it may not go home, as the dealer says it; a ticket or a layaway of its tag says so by itself."""
    note: Mapped[str] = mapped_column(String(400), default="")
    gone_on: Mapped[date | None]
    """From this day the dealer has it no more; sets it stood in keep it."""
    version: Mapped[int] = mapped_column(Integer)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class SmallsRow(Base):
    """Smalls of one grouping, counted: how many, how much room they take in boxes, and which piece they stand on."""

    __tablename__ = "smalls"
    __table_args__ = (
        CheckConstraint("count >= 0", name="count_not_negative"),
        CheckConstraint("each_cuin > 0", name="each_above_zero"),
        CheckConstraint("boxes >= 0", name="boxes_not_negative"),
        CheckConstraint(f"place IN {PIECE_PLACES}", name="known_place"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    grouping: Mapped[str] = mapped_column(String(40))
    count: Mapped[int] = mapped_column(Integer)
    each_cuin: Mapped[int | None] = mapped_column(Integer)
    """Room one takes in a box, in cubic inches; null: not measured."""
    boxes: Mapped[int | None] = mapped_column(Integer)
    """Boxes they fill, where somebody counted; else worked out from their room."""
    fragile: Mapped[bool] = mapped_column(default=False)
    place: Mapped[str] = mapped_column(String(5), default="booth")
    on_piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"))
    """The piece whose top or shelves they go on: what a box's label says."""
    note: Mapped[str] = mapped_column(String(200), default="")
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class BoothMeasure(Base):
    """A measuring of a booth for its sets: its outline and what each side is. Frozen; measured again is a row more."""

    __tablename__ = "booth_measure"
    __table_args__ = (
        UniqueConstraint("space_id", "number"),
        CheckConstraint("way_in16 > 0", name="way_above_zero"),
        CheckConstraint("height_limit_in16 > 0", name="height_above_zero"),
        CheckConstraint("aisle_in16 >= 0", name="aisle_not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    space_id: Mapped[int] = mapped_column(ForeignKey("space.id"))
    number: Mapped[int] = mapped_column(Integer)
    """1 is the first measuring of this space; the highest counts."""
    measured_on: Mapped[date]
    measured_by: Mapped[str] = mapped_column(String(120))
    user_id: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    outline_in16: Mapped[list[Any]] = mapped_column(JSON)
    """Corners [[x, y], ...] of the booth's own drawing: x to the right, y down, its back at the top."""
    sides: Mapped[list[Any]] = mapped_column(JSON)
    """[{"kind", "hooks", "height_in16"}, ...], a side a corner: from corner n to the next."""
    posts_in16: Mapped[list[Any]] = mapped_column(JSON, default=list)
    """[[[x, y], ...], ...]."""
    outlets_in16: Mapped[list[Any]] = mapped_column(JSON, default=list)
    """[[x, y], ...]."""
    height_limit_in16: Mapped[int | None] = mapped_column(Integer)
    way_in16: Mapped[int] = mapped_column(Integer)
    """The path asked inside the booth."""
    aisle_in16: Mapped[int] = mapped_column(Integer, default=0)
    """Clear depth of the aisle before its open sides; 0 where nobody measured it."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class BoothSet(Base):
    """An arrangement of a booth for dates: a draft, what stands, or what stood."""

    __tablename__ = "booth_set"
    __table_args__ = (
        UniqueConstraint("dealer_id", "space_id", "name_key"),
        Index(
            "uq_booth_set_dealer_id_space_id_stands",
            "dealer_id",
            "space_id",
            unique=True,
            postgresql_where=text("state = 'stands'"),
            sqlite_where=text("state = 'stands'"),
        ),
        CheckConstraint(f"state IN {SET_STATES}", name="known_state"),
        CheckConstraint("ends_on >= starts_on", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"))
    space_id: Mapped[int] = mapped_column(ForeignKey("space.id"), index=True)
    measure_id: Mapped[int] = mapped_column(ForeignKey("booth_measure.id"))
    """The measuring it was laid out on; a newer one is told, and the set is laid over it by its dealer."""
    name: Mapped[str] = mapped_column(String(60))
    name_key: Mapped[str] = mapped_column(String(60))
    theme: Mapped[str] = mapped_column(String(40), default="")
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    state: Mapped[str] = mapped_column(String(6), default="draft")
    copied_from_id: Mapped[int | None] = mapped_column(ForeignKey("booth_set.id"))
    note: Mapped[str] = mapped_column(String(400), default="")
    arranged: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    """Of a draft the program laid out: what was asked, what each tier came to, what was left out and why (`arranging.py`)."""
    version: Mapped[int] = mapped_column(Integer)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    changed_at: Mapped[datetime] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class SetPiece(Base):
    """A piece of a set, and where it is put (`domain/piece.Placed`)."""

    __tablename__ = "set_piece"
    __table_args__ = (
        UniqueConstraint("set_id", "piece_id"),
        CheckConstraint("turn_deg BETWEEN 0 AND 359", name="turn_in_circle"),
        CheckConstraint("on_piece_id <> piece_id", name="not_on_itself"),
        CheckConstraint("up_in16 >= 0", name="up_not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    set_id: Mapped[int] = mapped_column(ForeignKey("booth_set.id"))
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    x_in16: Mapped[int] = mapped_column(Integer)
    y_in16: Mapped[int] = mapped_column(Integer)
    """Its middle."""
    turn_deg: Mapped[int] = mapped_column(Integer, default=0)
    on_piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"))
    up_in16: Mapped[int] = mapped_column(Integer, default=0)
    """Height of the lowest edge of what hangs."""
    locked: Mapped[bool] = mapped_column(default=False)


class SetPrice(Base):
    """What a piece is to cost from the day a set stands: its tag is written anew, in one go with the others."""

    __tablename__ = "set_price"
    __table_args__ = (UniqueConstraint("set_id", "piece_id"), CheckConstraint("price_cents > 0", name="price_above_zero"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    set_id: Mapped[int] = mapped_column(ForeignKey("booth_set.id"))
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"), index=True)
    price_cents: Mapped[int] = mapped_column(Cents)
