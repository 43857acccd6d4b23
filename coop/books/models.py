"""The books: accounts, periods, entries and their postings, seals.

`migrations/versions/0002_guards.py` makes the database itself keep them: balanced, immutable, closed months closed.
"""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, Integer, String, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from coop.core.db import Base, Cents, Key, UtcDateTime

CLASSES = ("Assets", "Liabilities", "Income", "Expenses", "Equity")


class Account(Base):
    """A leaf of the tree of accounts, such as `Liabilities:Dealers:MAIN:D01`."""

    __tablename__ = "account"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    path: Mapped[str] = mapped_column(String(120), unique=True)
    kind: Mapped[str] = mapped_column(String(20), index=True)
    """dealer, tax, tender, unclaimed, income, expense, equity, bank."""
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    dealer_id: Mapped[int | None] = mapped_column(ForeignKey("dealer.id"), index=True)


class Period(Base):
    """A month of a mall's books, or of the co-op's own (mall null)."""

    __tablename__ = "period"
    __table_args__ = (
        Index(
            "uq_period_mall",
            "mall_id",
            "first_day",
            unique=True,
            postgresql_where=text("mall_id IS NOT NULL"),
            sqlite_where=text("mall_id IS NOT NULL"),
        ),
        Index(
            "uq_period_coop",
            "first_day",
            unique=True,
            postgresql_where=text("mall_id IS NULL"),
            sqlite_where=text("mall_id IS NULL"),
        ),
        CheckConstraint("state IN ('open', 'closed')", name="known_state"),
        CheckConstraint("first_day < last_day", name="forward"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    first_day: Mapped[date]
    last_day: Mapped[date]
    state: Mapped[str] = mapped_column(String(6), default="open")
    closed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class Entry(Base):
    """One event in the books. Never changed, never deleted."""

    __tablename__ = "entry"
    __table_args__ = (
        UniqueConstraint("source_kind", "source_id", "purpose"),
        Index("ix_entry_period_id", "period_id", "id"),
    )

    id: Mapped[int] = mapped_column(
        ForeignKey("entry_proof.entry_id", deferrable=True, initially="DEFERRED", name="fk_entry_proved"),
        type_=Key,
        primary_key=True,
        autoincrement=True,
    )
    period_id: Mapped[int] = mapped_column(ForeignKey("period.id"))
    mall_id: Mapped[int | None] = mapped_column(ForeignKey("mall.id"))
    business_date: Mapped[date]
    kind: Mapped[str] = mapped_column(String(24))
    source_kind: Mapped[str] = mapped_column(String(24))
    source_id: Mapped[str] = mapped_column(String(120))
    purpose: Mapped[str] = mapped_column(String(24))
    """One event posts once: (source kind, source id, purpose) is unique."""
    reverses_id: Mapped[int | None] = mapped_column(ForeignKey("entry.id"), unique=True)
    """The entry this one puts right; an entry is reversed at most once."""
    memo: Mapped[str] = mapped_column(String(200), default="")
    """Facts and codes only, no names."""
    posted_at: Mapped[datetime] = mapped_column(UtcDateTime)

    postings: Mapped[list[Posting]] = relationship(order_by="Posting.id", viewonly=True)


class Posting(Base):
    """One signed amount on one account: debit positive, credit negative."""

    __tablename__ = "posting"
    __table_args__ = (CheckConstraint("amount_cents <> 0", name="not_zero"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    entry_id: Mapped[int] = mapped_column(ForeignKey("entry.id"), index=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    amount_cents: Mapped[int] = mapped_column(Cents)

    account: Mapped[Account] = relationship(viewonly=True)


class EntryProof(Base):
    """Proof that an entry balances: the database writes none for one that does not, and keeps no entry without."""

    __tablename__ = "entry_proof"

    entry_id: Mapped[int] = mapped_column(Key, primary_key=True, autoincrement=False)
    postings: Mapped[int] = mapped_column(Integer)
    debits_cents: Mapped[int] = mapped_column(Cents)


class Seal(Base):
    """A hash over a period's entries since its last seal, chained to the seal before it in the same mall's chain."""

    __tablename__ = "seal"
    __table_args__ = (UniqueConstraint("chain", "number"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    chain: Mapped[str] = mapped_column(String(20))
    """The mall's code, or `co-op`."""
    number: Mapped[int] = mapped_column(Integer)
    period_id: Mapped[int] = mapped_column(ForeignKey("period.id"), index=True)
    reason: Mapped[str] = mapped_column(String(8))
    """day or close."""
    after_entry_id: Mapped[int] = mapped_column(Key)
    last_entry_id: Mapped[int] = mapped_column(Key)
    """Covers the period's entries with after < id <= last."""
    entries: Mapped[int] = mapped_column(Integer)
    debits_cents: Mapped[int] = mapped_column(Cents)
    previous_sha256: Mapped[str] = mapped_column(String(64))
    sha256: Mapped[str] = mapped_column(String(64))
    sealed_at: Mapped[datetime] = mapped_column(UtcDateTime)
