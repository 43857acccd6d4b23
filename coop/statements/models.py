"""A dealer's frozen month, what she asks about it, and all of a month in one file."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import CheckConstraint, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Cents, Key, UtcDateTime


class Statement(Base):
    """What a dealer was told about a month: the value as JSON, its hash, and the document made from it.

    The value never changes once written (the database refuses); document and mail are added once.
    """

    __tablename__ = "statement"
    __table_args__ = (UniqueConstraint("mall_id", "dealer_id", "first_day"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    number: Mapped[str] = mapped_column(String(40), unique=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    dealer_id: Mapped[int] = mapped_column(ForeignKey("dealer.id"), index=True)
    first_day: Mapped[date]
    value_json: Mapped[str] = mapped_column(Text, deferred=True)
    value_sha256: Mapped[str] = mapped_column(String(64))
    opening_cents: Mapped[int] = mapped_column(Cents)
    """Positive: owed to the dealer."""
    closing_cents: Mapped[int] = mapped_column(Cents)
    document_id: Mapped[int | None] = mapped_column(ForeignKey("document.id"))
    outbox_id: Mapped[int | None] = mapped_column(ForeignKey("outbox.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class StatementQuestion(Base):
    """What a dealer asks the manager about a line of her statement, and the answer."""

    __tablename__ = "statement_question"
    __table_args__ = (
        CheckConstraint("question <> ''", name="asked"),
        CheckConstraint("(answer = '') = (answered_at IS NULL)", name="answered_at_a_moment"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    statement_id: Mapped[int] = mapped_column(ForeignKey("statement.id"), index=True)
    line: Mapped[str] = mapped_column(String(24))
    """Which line: `sales/3`, `charges/0`, `opening`; `whole` for the statement."""
    said: Mapped[str] = mapped_column(String(200))
    """The line in words, as it stood."""
    question: Mapped[str] = mapped_column(String(1000))
    asked_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    asked_at: Mapped[datetime] = mapped_column(UtcDateTime)
    answer: Mapped[str] = mapped_column(String(2000), default="")
    answered_by: Mapped[int | None] = mapped_column(ForeignKey("user_account.id"))
    answered_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class StatementBook(Base):
    """All statements of a mall's month in one file for printing; the newest counts."""

    __tablename__ = "statement_book"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    mall_id: Mapped[int] = mapped_column(ForeignKey("mall.id"))
    first_day: Mapped[date]
    without_mail: Mapped[bool]
    """Whether it holds only those that go by no mail."""
    statements: Mapped[int] = mapped_column(Integer)
    document_id: Mapped[int] = mapped_column(ForeignKey("document.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
