"""Taxing bodies, their dated rates, where they apply, and what was charged."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, Rate


class Jurisdiction(Base):
    """A taxing body: state, county, city or special district, with its account in the books."""

    __tablename__ = "jurisdiction"
    __table_args__ = (CheckConstraint("kind IN ('state', 'county', 'city', 'district')", name="known_kind"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    code: Mapped[str] = mapped_column(String(40), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    kind: Mapped[str] = mapped_column(String(8))
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"))


class TaxRate(Base):
    """A jurisdiction's percent for a tax class over dates; an open end is null."""

    __tablename__ = "tax_rate"
    __table_args__ = (
        UniqueConstraint("jurisdiction_id", "tax_class", "starts_on"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
        CheckConstraint("percent >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    jurisdiction_id: Mapped[int] = mapped_column(ForeignKey("jurisdiction.id"))
    tax_class: Mapped[str] = mapped_column(String(20), default="general")
    percent: Mapped[Decimal] = mapped_column(Rate)
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]


class TaxPlace(Base):
    """A mall's stack of jurisdictions over dates, and how tax is rounded there."""

    __tablename__ = "tax_place"
    __table_args__ = (
        UniqueConstraint("mall_id", "starts_on"),
        CheckConstraint("basis IN ('item', 'ticket')", name="known_basis"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    starts_on: Mapped[date]
    """In force until the next place of the mall starts."""
    basis: Mapped[str] = mapped_column(String(6), default="ticket")
    """Round the tax of each item, or of the whole ticket."""
    aggregated: Mapped[bool] = mapped_column(default=True)
    """Add the jurisdictions' rates up before rounding, or round each."""

    jurisdictions: Mapped[list[Jurisdiction]] = relationship(
        secondary="tax_place_jurisdiction", order_by="TaxPlaceJurisdiction.position", lazy="selectin"
    )


class TaxPlaceJurisdiction(Base):
    """One jurisdiction of a place's stack, in its order."""

    __tablename__ = "tax_place_jurisdiction"

    place_id: Mapped[int] = mapped_column(ForeignKey("tax_place.id"), primary_key=True)
    jurisdiction_id: Mapped[int] = mapped_column(ForeignKey("jurisdiction.id"), primary_key=True)
    position: Mapped[int]


class TaxCharged(Base):
    """What one line of a sale was charged for one jurisdiction, and under which rate row. Never recomputed."""

    __tablename__ = "tax_charged"
    __table_args__ = (Index("ix_tax_charged_mall", "mall_id", "posting_date"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    posting_date: Mapped[date]
    ticket_key: Mapped[str] = mapped_column(String(120), index=True)
    position: Mapped[int]
    dealer_id: Mapped[int | None] = mapped_column(ForeignKey("dealer.id"))
    jurisdiction_id: Mapped[int] = mapped_column(ForeignKey("jurisdiction.id"), index=True)
    rate_id: Mapped[int] = mapped_column(ForeignKey("tax_rate.id"))
    taxable_cents: Mapped[int] = mapped_column(Cents)
    amount_cents: Mapped[int] = mapped_column(Cents)
