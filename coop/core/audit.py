"""The log: who did what, when, to which thing. Append only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import Index, String, Text, func, select
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


def changed(what: str) -> str:
    """The action under which the log says that something of a thing was changed."""
    return f"{what} changed"


def record_changes(
    session: Session,
    now: datetime,
    subject_kind: str,
    subject_id: object,
    changes: Mapping[str, tuple[str, str]],
    *,
    user_id: int | None = None,
    request_id: str = "",
) -> list[str]:
    """A line of the log for each thing that is not as before, and all of them in words. `changes`: what -> (before, now)."""
    said = []
    for what, (before, after) in changes.items():
        if before != after:
            detail = f"{before} before, {after} now"
            record(session, now, changed(what), subject_kind, subject_id, user_id=user_id, detail=detail, request_id=request_id)
            said.append(f"{what}: {detail}")
    return said


def last_done(session: Session, subject_kinds: Sequence[str]) -> dict[tuple[str, str, str], datetime]:
    """When each thing was last done to each subject of these kinds: (kind, id, action) -> moment. One query."""
    rows = session.execute(
        select(AuditLog.subject_kind, AuditLog.subject_id, AuditLog.action, func.max(AuditLog.at))
        .where(AuditLog.subject_kind.in_(subject_kinds))
        .group_by(AuditLog.subject_kind, AuditLog.subject_id, AuditLog.action)
    )
    return {(kind, subject, action): at for kind, subject, action, at in rows}
