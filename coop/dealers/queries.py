"""Reads of people and their sign-ins."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, String, and_, cast, func, select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.dealers.models import Cooperative, Dealer, PassphraseRequest, SignInAttempt, UserAccount, WebSession

SIGNED_IN_AT = (
    select(func.max(AuditLog.at))
    .where(AuditLog.subject_kind == "user", AuditLog.subject_id == cast(UserAccount.id, String), AuditLog.action == "signed in")
    .correlate(UserAccount)
    .scalar_subquery()
)
"""When a user last signed in; null for who never did."""


def cooperative(session: Session) -> Cooperative | None:
    """The co-op, or None in an empty database."""
    return session.get(Cooperative, 1)


def user_by_email(session: Session, email: str) -> UserAccount | None:
    return session.scalar(select(UserAccount).where(UserAccount.email == email))


def has_signed_in(session: Session, user_id: int) -> bool:
    return session.scalar(select(SIGNED_IN_AT).select_from(UserAccount).where(UserAccount.id == user_id)) is not None


def web_session_by_hash(session: Session, token_sha256: str) -> WebSession | None:
    return session.scalar(select(WebSession).where(WebSession.token_sha256 == token_sha256))


def can_be_used(now: datetime, idle_since: datetime) -> ColumnElement[bool]:
    """Sessions that are not ended, over, or left idle."""
    return and_(WebSession.ended_at.is_(None), WebSession.expires_at > now, WebSession.seen_at > idle_since)


def running_sessions(session: Session, now: datetime, user_id: int, idle_since: datetime) -> Sequence[WebSession]:
    """A user's sessions that can still be used, the latest used first."""
    return session.scalars(
        select(WebSession)
        .where(WebSession.user_id == user_id, can_be_used(now, idle_since))
        .order_by(WebSession.seen_at.desc(), WebSession.id.desc())
    ).all()


def own_web_session(session: Session, user_id: int, web_session_id: int) -> WebSession | None:
    """A session, if it is this user's."""
    return session.scalar(select(WebSession).where(WebSession.id == web_session_id, WebSession.user_id == user_id))


def account_failures(session: Session, email: str, since: datetime) -> Sequence[datetime]:
    """Moments of an account's failed tries since its last success, not before `since`."""
    last_success = (
        select(func.max(SignInAttempt.id))
        .where(SignInAttempt.email == email, SignInAttempt.succeeded.is_(True))
        .scalar_subquery()
    )
    return session.scalars(
        select(SignInAttempt.at).where(
            SignInAttempt.email == email,
            SignInAttempt.succeeded.is_(False),
            SignInAttempt.at >= since,
            SignInAttempt.id > func.coalesce(last_success, 0),
        )
    ).all()


def address_failures(session: Session, address: str, since: datetime) -> Sequence[datetime]:
    """Moments of failed tries from a network address, not before `since`."""
    return session.scalars(
        select(SignInAttempt.at).where(
            SignInAttempt.address == address,
            SignInAttempt.succeeded.is_(False),
            SignInAttempt.at >= since,
        )
    ).all()


def requests_of(session: Session, since: datetime, *, email: str | None = None, address: str | None = None) -> Sequence[datetime]:
    """Moments at which a passphrase was said to be lost, of an account or from a network address, not before `since`."""
    whose = PassphraseRequest.email == email if email is not None else PassphraseRequest.address == address
    return session.scalars(select(PassphraseRequest.at).where(whose, PassphraseRequest.at >= since)).all()


def dealers_of(session: Session, member_id: int | None) -> Sequence[Dealer]:
    """The dealers that are this member, by code."""
    if member_id is None:
        return []
    return session.scalars(select(Dealer).where(Dealer.member_id == member_id).order_by(Dealer.code)).all()


def dealer_by_code(session: Session, code: str) -> Dealer | None:
    return session.scalar(select(Dealer).where(Dealer.code == code))
