"""Turns: hours and posts, the house rules of turns, who may and who owes, availability, the rota and its turns.

What happens to a turn once it stands on a rota (offers, attendance, the account of turns) is in `turn_models.py`.
"""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any, ClassVar

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Cents, Key, Scaled, UtcDateTime

Turns = Scaled(2)
"""A number of turns in hundredths: a shared booth owes a half."""

POST_KINDS = ("desk", "floor", "opening", "closing")
FACT_KINDS = ("trained", "keys", "office", "exempt")
AVAILABLE_KINDS = ("never", "rather not", "like", "stand in")
_DAY = "BETWEEN 0 AND 1440"


class TurnRule(Base):
    """The house rules of a mall's turns from a day on. A month goes by the rules of its first day."""

    __tablename__ = "turn_rule"
    __table_args__ = (
        UniqueConstraint("mall_id", "starts_on"),
        CheckConstraint("silence IN ('free', 'never')", name="known_silence"),
        CheckConstraint("no_show IN ('owe', 'charge')", name="known_no_show"),
        CheckConstraint("closed IN ('worked', 'owed')", name="known_closed"),
        CheckConstraint("answers_day BETWEEN 1 AND 28", name="answers_in_month"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    starts_on: Mapped[date]
    owed_base: Mapped[Decimal] = mapped_column(Turns)
    """Turns a month that every lease owes."""
    owed_by_area: Mapped[list[Any]] = mapped_column(JSON)
    """[[area_sqft100, turns100], ...] upwards: from so much leased area on, so many turns more than the base, not added up."""
    owed_most: Mapped[Decimal] = mapped_column(Turns)
    new_days: Mapped[int] = mapped_column(Integer)
    """Days after joining in which a member owes none."""
    silence: Mapped[str] = mapped_column(String(5))
    """What one who says nothing about the month is: free at any time, or never."""
    answers_day: Mapped[int] = mapped_column(Integer)
    """Day of the month before, until which availability is given."""
    most_day: Mapped[int] = mapped_column(Integer)
    most_week: Mapped[int] = mapped_column(Integer)
    """Turns in a week, Monday to Sunday."""
    most_in_row: Mapped[int] = mapped_column(Integer)
    """Days with a turn one after another."""
    rest_minutes: Mapped[int] = mapped_column(Integer)
    """Between the end of a turn and the beginning of the next on another day."""
    keys_at_ends: Mapped[int] = mapped_column(Integer)
    """Key holders among those who open, and among those who close."""
    least_people: Mapped[int] = mapped_column(Integer)
    least_weekdays: Mapped[int] = mapped_column(Integer)
    """Weekdays (bit 0 is Monday) on which `least_people` are there as long as the mall is open."""
    holidays_of: Mapped[str] = mapped_column(String(8))
    """Whose public holidays count: `US` or `US-OH`, by the ISO codes of a country and its part; empty: none."""
    remind_days: Mapped[int] = mapped_column(Integer)
    swap_hours: Mapped[int] = mapped_column(Integer)
    """Before a turn, from which it is swapped no more."""
    late_minutes: Mapped[int] = mapped_column(Integer)
    no_show_minutes: Mapped[int] = mapped_column(Integer)
    no_show: Mapped[str] = mapped_column(String(6))
    """A turn nobody came to is owed on, or charged at `no_show_cents` and then owed no more."""
    no_show_cents: Mapped[int] = mapped_column(Cents)
    buy_out_cents: Mapped[int | None] = mapped_column(Cents)
    """What a turn costs who buys it out; null: none may."""
    paid_substitutes: Mapped[bool]
    closed: Mapped[str] = mapped_column(String(6))
    """A turn on a day the mall did not open counts as worked, or is owed on."""
    carry_most: Mapped[Decimal | None] = mapped_column(Turns)
    """Turns beyond, up or down, that are carried; what is more is credited or charged at the month-end. Null: all is carried."""
    credit_cents: Mapped[int] = mapped_column(Cents)
    """What a turn beyond `carry_most` brings; one short of it costs `buy_out_cents`."""


class OpeningHours(Base):
    """When a mall is open on a weekday, from a day on. Without minutes it is closed."""

    __tablename__ = "opening_hours"
    __table_args__ = (
        UniqueConstraint("mall_id", "starts_on", "weekday"),
        CheckConstraint("weekday BETWEEN 0 AND 6", name="weekday"),
        CheckConstraint("(opens_min IS NULL) = (closes_min IS NULL)", name="both_or_none"),
        CheckConstraint(f"opens_min {_DAY} AND closes_min {_DAY} AND opens_min < closes_min", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    starts_on: Mapped[date]
    weekday: Mapped[int] = mapped_column(Integer)
    """0 is Monday."""
    opens_min: Mapped[int | None] = mapped_column(Integer)
    """Minutes after midnight by the mall's clock."""
    closes_min: Mapped[int | None] = mapped_column(Integer)


class OpeningException(Base):
    """A date on which a mall has other hours, or is closed: a fair, a snow day. It goes before holidays and weekdays."""

    __tablename__ = "opening_exception"
    __table_args__ = (
        UniqueConstraint("mall_id", "on_date"),
        CheckConstraint("(opens_min IS NULL) = (closes_min IS NULL)", name="both_or_none"),
        CheckConstraint(f"opens_min {_DAY} AND closes_min {_DAY} AND opens_min < closes_min", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    on_date: Mapped[date]
    opens_min: Mapped[int | None] = mapped_column(Integer)
    closes_min: Mapped[int | None] = mapped_column(Integer)
    why: Mapped[str] = mapped_column(String(120), default="")
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)


class HolidayChoice(Base):
    """What a mall does on a public holiday from a day on: open as on any such weekday, open short, or closed."""

    __tablename__ = "holiday_choice"
    __table_args__ = (
        UniqueConstraint("mall_id", "name", "starts_on"),
        CheckConstraint("how IN ('open', 'short', 'closed')", name="known_how"),
        CheckConstraint("(how = 'short') = (opens_min IS NOT NULL AND closes_min IS NOT NULL)", name="hours_if_short"),
        CheckConstraint(f"opens_min {_DAY} AND closes_min {_DAY} AND opens_min < closes_min", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    name: Mapped[str] = mapped_column(String(80))
    """As the holiday library calls it, an observed day under the same name."""
    starts_on: Mapped[date]
    how: Mapped[str] = mapped_column(String(6))
    opens_min: Mapped[int | None] = mapped_column(Integer)
    closes_min: Mapped[int | None] = mapped_column(Integer)


class Post(Base):
    """Where somebody stands: the desk, the floor, at opening, at closing."""

    __tablename__ = "post"
    __table_args__ = (
        UniqueConstraint("mall_id", "name"),
        CheckConstraint(f"kind IN {POST_KINDS}", name="known_kind"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    name: Mapped[str] = mapped_column(String(40))
    kind: Mapped[str] = mapped_column(String(8))


class PostNeed(Base):
    """A span of a post's weekdays with the people it needs: each of them has a turn. Dated; ended, not changed."""

    __tablename__ = "post_need"
    __table_args__ = (
        CheckConstraint("weekdays BETWEEN 1 AND 127", name="weekdays"),
        CheckConstraint("people BETWEEN 1 AND 20", name="people"),
        CheckConstraint("key_holders BETWEEN 0 AND people", name="key_holders"),
        CheckConstraint("from_what IN ('clock', 'open', 'close') AND to_what IN ('clock', 'open', 'close')", name="known_ends"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="dates_forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    post_id: Mapped[int] = mapped_column(ForeignKey("post.id"), index=True)
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    weekdays: Mapped[int] = mapped_column(Integer)
    """Bit 0 is Monday."""
    from_what: Mapped[str] = mapped_column(String(5))
    """`from_min` is by the clock, or counted from when the mall opens or closes: it follows short days."""
    from_min: Mapped[int] = mapped_column(Integer)
    to_what: Mapped[str] = mapped_column(String(5))
    to_min: Mapped[int] = mapped_column(Integer)
    people: Mapped[int] = mapped_column(Integer)
    key_holders: Mapped[int] = mapped_column(Integer)
    """At least so many of them hold a key."""


class TurnFact(Base):
    """A dated fact about a member that turns go by: trained, holds a key, holds an office and owes less, is exempt."""

    __tablename__ = "turn_fact"
    __table_args__ = (
        CheckConstraint(f"kind IN {FACT_KINDS}", name="known_kind"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
        CheckConstraint("(kind = 'office') = (less IS NOT NULL)", name="less_by_office"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id"), index=True)
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    """Null: at every mall."""
    kind: Mapped[str] = mapped_column(String(8))
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    words: Mapped[str] = mapped_column(String(80), default="")
    """Which office; why exempt, in words that others may read."""
    less: Mapped[Decimal | None] = mapped_column(Turns)
    """Turns a month that an office is worth."""


class TurnPair(Base):
    """Two members who must not work together, or would like to, until it is ended."""

    __tablename__ = "turn_pair"
    __table_args__ = (
        CheckConstraint("how IN ('apart', 'together')", name="known_how"),
        CheckConstraint("one_id < other_id", name="two_in_order"),
        Index(
            "uq_turn_pair_running",
            "one_id",
            "other_id",
            unique=True,
            postgresql_where=text("ended_on IS NULL"),
            sqlite_where=text("ended_on IS NULL"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    one_id: Mapped[int] = mapped_column(ForeignKey("member.id"))
    other_id: Mapped[int] = mapped_column(ForeignKey("member.id"), index=True)
    how: Mapped[str] = mapped_column(String(8))
    """Apart is kept; together is wished."""
    starts_on: Mapped[date]
    ended_on: Mapped[date | None]


class TurnHelper(Base):
    """Somebody a member names to come to turns in the member's place, once trained: known to the co-op by name."""

    __tablename__ = "turn_helper"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id"), index=True)
    name: Mapped[str] = mapped_column(String(120))
    phone: Mapped[str] = mapped_column(String(40), default="")
    trained_on: Mapped[date | None]
    """Since when the co-op lets the helper stand alone."""
    named_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ended_on: Mapped[date | None]


class Availability(Base):
    """When a member never can, would rather not, would like to or could stand in: dates, weekdays and hours, repeating."""

    __tablename__ = "availability"
    __table_args__ = (
        CheckConstraint(f"kind IN {AVAILABLE_KINDS}", name="known_kind"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
        CheckConstraint("weekdays BETWEEN 1 AND 127", name="weekdays"),
        CheckConstraint("every_weeks BETWEEN 1 AND 52", name="every_weeks"),
        CheckConstraint(f"from_min {_DAY} AND to_min {_DAY} AND from_min < to_min", name="hours_forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id"), index=True)
    kind: Mapped[str] = mapped_column(String(10))
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    """Null: until it is taken back."""
    weekdays: Mapped[int] = mapped_column(Integer)
    """Bit 0 is Monday."""
    every_weeks: Mapped[int] = mapped_column(Integer)
    """1: every week; 2: every other, counted from the week of `starts_on`."""
    from_min: Mapped[int] = mapped_column(Integer)
    to_min: Mapped[int] = mapped_column(Integer)
    """0 to 1440 is the whole day."""
    said_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    """Taken back then: a month drafted before went by it."""


class MonthAnswer(Base):
    """A member has said what there is to say about a month: what stands is meant, and is no silence."""

    __tablename__ = "month_answer"
    __table_args__ = (UniqueConstraint("member_id", "first_day"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id"))
    first_day: Mapped[date]
    answered_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Rota(Base):
    """A mall's turns of a month: worked on by the manager, then published for good."""

    __tablename__ = "rota"
    __table_args__ = (
        UniqueConstraint("mall_id", "first_day"),
        CheckConstraint("state IN ('draft', 'published')", name="known_state"),
        CheckConstraint("(state = 'published') = (published_at IS NOT NULL)", name="published_at_a_time"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    first_day: Mapped[date]
    state: Mapped[str] = mapped_column(String(10), default="draft")
    version: Mapped[int] = mapped_column(Integer)
    """Counts up with every change of its turns by the manager or a draft: a move made from an older one is refused."""
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id", ondelete="SET NULL"), index=True)
    """The draft under way, or the last."""
    stop_asked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    """Somebody asked the draft under way to stop: it keeps the best it has."""
    drafted_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    outcome: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    """How the last draft went: its tiers with value, bound and gap, seconds, seed, and what is uncovered with its reasons."""
    published_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    published_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))

    __mapper_args__: ClassVar[dict[str, Any]] = {"version_id_col": version}  # type: ignore[misc]


class Turn(Base):
    """One person's piece of work on a rota: a seat of a post on a day. Without a member it is uncovered.

    No member has two that overlap, at whatever mall (guard_turn_overlap). One of a published rota is not deleted.
    """

    __tablename__ = "turn"
    __table_args__ = (
        UniqueConstraint("rota_id", "post_id", "starts_at", "seat"),
        CheckConstraint("ends_at > starts_at", name="forward"),
        CheckConstraint("state IN ('standing', 'closed')", name="known_state"),
        CheckConstraint("member_id IS NOT NULL OR (for_member_id IS NULL AND helper_id IS NULL)", name="nobody_for_nobody"),
        Index("ix_turn_mall_id_on_date", "mall_id", "on_date"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    rota_id: Mapped[int] = mapped_column(ForeignKey("rota.id"), index=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    post_id: Mapped[int] = mapped_column(ForeignKey("post.id"), index=True)
    seat: Mapped[int] = mapped_column(Integer)
    """1 up, of those who stand at the post in the span."""
    on_date: Mapped[date]
    """By the mall's clock, of its beginning."""
    starts_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ends_at: Mapped[datetime] = mapped_column(UtcDateTime)
    opens: Mapped[bool]
    """Whoever has it is there when the mall opens."""
    closes: Mapped[bool]
    needs_keys: Mapped[bool]
    """This seat is a key holder's."""
    holiday: Mapped[str] = mapped_column(String(80), default="")
    """The public holiday it falls on."""
    member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"), index=True)
    """Who is to come."""
    for_member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"), index=True)
    """Whose owed turn it works off, where that is somebody else: who paid the substitute."""
    helper_id: Mapped[int | None] = mapped_column(ForeignKey("turn_helper.id"), index=True)
    """The member's helper who comes for the member."""
    locked: Mapped[bool] = mapped_column(default=False)
    """A draft leaves it as it is."""
    state: Mapped[str] = mapped_column(String(8), default="standing")
    """`closed`: the mall did not open."""
    why: Mapped[str] = mapped_column(Text, default="")
    """Why its member got it, as the draft or whoever moved it says."""
