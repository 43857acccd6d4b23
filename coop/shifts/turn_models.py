"""What happens to turns: who had them, offers and swaps, attendance, the checklists ticked, the account of turns."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, Index, Integer, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Cents, Key, UtcDateTime
from coop.shifts.models import Turns

ACCOUNT_KINDS = ("opening", "owed", "worked", "closed", "bought out", "charged", "credited", "excused", "set right")
OFFER_KINDS = ("give", "swap")
CHANGE_KINDS = ("published", "moved", "swapped", "given", "left", "helper", "closed")


class TurnChange(Base):
    """A turn was published, and went from one to another since: who did it, when, and how. Frozen."""

    __tablename__ = "turn_change"
    __table_args__ = (CheckConstraint(f"how IN {CHANGE_KINDS}", name="known_how"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    turn_id: Mapped[int] = mapped_column(ForeignKey("turn.id"), index=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime)
    how: Mapped[str] = mapped_column(String(9))
    from_member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"))
    to_member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"))
    by_user_id: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    """Null: the command line."""
    offer_id: Mapped[int | None] = mapped_column(ForeignKey("turn_offer.id"))


class TurnOffer(Base):
    """A member offers a published turn, to one or to all: as a gift, for money, or for a turn in return. One open offer a turn.

    `open` -> `taken`; or `answered` (a turn in return is named, its offerer has yet to sign) -> `taken`, or `open` again; or
    `withdrawn`, or `lapsed` at the co-op's cut-off. Taken once: a conditional update, and the guard keeps an ended one.
    """

    __tablename__ = "turn_offer"
    __table_args__ = (
        CheckConstraint(f"kind IN {OFFER_KINDS}", name="known_kind"),
        CheckConstraint("state IN ('open', 'answered', 'taken', 'withdrawn', 'lapsed')", name="known_state"),
        CheckConstraint("pays_cents >= 0 AND (kind = 'give' OR pays_cents = 0)", name="money_for_a_gift"),
        CheckConstraint("(state IN ('answered', 'taken')) = (answered_by IS NOT NULL)", name="answered_by_somebody"),
        CheckConstraint("kind = 'swap' OR return_turn_id IS NULL", name="return_of_a_swap"),
        Index(
            "uq_turn_offer_open",
            "turn_id",
            unique=True,
            postgresql_where=text("state IN ('open', 'answered')"),
            sqlite_where=text("state IN ('open', 'answered')"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    turn_id: Mapped[int] = mapped_column(ForeignKey("turn.id"))
    kind: Mapped[str] = mapped_column(String(4))
    by_member_id: Mapped[int] = mapped_column(ForeignKey("member.id"), index=True)
    to_member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"), index=True)
    """Null: to all."""
    pays_cents: Mapped[int] = mapped_column(Cents, default=0)
    """What the substitute gets from who offers; the turn then works off the offerer's own."""
    return_turn_id: Mapped[int | None] = mapped_column(ForeignKey("turn.id"), index=True)
    """The turn in return, named with the offer or by who answers it."""
    state: Mapped[str] = mapped_column(String(9), default="open")
    words: Mapped[str] = mapped_column(String(200), default="")
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    answered_by: Mapped[int | None] = mapped_column(ForeignKey("member.id"), index=True)
    answered_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    """Taken, withdrawn or lapsed."""


class Attendance(Base):
    """Who came to a turn, when, and when they went; or that nobody came. Each moment is written once."""

    __tablename__ = "attendance"
    __table_args__ = (
        CheckConstraint("signed_out_at IS NULL OR signed_out_at >= signed_in_at", name="forward"),
        CheckConstraint("signed_in_at IS NULL OR missed_at IS NULL OR signed_in_at >= missed_at", name="came_late"),
        CheckConstraint("decision IN ('', 'excused', 'owed', 'charged')", name="known_decision"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    turn_id: Mapped[int] = mapped_column(ForeignKey("turn.id"), unique=True)
    signed_in_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    signed_out_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    late: Mapped[bool] = mapped_column(default=False)
    """Beyond the grace."""
    missed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    """The manager and those who could stand in were told then that nobody had come."""
    decision: Mapped[str] = mapped_column(String(8), default="")
    """Of one who did not come, or came late."""
    decided_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    decided_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    note: Mapped[str] = mapped_column(String(200), default="")
    drawer_count_id: Mapped[int | None] = mapped_column(ForeignKey("drawer_count.id"))
    """The count of the drawer at the handover."""


class ChecklistItem(Base):
    """A line of a mall's own opening or closing checklist; ended, not changed."""

    __tablename__ = "checklist_item"
    __table_args__ = (
        CheckConstraint("kind IN ('opening', 'closing')", name="known_kind"),
        CheckConstraint("ended_on IS NULL OR ended_on >= starts_on", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), index=True)
    kind: Mapped[str] = mapped_column(String(7))
    place: Mapped[int] = mapped_column(Integer)
    words: Mapped[str] = mapped_column(String(200))
    starts_on: Mapped[date]
    ended_on: Mapped[date | None]


class ChecklistTick(Base):
    """An item was done on a day, and who ticked it. Frozen."""

    __tablename__ = "checklist_tick"
    __table_args__ = (UniqueConstraint("item_id", "on_date"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    item_id: Mapped[int] = mapped_column(ForeignKey("checklist_item.id"))
    on_date: Mapped[date]
    ticked_at: Mapped[datetime] = mapped_column(UtcDateTime)
    user_id: Mapped[int] = mapped_column(ForeignKey("user_account.id"))
    member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"))
    """Who of those on the turn did it: the desk's device is signed in as one for all."""


class TurnAccount(Base):
    """A line of a member's account of turns at a mall: below zero owed, above worked or let off. Frozen; the sum is the balance.

    A month-end writes `owed` and `worked` once for each; what is set right later is a line of its own.
    """

    __tablename__ = "turn_account"
    __table_args__ = (
        UniqueConstraint("mall_id", "member_id", "key"),
        CheckConstraint(f"kind IN {ACCOUNT_KINDS}", name="known_kind"),
        CheckConstraint("turns <> 0", name="not_zero"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id"), index=True)
    first_day: Mapped[date]
    """Of the month it belongs to."""
    kind: Mapped[str] = mapped_column(String(10))
    key: Mapped[str] = mapped_column(String(40))
    """What makes it one: `owed:2026-11`, `worked:817`."""
    turns: Mapped[Decimal] = mapped_column(Turns)
    working: Mapped[str] = mapped_column(String(300))
    """How it came about, in words."""
    turn_id: Mapped[int | None] = mapped_column(ForeignKey("turn.id"), index=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime)
