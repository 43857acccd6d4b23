"""Rendered documents, kept for good: the first rendering's bytes and hash are what is always served."""

from __future__ import annotations

import hashlib
from datetime import datetime

from sqlalchemy import Integer, LargeBinary, String
from sqlalchemy.orm import Mapped, Session, mapped_column

from coop.core.db import Base, Key, UtcDateTime


class Document(Base):
    """A file we made. Immutable: the database refuses a change."""

    __tablename__ = "document"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    file_name: Mapped[str] = mapped_column(String(120), index=True)
    media_type: Mapped[str] = mapped_column(String(60))
    content: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)
    size_bytes: Mapped[int] = mapped_column(Integer)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    made_with: Mapped[str] = mapped_column(String(200))
    """Versions of renderer and font: with the same ones the same value renders to the same bytes."""
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


def keep_document(
    session: Session, now: datetime, *, file_name: str, media_type: str, content: bytes, made_with: str
) -> Document:
    """Store a file's first rendering."""
    document = Document(
        file_name=file_name,
        media_type=media_type,
        content=content,
        size_bytes=len(content),
        sha256=hashlib.sha256(content).hexdigest(),
        made_with=made_with,
        created_at=now,
    )
    session.add(document)
    session.flush()
    return document
