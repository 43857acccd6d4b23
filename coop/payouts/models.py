"""Runs of payouts and what they pay, holds, the bank's origin of them; releases; the year's thresholds; patronage."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, Rate, UtcDateTime


class AchOrigin(Base):
    """Where the co-op's bank files come from, as its bank has it: the newest counts."""

    __tablename__ = "ach_origin"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    bank_routing: Mapped[str] = mapped_column(String(9))
    bank_name: Mapped[str] = mapped_column(String(23))
    company_id: Mapped[str] = mapped_column(String(10))
    company_name: Mapped[str] = mapped_column(String(16))
    balanced: Mapped[bool]
    """Whether the bank wants the debit of the co-op's own account in the file."""
    account_sealed: Mapped[str] = mapped_column(String(400), default="")
    """The co-op's account, for a balanced file."""
    account_last4: Mapped[str] = mapped_column(String(4), default="")
    set_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    set_at: Mapped[datetime] = mapped_column(UtcDateTime)


class PayoutRun(Base):
    """Everybody's payout of a month: prepared by one person, approved by another, then paid, which posts it."""

    __tablename__ = "payout_run"
    __table_args__ = (
        CheckConstraint("state IN ('prepared', 'approved', 'paid', 'cancelled')", name="known_state"),
        CheckConstraint("approved_by IS NULL OR approved_by <> made_by", name="second_person"),
        CheckConstraint("(state = 'paid') = (paid_on IS NOT NULL)", name="paid_on_a_day"),
        CheckConstraint("state NOT IN ('approved', 'paid') OR approved_at IS NOT NULL", name="approved_first"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    number: Mapped[int] = mapped_column(Integer, unique=True)
    first_day: Mapped[date]
    """First day of the month whose balances it pays."""
    pay_on: Mapped[date]
    state: Mapped[str] = mapped_column(String(9), default="prepared")
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    approved_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    approved_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    paid_on: Mapped[date | None]
    paid_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    first_check: Mapped[int | None] = mapped_column(Integer)
    """Number of the first check that was written for it."""
    ach_document_id: Mapped[int | None] = mapped_column(ForeignKey("document.id"))
    remittance_document_id: Mapped[int | None] = mapped_column(ForeignKey("document.id"))
    """The remittance pages, with the list of checks."""

    lines: Mapped[list[PayoutLine]] = relationship(order_by="PayoutLine.id", viewonly=True)


class PayoutLine(Base):
    """What one dealer is paid by a run: one sum over malls. Paid, it is never changed; a payment that came back says so once."""

    __tablename__ = "payout_line"
    __table_args__ = (
        UniqueConstraint("run_id", "dealer_id"),
        CheckConstraint("method IN ('ach', 'check', 'hand')", name="known_method"),
        CheckConstraint("amount_cents > 0", name="above_zero"),
        CheckConstraint("(returned_on IS NULL) = (return_reason = '')", name="returned_with_a_reason"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("payout_run.id"))
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    amount_cents: Mapped[int] = mapped_column(Cents)
    method: Mapped[str] = mapped_column(String(5))
    detail_id: Mapped[int | None] = mapped_column(ForeignKey("payout_detail.id"))
    """How she was paid then; null for one with nothing on file, who gets a check."""
    reference: Mapped[str] = mapped_column(String(40), default="")
    """The check's number, or the trace number of the bank file."""
    returned_on: Mapped[date | None]
    return_reason: Mapped[str] = mapped_column(String(120), default="")
    """The bank's return code and words; `stale` for a check that was never cashed."""

    run: Mapped[PayoutRun] = relationship(viewonly=True)
    parts: Mapped[list[PayoutPart]] = relationship(order_by="PayoutPart.mall_id", viewonly=True)


class PayoutPart(Base):
    """One mall's part of a payout, with its entry."""

    __tablename__ = "payout_part"
    __table_args__ = (UniqueConstraint("line_id", "mall_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    line_id: Mapped[int] = mapped_column(ForeignKey("payout_line.id"))
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    amount_cents: Mapped[int] = mapped_column(Cents)
    """Negative where what she owes at one mall is taken from what she is owed at another."""
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)
    back_entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)
    """What put it back when the payment was returned, or moved it to the stale payouts."""


class PayoutHold(Base):
    """A payout that a person stops, until a person lets it go."""

    __tablename__ = "payout_hold"
    __table_args__ = (
        CheckConstraint("reason <> ''", name="with_a_reason"),
        Index(
            "uq_payout_hold_open",
            "dealer_id",
            unique=True,
            postgresql_where=text("lifted_at IS NULL"),
            sqlite_where=text("lifted_at IS NULL"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"))
    reason: Mapped[str] = mapped_column(String(200))
    placed_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    placed_at: Mapped[datetime] = mapped_column(UtcDateTime)
    lifted_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    lifted_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class HoldDecision(Base):
    """What a person decided of one reason to hold one dealer's payout of a month; the newest counts. Frozen."""

    __tablename__ = "hold_decision"
    __table_args__ = (
        CheckConstraint(
            "kind IN ('tax form', 'dispute', 'minimum', 'arrears', 'new bank details', 'by hand')", name="known_kind"
        ),
        CheckConstraint("reason <> ''", name="with_a_reason"),
        Index("ix_hold_decision_dealer", "dealer_id", "first_day"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    first_day: Mapped[date]
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"))
    kind: Mapped[str] = mapped_column(String(16))
    pays: Mapped[bool]
    """True: she is paid all the same."""
    reason: Mapped[str] = mapped_column(String(200))
    decided_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    decided_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Release(Base):
    """Money nobody asked for, let out of the liabilities by a state's rule: asked by one person, approved by another."""

    __tablename__ = "release"
    __table_args__ = (
        CheckConstraint("state IN ('asked', 'released', 'refused')", name="known_state"),
        CheckConstraint("approved_by IS NULL OR approved_by <> asked_by", name="second_person"),
        CheckConstraint("(state = 'released') = (entry_id IS NOT NULL)", name="released_by_entry"),
        CheckConstraint("amount_cents > 0", name="above_zero"),
        CheckConstraint(
            "(CASE WHEN certificate_id IS NULL THEN 0 ELSE 1 END) + (CASE WHEN ticket_line_id IS NULL THEN 0 ELSE 1 END) "
            "+ (CASE WHEN payout_line_id IS NULL THEN 0 ELSE 1 END) = 1",
            name="of_one_thing",
        ),
        Index(
            "uq_release_ticket_line",
            "ticket_line_id",
            unique=True,
            postgresql_where=text("state <> 'refused'"),
            sqlite_where=text("state <> 'refused'"),
        ),
        Index(
            "uq_release_payout_line",
            "payout_line_id",
            unique=True,
            postgresql_where=text("state <> 'refused'"),
            sqlite_where=text("state <> 'refused'"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    rule_id: Mapped[int] = mapped_column(ForeignKey("release_rule.id"))
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    certificate_id: Mapped[int | None] = mapped_column(ForeignKey("gift_certificate.id"), index=True)
    ticket_line_id: Mapped[int | None] = mapped_column(ForeignKey("ticket_line.id"))
    payout_line_id: Mapped[int | None] = mapped_column(ForeignKey("payout_line.id"))
    amount_cents: Mapped[int] = mapped_column(Cents)
    asked_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    asked_at: Mapped[datetime] = mapped_column(UtcDateTime)
    state: Mapped[str] = mapped_column(String(8), default="asked")
    approved_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    approved_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)


class YearThreshold(Base):
    """From which yearly total on the co-op's accountant looks at a dealer's form, from a year on. An accountant decides."""

    __tablename__ = "year_threshold"
    __table_args__ = (
        UniqueConstraint("kind", "from_year"),
        CheckConstraint("kind IN ('payments', 'rents', 'patronage')", name="known_kind"),
        CheckConstraint("amount_cents >= 0 AND least_count >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    kind: Mapped[str] = mapped_column(String(10))
    from_year: Mapped[int] = mapped_column(Integer)
    amount_cents: Mapped[int] = mapped_column(Cents)
    least_count: Mapped[int] = mapped_column(Integer, default=0)
    """And at least so many sales, where the rule counts them too."""
    said_by: Mapped[str] = mapped_column(String(200))
    set_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    set_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Patronage(Base):
    """A year's surplus shared among members by the business they did with the co-op: proposed by one, approved by another."""

    __tablename__ = "patronage"
    __table_args__ = (
        CheckConstraint("state IN ('proposed', 'posted', 'dropped')", name="known_state"),
        CheckConstraint("approved_by IS NULL OR approved_by <> made_by", name="second_person"),
        CheckConstraint("surplus_cents > 0", name="above_zero"),
        CheckConstraint("cash_percent >= 0 AND cash_percent <= 100000000", name="a_part"),
        Index(
            "uq_patronage_year",
            "year",
            unique=True,
            postgresql_where=text("state <> 'dropped'"),
            sqlite_where=text("state <> 'dropped'"),
        ),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    year: Mapped[int] = mapped_column(Integer)
    surplus_cents: Mapped[int] = mapped_column(Cents)
    cash_percent: Mapped[Decimal] = mapped_column(Rate)
    """Of each share, credited to the dealer's account; the rest is kept as her equity."""
    on: Mapped[date] = mapped_column("on_day")
    state: Mapped[str] = mapped_column(String(8), default="proposed")
    made_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    approved_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    approved_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    totals: Mapped[dict[str, Any]] = mapped_column(JSON)
    """What it was worked out from, for the paper."""

    shares: Mapped[list[PatronageShare]] = relationship(order_by="PatronageShare.id", viewonly=True)


class PatronageShare(Base):
    """One dealer's share at one mall."""

    __tablename__ = "patronage_share"
    __table_args__ = (
        UniqueConstraint("patronage_id", "dealer_id", "mall_id"),
        CheckConstraint("share_cents = cash_cents + retained_cents", name="adds_up"),
        CheckConstraint("cash_cents >= 0 AND retained_cents >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    patronage_id: Mapped[int] = mapped_column(ForeignKey("patronage.id"))
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    business_cents: Mapped[int] = mapped_column(Cents)
    """Commission and rent she paid in the year: what the surplus is shared by."""
    share_cents: Mapped[int] = mapped_column(Cents)
    cash_cents: Mapped[int] = mapped_column(Cents)
    retained_cents: Mapped[int] = mapped_column(Cents)
    entry_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)
