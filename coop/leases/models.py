"""Leases, dated rates and house rules, the waiting list and its offers, deposits, letters, and the charges that leases make."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, String, Text, UniqueConstraint, text, true
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, Rate, UtcDateTime
from coop.floor.models import Space


class RentRate(Base):
    """The price of a zone from a date: dollars a month per square foot, per linear foot, or flat."""

    __tablename__ = "rent_rate"
    __table_args__ = (
        UniqueConstraint("mall_id", "zone", "starts_on"),
        CheckConstraint("per IN ('sqft', 'foot', 'flat')", name="known_unit"),
        CheckConstraint("price >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    zone: Mapped[str] = mapped_column(String(20))
    per: Mapped[str] = mapped_column(String(6))
    price: Mapped[Decimal] = mapped_column(Rate)
    starts_on: Mapped[date]
    """In force until the zone's next rate starts."""


class PriceIndex(Base):
    """A published value of a price index for a month, entered or brought as CSV, for rents that follow it."""

    __tablename__ = "price_index"
    __table_args__ = (UniqueConstraint("series", "first_day"), CheckConstraint("value > 0", name="above_zero"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    series: Mapped[str] = mapped_column(String(40))
    first_day: Mapped[date]
    """First day of the month it is the index of."""
    value: Mapped[Decimal] = mapped_column(Rate)


class LeaseRule(Base):
    """The house rules of a mall's leases from a day on: what a lease begins with, and how rent is posted and chased."""

    __tablename__ = "lease_rule"
    __table_args__ = (
        UniqueConstraint("mall_id", "starts_on"),
        CheckConstraint("rent_posts IN ('advance', 'arrears')", name="known_posting"),
        CheckConstraint("proration IN ('actual', 'thirty', 'year365')", name="known_proration"),
        CheckConstraint("late_how IN ('none', 'flat', 'percent', 'greater')", name="known_late_fee"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    starts_on: Mapped[date]
    rent_posts: Mapped[str] = mapped_column(String(8), default="arrears")
    """In advance: on the month's first day. In arrears: on its last."""
    proration: Mapped[str] = mapped_column(String(12), default="actual")
    notice_days: Mapped[int] = mapped_column(Integer, default=30)
    notice_to_month_end: Mapped[bool] = mapped_column(default=True)
    increase_days: Mapped[int] = mapped_column(Integer, default=30)
    """Days of notice an increase of the rent takes."""
    renewal_days: Mapped[int] = mapped_column(Integer, default=60)
    """Days before a fixed term ends at which its renewal is asked for."""
    offer_days: Mapped[int] = mapped_column(Integer, default=7)
    deposit_months: Mapped[Decimal] = mapped_column(Rate, default=Decimal(1))
    late_after_day: Mapped[int] = mapped_column(Integer, default=10)
    late_how: Mapped[str] = mapped_column(String(8), default="none")
    late_flat_cents: Mapped[int] = mapped_column(Cents, default=0)
    late_percent: Mapped[Decimal] = mapped_column(Rate, default=Decimal(0))
    waiting_order: Mapped[list[str]] = mapped_column(JSON)
    """What decides who is asked first, in this order: `neighbour`, `member`, `first_come`."""
    checklist: Mapped[list[str]] = mapped_column(JSON)
    """What is looked at when a dealer moves out."""
    clauses: Mapped[str] = mapped_column(Text, default="")
    """The co-op's own clauses of the agreement, a paragraph each."""


class Lease(Base):
    """The agreement of one dealer with one mall. What it is on a day follows from its dates (leases.domain.lifecycle)."""

    __tablename__ = "lease"
    __table_args__ = (
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
        CheckConstraint("term_ends_on IS NULL OR term_ends_on >= starts_on", name="term_forward"),
        CheckConstraint("notice_by IN ('', 'dealer', 'coop')", name="known_notice_by"),
        CheckConstraint("signed_how IN ('', 'paper', 'portal')", name="known_signing"),
        CheckConstraint("notice_days >= 0", name="notice_not_negative"),
        CheckConstraint("deposit_cents >= 0", name="deposit_not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), index=True)
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    """Last day; null while nobody has ended it."""
    term_ends_on: Mapped[date | None]
    """Last day of a fixed term, after which it runs by the month; null from the beginning by the month."""
    commission_percent: Mapped[Decimal] = mapped_column(Rate)
    proration: Mapped[str] = mapped_column(String(12), default="actual")
    """How part of a month is charged: by its actual days, by a month of thirty, by a year of 365."""
    notice_days: Mapped[int] = mapped_column(Integer, default=30, server_default="30")
    notice_to_month_end: Mapped[bool] = mapped_column(default=True, server_default=true())
    deposit_cents: Mapped[int] = mapped_column(Cents, default=0, server_default="0")
    """Agreed; what is held of it is in deposit_line and in the ledger."""
    signed_on: Mapped[date | None]
    signed_name: Mapped[str] = mapped_column(String(120), default="", server_default="")
    """As signed, for the dealer."""
    signed_how: Mapped[str] = mapped_column(String(6), default="", server_default="")
    notice_on: Mapped[date | None]
    notice_by: Mapped[str] = mapped_column(String(6), default="", server_default="")
    moved_out_on: Mapped[date | None]
    settled_on: Mapped[date | None]
    """Deposit returned or used, final statement made: ended."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    spaces: Mapped[list[LeaseSpace]] = relationship(order_by="LeaseSpace.id")
    terms: Mapped[list[LeaseTerm]] = relationship(order_by="LeaseTerm.starts_on, LeaseTerm.id")


class LeaseTerm(Base):
    """A dated term of a lease beside its rate: a discount, an escalation, percentage rent, commission by another rule.

    `terms` has the keys of its kind; coop.leases.terms reads it strictly.
    """

    __tablename__ = "lease_term"
    __table_args__ = (
        CheckConstraint("kind IN ('discount', 'escalation', 'percentage', 'commission')", name="known_kind"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    lease_id: Mapped[int] = mapped_column(ForeignKey("lease.id"), index=True)
    kind: Mapped[str] = mapped_column(String(10))
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    terms: Mapped[dict[str, Any]] = mapped_column(JSON)


class LeaseSpace(Base):
    """A space held under a lease over dates. Spans of one space never overlap: the database refuses."""

    __tablename__ = "lease_space"
    __table_args__ = (
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
        CheckConstraint("leased_area_sqft100 >= 0", name="area_not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    lease_id: Mapped[int] = mapped_column(ForeignKey("lease.id"), index=True)
    space_id: Mapped[int] = mapped_column(ForeignKey("space.id"), index=True)
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    leased_area_sqft100: Mapped[int] = mapped_column(Integer)
    """The area rent is charged for, as signed, in hundredths of a square foot."""
    leased_length_in16: Mapped[int | None] = mapped_column(Integer)
    """The length rent is charged for, where it goes by the linear foot."""
    agreed_per: Mapped[str | None] = mapped_column(String(6))
    agreed_price: Mapped[Decimal | None] = mapped_column(Rate)
    """A price agreed for this lease alone; null: the zone's dated rate."""

    space: Mapped[Space] = relationship(lazy="joined", innerjoin=True)
    shares: Mapped[list[LeaseShare]] = relationship(order_by="LeaseShare.id", lazy="selectin")


class LeaseShare(Base):
    """A lease's part of the rent of a shared booth; a held space without any is paid by its own lease alone."""

    __tablename__ = "lease_share"
    __table_args__ = (
        UniqueConstraint("lease_space_id", "lease_id"),
        CheckConstraint("share_percent > 0 AND share_percent <= 100000000", name="a_part"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    lease_space_id: Mapped[int] = mapped_column(ForeignKey("lease_space.id"))
    lease_id: Mapped[int] = mapped_column(ForeignKey("lease.id"), index=True)
    share_percent: Mapped[Decimal] = mapped_column(Rate)


class Waiting(Base):
    """Somebody who asked for a space: a member, or one who is none yet."""

    __tablename__ = "waiting"
    __table_args__ = (
        CheckConstraint("state IN ('waiting', 'offered', 'leased', 'withdrawn')", name="known_state"),
        CheckConstraint("kind IN ('booth', 'case', 'shelf', 'wall')", name="known_kind"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), index=True)
    member_id: Mapped[int | None] = mapped_column(ForeignKey("member.id"))
    name: Mapped[str] = mapped_column(String(120), default="")
    """Of one who is no member; may be removed."""
    email: Mapped[str] = mapped_column(String(254), default="")
    phone: Mapped[str] = mapped_column(String(40), default="")
    address: Mapped[str] = mapped_column(String(400), default="")
    asked_on: Mapped[date]
    kind: Mapped[str] = mapped_column(String(8), default="booth")
    zone: Mapped[str] = mapped_column(String(20), default="")
    """Only this one; empty for any."""
    least_sqft100: Mapped[int] = mapped_column(Integer, default=0)
    most_sqft100: Mapped[int | None] = mapped_column(Integer)
    note: Mapped[str] = mapped_column(String(200), default="")
    state: Mapped[str] = mapped_column(String(10), default="waiting")


class Offer(Base):
    """A space offered to somebody on the waiting list, until a day."""

    __tablename__ = "offer"
    __table_args__ = (
        CheckConstraint("state IN ('open', 'accepted', 'declined', 'lapsed', 'withdrawn')", name="known_state"),
        CheckConstraint("answer_by >= made_on", name="forward"),
        Index(
            "uq_offer_open_space",
            "space_id",
            unique=True,
            sqlite_where=text("state = 'open'"),
            postgresql_where=text("state = 'open'"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    waiting_id: Mapped[int] = mapped_column(ForeignKey("waiting.id"), index=True)
    space_id: Mapped[int] = mapped_column(ForeignKey("space.id"))
    made_on: Mapped[date]
    answer_by: Mapped[date]
    starts_on: Mapped[date]
    """First day of the lease that is offered."""
    why: Mapped[str] = mapped_column(String(200))
    """Why it goes to this one first, in a sentence."""
    state: Mapped[str] = mapped_column(String(10), default="open")
    lease_id: Mapped[int | None] = mapped_column(ForeignKey("lease.id"))


class DepositLine(Base):
    """What was taken, used or returned of a lease's deposit. Its sum is the dealer's deposit account."""

    __tablename__ = "deposit_line"
    __table_args__ = (
        CheckConstraint("kind IN ('taken', 'deducted', 'returned')", name="known_kind"),
        CheckConstraint("amount_cents > 0", name="above_zero"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    lease_id: Mapped[int] = mapped_column(ForeignKey("lease.id"), index=True)
    kind: Mapped[str] = mapped_column(String(8))
    amount_cents: Mapped[int] = mapped_column(Cents)
    on: Mapped[date] = mapped_column("on_day")
    reason: Mapped[str] = mapped_column(String(200), default="")
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"))


class MoveOutItem(Base):
    """One line of the list that is gone through when a dealer moves out."""

    __tablename__ = "move_out_item"
    __table_args__ = (UniqueConstraint("lease_id", "what"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    lease_id: Mapped[int] = mapped_column(ForeignKey("lease.id"))
    what: Mapped[str] = mapped_column(String(120))
    done_on: Mapped[date | None]
    done_by: Mapped[str] = mapped_column(String(120), default="")
    note: Mapped[str] = mapped_column(String(200), default="")


class Letter(Base):
    """A letter made from a template, kept with its paper and its mail. One of a kind a lease or offer, day and purpose."""

    __tablename__ = "letter"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    key: Mapped[str] = mapped_column(String(120), unique=True)
    """`renewal/lease:7/2027-03-31`: so that a list worked through twice writes once."""
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), index=True)
    kind: Mapped[str] = mapped_column(String(12))
    """agreement, offer, renewal, increase, arrears, end, deposit."""
    lease_id: Mapped[int | None] = mapped_column(ForeignKey("lease.id"), index=True)
    offer_id: Mapped[int | None] = mapped_column(ForeignKey("offer.id"), index=True)
    made_on: Mapped[date]
    subject: Mapped[str] = mapped_column(String(200))
    value: Mapped[dict[str, Any]] = mapped_column(JSON)
    """What it says, as plain values: rendering it again says the same."""
    document_id: Mapped[int | None] = mapped_column(ForeignKey("document.id"))
    outbox_id: Mapped[int | None] = mapped_column(ForeignKey("outbox.id"))


class Charge(Base):
    """What a dealer is charged for a month, with its working. Posted once: lease, what, month and change number are unique."""

    __tablename__ = "charge"
    __table_args__ = (UniqueConstraint("lease_id", "what", "first_day", "change"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    lease_id: Mapped[int] = mapped_column(ForeignKey("lease.id"))
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    kind: Mapped[str] = mapped_column(String(12))
    """rent, case, shelf, wall, overflow, commission, card, fee, late, turn (below zero: worked beyond what is owed)."""
    what: Mapped[str] = mapped_column(String(40))
    """`space:7` for the rent of the space of held span 7 (the lease's first of it); `discount:3`, `turns:3` and `percentage:3` of
    lease 3; `commission:2` of dealer 2; `late`; `dispute:4`, what was given back when dispute 4 was decided;
    a fee's own key."""
    first_day: Mapped[date] = mapped_column(index=True)
    """First day of the month charged for."""
    change: Mapped[int] = mapped_column(Integer, default=0)
    """0 the first time; a difference posted later counts up."""
    label: Mapped[str] = mapped_column(String(120))
    """What it is, for the dealer: `Booth 12`."""
    working: Mapped[str] = mapped_column(Text)
    """How it was computed: `120.00 sq ft × $2.25 a month × 14/30 days`."""
    amount_cents: Mapped[int] = mapped_column(Cents)
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"))
    """Null only for a charge of nothing, which posts nothing."""


class Dispute(Base):
    """A charge that its dealer disputes: no late fee runs on it, and no payment settles it, until it is decided."""

    __tablename__ = "dispute"
    __table_args__ = (CheckConstraint("closed_on IS NULL OR closed_on >= opened_on", name="forward"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    charge_id: Mapped[int] = mapped_column(ForeignKey("charge.id"), index=True)
    opened_on: Mapped[date]
    reason: Mapped[str] = mapped_column(String(400))
    closed_on: Mapped[date | None]
    outcome: Mapped[str] = mapped_column(String(400), default="")
