"""Leases, dated rates, and the charges they make."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, Integer, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, Rate, UtcDateTime
from coop.floor.models import Space


class RentRate(Base):
    """The price of a zone from a date: dollars per square foot per month, or flat per month."""

    __tablename__ = "rent_rate"
    __table_args__ = (
        UniqueConstraint("mall_id", "zone", "starts_on"),
        CheckConstraint("per IN ('sqft', 'flat')", name="known_unit"),
        CheckConstraint("price >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    zone: Mapped[str] = mapped_column(String(20))
    per: Mapped[str] = mapped_column(String(6))
    price: Mapped[Decimal] = mapped_column(Rate)
    starts_on: Mapped[date]
    """In force until the zone's next rate starts."""


class Lease(Base):
    """The agreement of one dealer with one mall."""

    __tablename__ = "lease"
    __table_args__ = (CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"), index=True)
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    """Last day; null while it runs by the month."""
    commission_percent: Mapped[Decimal] = mapped_column(Rate)
    proration: Mapped[str] = mapped_column(String(12), default="actual")
    """How part of a month is charged: by its actual days."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    spaces: Mapped[list[LeaseSpace]] = relationship(order_by="LeaseSpace.id")


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

    space: Mapped[Space] = relationship(lazy="joined", innerjoin=True)


class Charge(Base):
    """What a dealer is charged for a month, with its working. Posted once: lease, what, month and change number are unique."""

    __tablename__ = "charge"
    __table_args__ = (UniqueConstraint("lease_id", "what", "first_day", "change"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    lease_id: Mapped[int] = mapped_column(ForeignKey("lease.id"))
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    kind: Mapped[str] = mapped_column(String(12))
    """rent, case, shelf, wall, commission, fee."""
    what: Mapped[str] = mapped_column(String(40))
    """`space:7` for the rent of a lease's space; `commission`; a fee's own key."""
    first_day: Mapped[date] = mapped_column(index=True)
    """First day of the month charged for."""
    change: Mapped[int] = mapped_column(Integer, default=0)
    """0 the first time; a difference posted later counts up."""
    label: Mapped[str] = mapped_column(String(120))
    """What it is, for the dealer: `Booth 12`."""
    working: Mapped[str] = mapped_column(String(200))
    """How it was computed: `120.00 sq ft × $2.25 a month × 14/30 days`."""
    amount_cents: Mapped[int] = mapped_column(Cents)
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"))
    """Null only for a charge of nothing, which posts nothing."""
