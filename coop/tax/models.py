"""Taxing bodies, their dated rates and rules, where they apply, what was charged, and what was filed."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, LargeBinary, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, Rate, UtcDateTime


class Jurisdiction(Base):
    """A taxing body: state, county, city or special district, with its account in the books."""

    __tablename__ = "jurisdiction"
    __table_args__ = (
        CheckConstraint("kind IN ('state', 'county', 'city', 'district')", name="known_kind"),
        Index("ix_jurisdiction_fips", "state_fips", "kind", "fips", unique=True),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    code: Mapped[str] = mapped_column(String(40), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    kind: Mapped[str] = mapped_column(String(8))
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"))
    """Its own once it taxes a mall; until then one that came with a file shares its state's."""
    state_fips: Mapped[str | None] = mapped_column(String(2))
    """The state it lies in (two digits): what settings and certificates name. Null for one made by hand without it."""
    fips: Mapped[str | None] = mapped_column(String(10))
    """Its own code in Streamlined files, the state's for a state."""


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


class TaxRule(Base):
    """A jurisdiction's dated rule beside its rates. `terms` has the keys of the rule's kind (coop.tax.domain.terms reads it)."""

    __tablename__ = "tax_rule"
    __table_args__ = (
        CheckConstraint("kind IN ('exempt', 'article', 'holiday', 'threshold', 'delivery', 'reduction')", name="known_kind"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    jurisdiction_id: Mapped[int] = mapped_column(ForeignKey("jurisdiction.id"), index=True)
    kind: Mapped[str] = mapped_column(String(9))
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    terms: Mapped[dict[str, Any]] = mapped_column(JSON)


class TaxSetting(Base):
    """How an office is dealt with, from a date until the next setting of the same scope starts.

    Of a whole state or of one jurisdiction, at one mall or at all of them; the narrowest that there is counts, whole.
    """

    __tablename__ = "tax_setting"
    __table_args__ = (
        UniqueConstraint("scope", "starts_on"),
        CheckConstraint("owed_by IN ('coop', 'dealer')", name="known_owed_by"),
        CheckConstraint("layaway_at IN ('agreement', 'completion')", name="known_layaway_at"),
        CheckConstraint("frequency IN ('month', 'quarter', 'year')", name="known_frequency"),
        CheckConstraint("remits IN ('greater', 'due', 'collected')", name="known_remits"),
        CheckConstraint("due_roll IN ('next', 'previous', 'none')", name="known_roll"),
        CheckConstraint("interest_per IN ('year', 'month')", name="known_interest_per"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    scope: Mapped[str] = mapped_column(String(40))
    """`state:55`, `state:55/mall:1`, `jurisdiction:3` or `jurisdiction:3/mall:1`: what the next three say, as one key."""
    state_fips: Mapped[str | None] = mapped_column(String(2))
    jurisdiction_id: Mapped[int | None] = mapped_column(ForeignKey("jurisdiction.id"))
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    starts_on: Mapped[date]
    owed_by: Mapped[str] = mapped_column(String(6), default="coop")
    """Who collects and remits: the co-op, or each dealer for her own sales."""
    layaway_at: Mapped[str] = mapped_column(String(10), default="completion")
    office: Mapped[str] = mapped_column(String(80), default="")
    """Who takes the return; jurisdictions of one office are filed together. Empty: nothing is filed."""
    frequency: Mapped[str] = mapped_column(String(7), default="month")
    year_begins: Mapped[int] = mapped_column(Integer, default=1)
    """Month in which a filing year, and its first quarter, begins."""
    remits: Mapped[str] = mapped_column(String(9), default="greater")
    due_day: Mapped[int] = mapped_column(Integer, default=20)
    due_months_after: Mapped[int] = mapped_column(Integer, default=1)
    due_region: Mapped[str] = mapped_column(String(2), default="")
    due_roll: Mapped[str] = mapped_column(String(8), default="next")
    closed_days: Mapped[list[str]] = mapped_column(JSON, default=list)
    """Further days, as YYYY-MM-DD, on which the office takes nothing."""
    allowance: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    """`{"tiers": [[upto cents or null, "percent"], ...], "cap_cents", "minimum_cents", "prepaid_percent"}`; null: none."""
    interest_percent: Mapped[Decimal | None] = mapped_column(Rate)
    """Null: none is computed."""
    interest_per: Mapped[str] = mapped_column(String(5), default="year")


class TaxCertificate(Base):
    """Why a buyer pays no tax: a certificate on file. Tickets keep its number only; her name is here and may be removed."""

    __tablename__ = "tax_certificate"
    __table_args__ = (
        CheckConstraint("kind IN ('resale', 'exempt')", name="known_kind"),
        CheckConstraint("expires_on IS NULL OR expires_on >= starts_on", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    number: Mapped[str] = mapped_column(String(40), unique=True)
    kind: Mapped[str] = mapped_column(String(6))
    buyer_name: Mapped[str] = mapped_column(String(120))
    states: Mapped[list[str]] = mapped_column(JSON)
    """FIPS codes of the states it holds in."""
    starts_on: Mapped[date]
    expires_on: Mapped[date | None]
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


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
    __table_args__ = (
        Index("ix_tax_charged_mall", "mall_id", "posting_date"),
        Index("ix_tax_charged_sold", "sold_on", "posting_date"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    posting_date: Mapped[date]
    sold_on: Mapped[date | None]
    """The ticket's business date; a later posting date says that it came late. Null in rows of before this was kept."""
    ticket_key: Mapped[str] = mapped_column(String(120), index=True)
    position: Mapped[int]
    dealer_id: Mapped[int | None] = mapped_column(ForeignKey("dealer.id"))
    jurisdiction_id: Mapped[int] = mapped_column(ForeignKey("jurisdiction.id"), index=True)
    rate_id: Mapped[int] = mapped_column(ForeignKey("tax_rate.id"), index=True)
    part: Mapped[str] = mapped_column(String(20), default="", server_default="")
    """Empty for the jurisdiction's rate; the name of an upper tier, whose base lies within the same price."""
    taxable_cents: Mapped[int] = mapped_column(Cents)
    amount_cents: Mapped[int] = mapped_column(Cents)


class TaxUntaxed(Base):
    """What one line of a sale was not taxed on by one jurisdiction, and why. Never recomputed.

    A line's price = deductions + exempt + the taxable base of part "", for each jurisdiction of its stack.
    """

    __tablename__ = "tax_untaxed"
    __table_args__ = (
        Index("ix_tax_untaxed_mall", "mall_id", "posting_date"),
        Index("ix_tax_untaxed_sold", "sold_on", "posting_date"),
        CheckConstraint("kind IN ('deduction', 'exempt')", name="known_kind"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    posting_date: Mapped[date]
    sold_on: Mapped[date]
    ticket_key: Mapped[str] = mapped_column(String(120), index=True)
    position: Mapped[int]
    dealer_id: Mapped[int | None] = mapped_column(ForeignKey("dealer.id"))
    jurisdiction_id: Mapped[int] = mapped_column(ForeignKey("jurisdiction.id"), index=True)
    kind: Mapped[str] = mapped_column(String(9))
    reason: Mapped[str] = mapped_column(String(40))
    certificate: Mapped[str] = mapped_column(String(40), default="")
    """Number of the certificate, where the buyer is the reason."""
    amount_cents: Mapped[int] = mapped_column(Cents)


class TaxImport(Base):
    """A file of rates or boundaries: proposed, applied when a person says so, undone when she says so."""

    __tablename__ = "tax_import"
    __table_args__ = (
        CheckConstraint("kind IN ('rates', 'boundary')", name="known_kind"),
        CheckConstraint("state IN ('proposed', 'applied', 'undone')", name="known_state"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    kind: Mapped[str] = mapped_column(String(8))
    file_name: Mapped[str] = mapped_column(String(200))
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    content: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)
    """The file, gzip: what is applied is what was proposed."""
    state: Mapped[str] = mapped_column(String(8), default="proposed")
    proposal: Mapped[dict[str, Any]] = mapped_column(JSON)
    """What was shown: counts, rows ended and changed, overlaps, refused rows with their numbers and reasons."""
    done: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True), deferred=True)
    """What applying did, for undoing it; null until then."""
    proposed_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    proposed_at: Mapped[datetime] = mapped_column(UtcDateTime)
    applied_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    applied_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    undone_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    undone_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class TaxBoundary(Base):
    """Which jurisdictions tax a range of ZIP or ZIP+4 codes over dates, as a boundary file has it."""

    __tablename__ = "tax_boundary"
    __table_args__ = (
        Index("ix_tax_boundary_zip", "zip_high", "zip_low"),
        CheckConstraint("record IN ('Z', '4')", name="known_record"),
        CheckConstraint("ends_on IS NULL OR ends_on >= starts_on", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    key_sha: Mapped[str] = mapped_column(String(32), unique=True)
    """A hash of everything but the end: what makes a row of a file this row."""
    import_id: Mapped[int] = mapped_column(ForeignKey("tax_import.id"), index=True)
    state_fips: Mapped[str] = mapped_column(String(2), index=True)
    record: Mapped[str] = mapped_column(String(1))
    zip_low: Mapped[str] = mapped_column(String(5))
    plus4_low: Mapped[str] = mapped_column(String(4))
    """Empty for a ZIP row."""
    zip_high: Mapped[str] = mapped_column(String(5))
    plus4_high: Mapped[str] = mapped_column(String(4))
    starts_on: Mapped[date]
    ends_on: Mapped[date | None]
    places: Mapped[list[list[str]]] = mapped_column(JSON)
    """`[kind, code]` of each jurisdiction, in the file's order: state, county, city, districts."""


class TaxReturn(Base):
    """What is filed with an office for a period. Frozen once filed; a mistake makes a further one that amends it."""

    __tablename__ = "tax_return"
    __table_args__ = (
        CheckConstraint("state IN ('draft', 'filed')", name="known_state"),
        CheckConstraint("last_day >= first_day", name="forward"),
        Index("ix_tax_return_office", "office", "first_day"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    number: Mapped[str] = mapped_column(String(80), unique=True)
    """Made of the office and the period, so that one period is not filed twice."""
    office: Mapped[str] = mapped_column(String(80))
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    """Null: the sales of every mall."""
    first_day: Mapped[date]
    last_day: Mapped[date]
    due_on: Mapped[date]
    state: Mapped[str] = mapped_column(String(5), default="draft")
    value_json: Mapped[str] = mapped_column(Text)
    value_sha256: Mapped[str] = mapped_column(String(64))
    amends_id: Mapped[int | None] = mapped_column(ForeignKey("tax_return.id"), unique=True)
    """The filed return this one replaces; each is replaced once."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    filed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    filed_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"))
    """Of the filing. Null too for a return of nothing."""
