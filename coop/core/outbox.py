"""The tables of mail: what is to be sent, every attempt to send it, and what sets this co-op's Message-IDs apart."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, Integer, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from coop.core.db import Base, Key, UtcDateTime

STATES = ("queued", "sending", "sent", "failed", "given_up")


class Outbox(Base):
    """One mail. `queued` -> `sending` -> `sent`; or `failed` (refused), or `given_up` (put off too long)."""

    __tablename__ = "outbox"
    __table_args__ = (
        CheckConstraint("state IN ('queued', 'sending', 'sent', 'failed', 'given_up')", name="known_state"),
        Index("ix_outbox_state", "state"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    key: Mapped[str] = mapped_column(String(200), unique=True)
    """What the mail is, such as `statement/MAIN/D01/2010-12`; a person's resend adds `/2`, `/3`."""
    kind: Mapped[str] = mapped_column(String(40))
    recipient: Mapped[str] = mapped_column(String(254))
    subject: Mapped[str] = mapped_column(String(200))
    text_body: Mapped[str] = mapped_column(Text)
    html_body: Mapped[str] = mapped_column(Text, deferred=True)
    """The same as the text, for readers that show HTML; empty if there is none."""
    document_id: Mapped[int | None] = mapped_column(ForeignKey("document.id"), index=True)
    """The PDF that goes with it."""
    state: Mapped[str] = mapped_column(String(10), default="queued")
    message_id: Mapped[str] = mapped_column(String(200), unique=True)
    """Without its angle brackets."""
    attempts: Mapped[int] = mapped_column(Integer, default=0)
    next_at: Mapped[datetime] = mapped_column(UtcDateTime)
    """When it is due, or due again."""
    lease_token: Mapped[str | None] = mapped_column(String(40))
    lease_until: Mapped[datetime | None] = mapped_column(UtcDateTime)
    error: Mapped[str] = mapped_column(Text, default="")
    """The last refusal, as the server said it."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    sent_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    resend_of_id: Mapped[int | None] = mapped_column(ForeignKey("outbox.id"), index=True)


class MailAttempt(Base):
    """One attempt to send a mail. `started` stays on an attempt that was cut."""

    __tablename__ = "mail_attempt"
    __table_args__ = (
        CheckConstraint("outcome IN ('started', 'sent', 'refused', 'put_off')", name="known_outcome"),
        Index("ix_mail_attempt_ended_at", "ended_at"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    outbox_id: Mapped[int] = mapped_column(ForeignKey("outbox.id"), index=True)
    started_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    outcome: Mapped[str] = mapped_column(String(12), default="started")
    reply: Mapped[str] = mapped_column(Text, default="")
    """What the server said."""
    unreached: Mapped[bool] = mapped_column(default=False)
    """The server did not answer, or fell silent: while that is fresh, other mails are not tried."""


class MailIdentity(Base):
    """One row, made with the first mail: what tells this co-op's Message-IDs from those of another that shares its domain."""

    __tablename__ = "mail_identity"
    __table_args__ = (CheckConstraint("id = 1", name="only_one"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True, autoincrement=False)
    salt: Mapped[str] = mapped_column(String(32))
