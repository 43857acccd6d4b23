"""People's use-cases: accounts, passphrases, signing in and out."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, text, update
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.db import dialect_name
from coop.core.errors import Refusal
from coop.core.jobs import short_job
from coop.dealers import domain, queries
from coop.dealers.models import ROLES, RoleGrant, SignInAttempt, SignInLink, UserAccount, WebSession

HASHER = PasswordHasher()
"""Argon2id with the library's parameters (RFC 9106, low-memory profile). A hash made with others is renewed at sign-in."""

_NOBODY = HASHER.hash(secrets.token_urlsafe(24))
"""Compared with when there is no such account, so that both answers cost the same work."""

_SEEN_EVERY = timedelta(minutes=5)
"""How exactly a session's last use is known; finer would write on every page."""
KEEP_ATTEMPTS = timedelta(days=30)
KEEP_SESSIONS = timedelta(days=30)
"""After the day they would have run out."""


@dataclass(frozen=True)
class SignedIn:
    user_id: int
    token: str
    """For the browser's cookie; only its hash is stored."""


@dataclass(frozen=True)
class TurnedAway:
    wait: timedelta
    """How long no further try is taken; zero when the account and passphrase simply do not match."""


# --- accounts -----------------------------------------------------------------------------------------------------------


def add_user(
    session: Session, now: datetime, *, email: str, roles: Sequence[str], member_id: int | None = None
) -> tuple[UserAccount, str]:
    """A new sign-in and its generated passphrase, which is shown once and kept nowhere.

    Raises Refusal for an unknown role, something that is no mail address, or an address that has a sign-in.
    """
    plain = domain.plain_email(email)
    if not domain.is_email(plain):
        raise Refusal(f"{email!r} is not a mail address. Write it like name@example.org.")
    unknown = [role for role in roles if role not in ROLES]
    if unknown or not roles:
        named = ", ".join(unknown) or "none"
        raise Refusal(f"--role {named}: a role is one of {', '.join(ROLES)}.")
    if "dealer" in roles and member_id is None:
        raise Refusal("--role dealer needs to know which one: add --dealer CODE, such as --dealer D01.")
    if queries.user_by_email(session, plain) is not None:
        raise Refusal(f"{plain} has a sign-in already. For a new passphrase: coop user passphrase {plain}")
    passphrase = make_passphrase()
    user = UserAccount(
        email=plain, member_id=member_id, password_hash=hash_passphrase(passphrase), disabled_at=None, created_at=now
    )
    user.grants = [RoleGrant(role=role) for role in dict.fromkeys(roles)]
    session.add(user)
    session.flush()
    audit.record(session, now, "user added", "user", user.id, detail=", ".join(dict.fromkeys(roles)))
    return user, passphrase


def renew_passphrase(session: Session, now: datetime, *, email: str) -> str:
    """A fresh generated passphrase for an account; whoever was signed in with the old one no longer is, and its links end."""
    user = queries.user_by_email(session, domain.plain_email(email))
    if user is None:
        raise Refusal(f"Nobody signs in as {email}. Add them with: coop user add {email} --role ROLE")
    passphrase = make_passphrase()
    set_passphrase(session, now, user, passphrase)
    audit.record(session, now, "passphrase renewed", "user", user.id)
    return passphrase


def change_passphrase(
    session: Session,
    now: datetime,
    user_id: int,
    *,
    new: str,
    keep_session_id: int,
    request_id: str = "",
) -> None:
    """Take a new passphrase and end the user's other sessions. Raises Refusal with what is wrong with it."""
    user = session.get_one(UserAccount, user_id)
    fault = domain.passphrase_fault(new, user.email)
    if fault:
        raise Refusal(fault)
    set_passphrase(session, now, user, new, keep_session_id=keep_session_id)
    audit.record(session, now, "passphrase changed", "user", user_id, user_id=user_id, request_id=request_id)


def set_passphrase(session: Session, now: datetime, user: UserAccount, new: str, *, keep_session_id: int | None = None) -> None:
    """Take a passphrase that will do, and end the user's sessions but the one in hand, and links by which another could be
    chosen."""
    user.password_hash = hash_passphrase(new)
    session.flush()
    end_sessions(session, now, user.id, but=keep_session_id)
    end_links(session, now, user.id)


def hold_user(session: Session, user: UserAccount) -> None:
    """Hold a user's row until the transaction ends, and read it again: her links are sent, used and ended one at a time."""
    session.refresh(user, with_for_update={"key_share": True})


def make_passphrase() -> str:
    """A generated passphrase: four invented words, 75 bits."""
    return domain.spell_passphrase(secrets.randbelow(domain.GENERATED_CHOICES))


def hash_passphrase(passphrase: str) -> str:
    return HASHER.hash(domain.plain_passphrase(passphrase))


def _verify(password_hash: str, passphrase: str) -> bool:
    try:
        return HASHER.verify(password_hash, domain.plain_passphrase(passphrase)[: domain.MAX_LENGTH + 1])
    except (VerificationError, InvalidHashError):
        return False


# --- signing in and out -------------------------------------------------------------------------------------------------


