"""The log: who did what, when, to which thing. Append only."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Index, String, Text
from sqlalchemy.orm import Mapped, Session, mapped_column

from coop.core.db import Base, Key, UtcDateTime


class AuditLog(Base):
    """One thing somebody did. Holds ids and codes, never a person's name."""

    __tablename__ = "audit_log"
    __table_args__ = (Index("ix_audit_log_subject", "subject_kind", "subject_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)
    user_id: Mapped[int | None] = mapped_column(Key)
    """Who; null for the command line and for scheduled work."""
    action: Mapped[str] = mapped_column(String(60))
    subject_kind: Mapped[str] = mapped_column(String(40))
    subject_id: Mapped[str] = mapped_column(String(80))
    detail: Mapped[str] = mapped_column(Text, default="")
    request_id: Mapped[str] = mapped_column(String(40), default="")


def record(
    session: Session,
    now: datetime,
    action: str,
    subject_kind: str,
    subject_id: object,
    *,
    user_id: int | None = None,
    detail: str = "",
    request_id: str = "",
) -> None:
    """Write one line of the log in the caller's transaction."""
    session.add(
        AuditLog(
            at=now,
            user_id=user_id,
            action=action,
            subject_kind=subject_kind,
            subject_id=str(subject_id),
            detail=detail,
            request_id=request_id,
        )
    )
