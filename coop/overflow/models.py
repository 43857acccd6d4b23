"""Overflow floor: house rules, openings of booths, bays, requests and pieces, who stands where, drafts, walks along aisles."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any, ClassVar

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Cents, Key, Rate, UtcDateTime
from coop.overflow.domain.bay import BACKINGS
from coop.overflow.domain.fees import KINDS as FEE_KINDS
from coop.overflow.domain.piece import GLASS

REQUEST_STATES = ("waiting", "partly", "granted", "withdrawn")
STAY_KINDS = ("asked", "sold")
STAY_STATES = ("stands", "cancelled")
DRAFT_STATES = ("draft", "published", "dropped")
ANSWERS = ("granted", "partly", "refused")
MARKS = ("in place", "out of place", "not there")


class OverflowRule(Base):
    """A mall's house rules of overflow from a day on."""

    __tablename__ = "overflow_rule"
    __table_args__ = (
        UniqueConstraint("mall_id", "starts_on"),
        CheckConstraint(f"fee_kind IN {FEE_KINDS}", name="known_fee"),
        CheckConstraint("fee_cents >= 0", name="fee_not_negative"),
        CheckConstraint(f"glass IN {GLASS}", name="known_glass"),
        CheckConstraint("last_by IN ('fee', 'price')", name="known_last"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    starts_on: Mapped[date]
    fee_kind: Mapped[str] = mapped_column(String(10))
    fee_cents: Mapped[int] = mapped_column(Cents)
    """A week, for each foot along the bay or for each piece."""
    most_in16: Mapped[int | None] = mapped_column(Integer)
    """Running length a dealer may have at a time; null: no limit."""
    most_pieces: Mapped[int | None] = mapped_column(Integer)
    least_depth_in16: Mapped[int] = mapped_column(Integer)
    least_length_in16: Mapped[int] = mapped_column(Integer)
    """A bay is at least so deep and so long."""
    deepest_in16: Mapped[int] = mapped_column(Integer)
    """And at most so deep, however wide the aisle."""
    entry_in16: Mapped[int] = mapped_column(Integer)
    """Kept open in the middle of a booth's side where nobody said where people come in."""
    gap_in16: Mapped[int] = mapped_column(Integer)
    highest_in16: Mapped[int] = mapped_column(Integer)
    wall_above_in16: Mapped[int] = mapped_column(Integer)
    before_in16: Mapped[int] = mapped_column(Integer)
    tips_from: Mapped[Decimal] = mapped_column(Rate)
    glass: Mapped[str] = mapped_column(String(9))
    """Heights and limits of `domain.piece.PieceRules`."""
    recall_days: Mapped[int] = mapped_column(Integer)
    """Days of notice when a dealer is asked for lent floor back."""
    longest_weeks: Mapped[int] = mapped_column(Integer)
    """A request asks for at most so many."""
    rotation_weeks: Mapped[int] = mapped_column(Integer)
    """A dealer may be in one bay at most so many of any 52 weeks."""
    sold_days: Mapped[int] = mapped_column(Integer)
    """A sold piece may wait so many days to be fetched, free of charge."""
    last_by: Mapped[str] = mapped_column(String(5))
    """What decides last between equals: the fee or the price of the piece."""


class BoothOpening(Base):
    """Where people come into a booth: kept open. A space without any keeps the middle of each side that looks on an aisle."""

    __tablename__ = "booth_opening"
    __table_args__ = (
        UniqueConstraint("space_id", "side", "from_in16"),
        CheckConstraint("side >= 0 AND from_in16 >= 0", name="place_not_negative"),
        CheckConstraint("width_in16 > 0", name="has_a_width"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    space_id: Mapped[int] = mapped_column(ForeignKey("space.id"))
    side: Mapped[int] = mapped_column(Integer)
    """Side n runs from corner n of the space's outline to the next."""
    from_in16: Mapped[int] = mapped_column(Integer)
    width_in16: Mapped[int] = mapped_column(Integer)


class BayRow(Base):
    """A bay as it was worked out from the plan. Cut anew it is another row, with its code: pieces keep the place they had."""

    __tablename__ = "bay"
    __table_args__ = (
        Index(
            "uq_bay_mall_id_code",
            "mall_id",
            "code",
            unique=True,
            postgresql_where=text("ended_on IS NULL"),
            sqlite_where=text("ended_on IS NULL"),
        ),
        CheckConstraint("length_in16 > 0 AND depth_in16 > 0", name="has_a_size"),
        CheckConstraint(f"backing IN {BACKINGS}", name="known_backing"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    code: Mapped[str] = mapped_column(String(28))
    aisle: Mapped[str] = mapped_column(String(20))
    corners_in16: Mapped[list[Any]] = mapped_column(JSON)
    """[[x, y], ...] of `domain.bay.Bay`: along the back, then back along the front."""
    length_in16: Mapped[int] = mapped_column(Integer)
    depth_in16: Mapped[int] = mapped_column(Integer)
    backing: Mapped[str] = mapped_column(String(7))
    before: Mapped[str] = mapped_column(String(20), default="")
    """Code of the space whose side is behind it."""
    is_lent: Mapped[bool] = mapped_column(default=True)
    """False: the manager keeps it free."""
    palette: Mapped[list[Any]] = mapped_column(JSON, default=list)
    """`#rrggbb` that suit what stands about it."""
    note: Mapped[str] = mapped_column(String(200), default="")
    starts_on: Mapped[date]
    ended_on: Mapped[date | None]
    """From this day it is no bay any more."""


class BaySurvey(Base):
    """What working out a mall's bays found last: why an aisle has none, and what must move."""

    __tablename__ = "bay_survey"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), unique=True)
    made_of: Mapped[str] = mapped_column(String(64), default="")
    """SHA-256 over plan, widths, openings, rules and stays it was worked out from; empty before the first."""
    made_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    value: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id", ondelete="SET NULL"), index=True)


class OverflowRequest(Base):
    """A dealer asks for floor for some weeks; until it is granted or withdrawn it waits, and counts as waiting longer."""

    __tablename__ = "overflow_request"
    __table_args__ = (
        CheckConstraint(f"state IN {REQUEST_STATES}", name="known_state"),
        CheckConstraint("weeks > 0 AND flexible_weeks >= 0", name="weeks"),
        Index("uq_overflow_request_key", "key", unique=True),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    asked_on: Mapped[date]
    """By the mall's calendar: days waited run from here."""
    not_before: Mapped[date]
    weeks: Mapped[int] = mapped_column(Integer)
    flexible_weeks: Mapped[int] = mapped_column(Integer, default=0)
    """It may begin so many weeks later."""
    together: Mapped[bool] = mapped_column(default=False)
    """Its pieces stand side by side or not at all."""
    bay_code: Mapped[str] = mapped_column(String(28), default="")
    """The bay wished for, if any."""
    note: Mapped[str] = mapped_column(String(400), default="")
    state: Mapped[str] = mapped_column(String(9), default="waiting")
    key: Mapped[str | None] = mapped_column(String(32))
    """Of the form it was sent by: sent twice it is one."""
    version: Mapped[int] = mapped_column(Integer)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class OverflowPiece(Base):
    """A piece that stands or is to stand in an aisle: asked for, or sold and waiting to be fetched (without a request)."""

    __tablename__ = "overflow_piece"
    __table_args__ = (
        CheckConstraint("width_in16 > 0 AND depth_in16 > 0 AND height_in16 > 0", name="has_a_size"),
        CheckConstraint("weight_oz > 0", name="weight_above_zero"),
        CheckConstraint("price_cents >= 0", name="price_not_negative"),
        Index("uq_overflow_piece_key", "key", unique=True),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    request_id: Mapped[int | None] = mapped_column(ForeignKey("overflow_request.id"), index=True)
    name: Mapped[str] = mapped_column(String(80))
    width_in16: Mapped[int] = mapped_column(Integer)
    """Across its front."""
    depth_in16: Mapped[int] = mapped_column(Integer)
    height_in16: Mapped[int] = mapped_column(Integer)
    weight_oz: Mapped[int | None] = mapped_column(Integer)
    colour: Mapped[str] = mapped_column(String(7), default="")
    """`#rrggbb`, its main one; empty: not said."""
    grouping: Mapped[str] = mapped_column(String(40), default="")
    price_cents: Mapped[int | None] = mapped_column(Cents)
    glass: Mapped[bool] = mapped_column(default=False)
    may_turn: Mapped[bool] = mapped_column(default=False)
    tag: Mapped[str] = mapped_column(String(40), default="")
    key: Mapped[str | None] = mapped_column(String(32))
    """Of the form by which it was put down as sold: sent twice it is one."""


class Stay(Base):
    """A piece stands in a bay for days, both included. Ended early, its last day is brought forward; a sold piece that was
    fetched late had its floor until then, longer than it was given it.
    """

    __tablename__ = "overflow_stay"
    __table_args__ = (
        CheckConstraint(f"kind IN {STAY_KINDS}", name="known_kind"),
        CheckConstraint(f"state IN {STAY_STATES}", name="known_state"),
        CheckConstraint("from_in16 >= 0 AND from_in16 < to_in16 AND depth_in16 > 0", name="forward"),
        CheckConstraint("starts_on <= ends_on", name="dates_forward"),
        CheckConstraint("gone_said_by IS NULL OR gone_said_at IS NOT NULL", name="gone_said"),
        CheckConstraint("cancelled_by IS NULL OR state = 'cancelled'", name="cancelled_by"),
        CheckConstraint("lengthened_from >= starts_on", name="lengthened"),
        CheckConstraint("gone_from IS NULL OR gone_said_at IS NOT NULL", name="gone_from"),
        CheckConstraint("recalled_from IS NULL OR recalled_at IS NOT NULL", name="recalled_from"),
        Index("ix_overflow_stay_bay_id_starts_on", "bay_id", "starts_on"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("overflow_piece.id"), index=True)
    bay_id: Mapped[int] = mapped_column(ForeignKey("bay.id"))
    kind: Mapped[str] = mapped_column(String(5))
    state: Mapped[str] = mapped_column(String(9), default="stands")
    from_in16: Mapped[int] = mapped_column(Integer)
    to_in16: Mapped[int] = mapped_column(Integer)
    """Along the bay from its first corner, without the gap beside it."""
    depth_in16: Mapped[int] = mapped_column(Integer)
    turned: Mapped[bool] = mapped_column(default=False)
    starts_on: Mapped[date]
    ends_on: Mapped[date]
    granted_until: Mapped[date]
    """The last day it was given until, whatever became of it."""
    lengthened_from: Mapped[date | None]
    """Its last day before it was let stand longer last, while that may be undone."""
    why: Mapped[str] = mapped_column(String(400), default="")
    recalled_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    recall_why: Mapped[str] = mapped_column(String(200), default="")
    recalled_from: Mapped[date | None]
    """Its last day before it was asked back; null of what was before that was kept, which is the day it was given until."""
    moved_in_on: Mapped[date | None]
    """The dealer, or who walked the aisles, says that it stands there."""
    gone_said_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    """When somebody said that it is gone after its last day: taken away, or sold and fetched."""
    gone_from: Mapped[date | None]
    """Its last day before that was said; null too of what was fetched late."""
    gone_said_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    cancelled_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    """Who took its floor back before it came; null too where a draft did."""
    version: Mapped[int] = mapped_column(Integer)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]

    def is_gone(self, day: date) -> bool:
        """Whether somebody said that it is gone, with a day or one before as its last."""
        return self.gone_said_at is not None and self.ends_on <= day


class OverflowDraft(Base):
    """A period's floor as it would be given: drafted by a job, looked at, published; then its stays and answers are rows."""

    __tablename__ = "overflow_draft"
    __table_args__ = (
        Index(
            "uq_overflow_draft_mall_id",
            "mall_id",
            unique=True,
            postgresql_where=text("state = 'draft'"),
            sqlite_where=text("state = 'draft'"),
        ),
        CheckConstraint(f"state IN {DRAFT_STATES}", name="known_state"),
        CheckConstraint("weeks BETWEEN 1 AND 52", name="weeks"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    first_day: Mapped[date]
    weeks: Mapped[int] = mapped_column(Integer)
    seed: Mapped[int | None] = mapped_column(Integer)
    """With a seed the same facts give the same draft."""
    seconds: Mapped[int] = mapped_column(Integer)
    state: Mapped[str] = mapped_column(String(9), default="draft")
    made_of: Mapped[str] = mapped_column(String(64), default="")
    """SHA-256 over its facts: another one means that something has changed since, and it is not published."""
    outcome: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    """Null until it is drafted."""
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id", ondelete="SET NULL"), index=True)
    stop_asked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    version: Mapped[int] = mapped_column(Integer)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    published_at: Mapped[datetime | None] = mapped_column(UtcDateTime)

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class OverflowAnswer(Base):
    """What an asker was told when a draft was published, or floor was given by hand. Frozen."""

    __tablename__ = "overflow_answer"
    __table_args__ = (CheckConstraint(f"answer IN {ANSWERS}", name="known_answer"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    request_id: Mapped[int] = mapped_column(ForeignKey("overflow_request.id"), index=True)
    draft_id: Mapped[int | None] = mapped_column(ForeignKey("overflow_draft.id"))
    answer: Mapped[str] = mapped_column(String(7))
    sentence: Mapped[str] = mapped_column(String(600))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class Walk(Base):
    """Somebody walked the aisles of a mall with the list of what should stand where. Told of, it is frozen with its marks."""

    __tablename__ = "overflow_walk"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), index=True)
    on_date: Mapped[date]
    user_id: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    note: Mapped[str] = mapped_column(String(400), default="")
    told_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    """When dealers were told what it found; null while it goes on."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class WalkMark(Base):
    """How a stay was found on a walk; where it was out of place its dealer is told."""

    __tablename__ = "walk_mark"
    __table_args__ = (
        UniqueConstraint("walk_id", "stay_id"),
        CheckConstraint(f"mark IN {MARKS}", name="known_mark"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    walk_id: Mapped[int] = mapped_column(ForeignKey("overflow_walk.id"))
    stay_id: Mapped[int] = mapped_column(ForeignKey("overflow_stay.id"), index=True)
    mark: Mapped[str] = mapped_column(String(12))
    note: Mapped[str] = mapped_column(String(200), default="")