def judge(session: Session, now: datetime, *, email: str, passphrase: str, address: str) -> UserAccount | TurnedAway:
    """Whether a mail address and passphrase belong together; every try that is judged is written down.

    An unknown address, a wrong passphrase and a disabled account get the same answer after the same work. While an account or
    a network address must wait, nothing is judged, so the wait says nothing about the passphrase.
    """
    plain = domain.plain_email(email)[:254]
    counted = domain.throttled_address(address)
    judge_one_at_a_time(session, counted, plain)
    since = now - domain.WINDOW
    wait = max(
        domain.account_wait(queries.account_failures(session, plain, since), now),
        domain.address_wait(queries.address_failures(session, counted, since), now),
    )
    if wait > timedelta(0):
        return TurnedAway(wait)
    user = queries.user_by_email(session, plain)
    matches = _verify(user.password_hash if user else _NOBODY, passphrase)
    succeeded = matches and user is not None and user.disabled_at is None
    session.add(SignInAttempt(at=now, email=plain, address=counted, succeeded=succeeded))
    if user is None or not succeeded:
        return TurnedAway(timedelta(0))
    if HASHER.check_needs_rehash(user.password_hash):
        user.password_hash = hash_passphrase(passphrase)
    return user


def sign_in(
    session: Session,
    now: datetime,
    *,
    email: str,
    passphrase: str,
    address: str,
    agent: str,
    request_id: str = "",
) -> SignedIn | TurnedAway:
    """Judge a mail address and passphrase, and open a session when they belong together."""
    user = judge(session, now, email=email, passphrase=passphrase, address=address)
    if isinstance(user, TurnedAway):
        return user
    token = begin_session(session, now, user.id, address=address, agent=agent)
    audit.record(session, now, "signed in", "user", user.id, user_id=user.id, request_id=request_id)
    return SignedIn(user.id, token)


def judge_one_at_a_time(session: Session, address: str, email: str) -> None:
    """Judge one try of an account, and of an address, at a time: many at once would all be counted as the first.

    SQLite's transactions already stand in line. The address is locked before the account, always, so two never wait for
    each other.
    """
    if dialect_name(session) != "postgresql":
        return
    for name in (f"sign-in address {address}", f"sign-in account {email}"):
        number = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big", signed=True)
        session.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": number})


def begin_session(session: Session, now: datetime, user_id: int, *, address: str, agent: str) -> str:
    """Open a session for a user whose identity is established; the token for the browser's cookie."""
    token = secrets.token_urlsafe(32)
    session.add(
        WebSession(
            user_id=user_id,
            token_sha256=hash_token(token),
            created_at=now,
            seen_at=now,
            expires_at=now + domain.ABSOLUTE_LIMIT,
            ended_at=None,
            address=address[:45],
            agent=agent[:200],
        )
    )
    return token


def hash_token(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def resume_session(session: Session, now: datetime, token: str) -> tuple[WebSession, UserAccount] | None:
    """The session of a browser's token with its user, or None when it is unknown, over, or the account is disabled."""
    found = queries.web_session_by_hash(session, hash_token(token))
    if found is None or domain.is_over(
        created_at=found.created_at,
        seen_at=found.seen_at,
        expires_at=found.expires_at,
        ended_at=found.ended_at,
        now=now,
    ):
        return None
    user = session.get_one(UserAccount, found.user_id)
    if user.disabled_at is not None:
        return None
    if now - found.seen_at >= _SEEN_EVERY:
        found.seen_at = now
    return found, user


def end_session(session: Session, now: datetime, user_id: int, web_session_id: int, *, request_id: str = "") -> bool:
    """End one of a user's own sessions; whether there was such a one."""
    found = queries.own_web_session(session, user_id, web_session_id)
    if found is None:
        return False
    if found.ended_at is None:
        found.ended_at = now
        audit.record(session, now, "session ended", "user", user_id, user_id=user_id, request_id=request_id)
    return True


def end_other_sessions(session: Session, now: datetime, user_id: int, keep_session_id: int, *, request_id: str = "") -> None:
    """End all of a user's sessions but the one in hand."""
    end_sessions(session, now, user_id, but=keep_session_id)
    audit.record(session, now, "other sessions ended", "user", user_id, user_id=user_id, request_id=request_id)


def end_sessions(session: Session, now: datetime, user_id: int, but: int | None = None) -> None:
    """End a user's sessions, but for one."""
    ending = update(WebSession).where(WebSession.user_id == user_id, WebSession.ended_at.is_(None)).values(ended_at=now)
    session.execute(ending if but is None else ending.where(WebSession.id != but))


def end_links(session: Session, now: datetime, user_id: int) -> None:
    """End a user's links to choose a passphrase that are not used."""
    session.execute(
        update(SignInLink)
        .where(SignInLink.user_id == user_id, SignInLink.used_at.is_(None), SignInLink.ended_at.is_(None))
        .values(ended_at=now, token_sealed="")
    )


@short_job("dealers.forget_sign_ins")
def _forget_sign_ins(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Tries at signing in and sessions that are over, named daily by the schedule."""
    session.execute(delete(SignInAttempt).where(SignInAttempt.at < now - KEEP_ATTEMPTS))
    session.execute(delete(WebSession).where(WebSession.expires_at < now - KEEP_SESSIONS))
