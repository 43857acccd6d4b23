"""A dealer's frozen month."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint
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
