"""Calendar feeds: a calendar program reads one at a secret address, without signing in, until its user revokes it."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.dealers.models import CalendarFeed, UserAccount
from coop.dealers.service import hash_token

MOST_FEEDS = 10
"""Of one user and kind that run at once: more are forgotten, and each is an open door."""
_READ_EVERY = timedelta(hours=1)
"""How exactly a feed's last reading is known; finer would write on every reading."""


@dataclass(frozen=True)
class Shown:
    """What a kind of feed shows, and to whom."""

    roles: frozenset[str]
    """Its user must have one of them still."""
    make: Callable[[int], str | bytes]
    """Its calendar as iCalendar, for the user with this id."""


SHOWN: dict[str, Shown] = {}
"""By kind. The rooms that make calendars enter theirs here, so that one address reads them all and knows none."""


def show_feed(kind: str, roles: Sequence[str], make: Callable[[int], str | bytes]) -> None:
    """Enter a kind of feed."""
    SHOWN[kind] = Shown(frozenset(roles), make)


def running_feeds(session: Session, user_id: int, kind: str) -> Sequence[CalendarFeed]:
    """A user's own feeds of a kind that are not revoked, the newest first."""
    of_user = (CalendarFeed.user_id == user_id) & (CalendarFeed.kind == kind)
    rows = select(CalendarFeed).where(of_user, CalendarFeed.revoked_at.is_(None))
    return session.scalars(rows.order_by(CalendarFeed.id.desc())).all()


def make_feed(session: Session, now: datetime, user_id: int, kind: str, *, label: str = "", request_id: str = "") -> str:
    """A new feed; the secret of its address, which is shown once and kept nowhere. Refuses one too many."""
    running = select(func.count(CalendarFeed.id)).where(
        CalendarFeed.user_id == user_id, CalendarFeed.kind == kind, CalendarFeed.revoked_at.is_(None)
    )
    if (session.scalar(running) or 0) >= MOST_FEEDS:
        raise Refusal(f"There are {MOST_FEEDS} addresses already. End one that nothing reads any more, then make this one.")
    token = secrets.token_urlsafe(32)
    feed = CalendarFeed(
        user_id=user_id,
        kind=kind,
        label=" ".join(label.split())[:60],
        token_sha256=hash_token(token),
        created_at=now,
        last_read_at=None,
        revoked_at=None,
    )
    session.add(feed)
    session.flush()
    audit.record(session, now, "calendar address made", "calendar feed", feed.id, user_id=user_id, request_id=request_id)
    return token


def revoke_feed(session: Session, now: datetime, user_id: int, feed_id: int, *, request_id: str = "") -> bool:
    """End one of a user's own feeds for good; whether there was such a one."""
    feed = session.scalar(select(CalendarFeed).where(CalendarFeed.id == feed_id, CalendarFeed.user_id == user_id))
    if feed is None:
        return False
    if feed.revoked_at is None:
        feed.revoked_at = now
        audit.record(session, now, "calendar address ended", "calendar feed", feed_id, user_id=user_id, request_id=request_id)
    return True


def open_feed(session: Session, now: datetime, token: str) -> tuple[CalendarFeed, frozenset[str]] | None:
    """The feed of an address's secret with the roles its user has now; None when it is unknown, revoked or its user is disabled.

    Found by the secret's hash, so how long the search takes says nothing of a secret.
    """
    digest = hash_token(token)
    feed = session.scalar(select(CalendarFeed).where(CalendarFeed.token_sha256 == digest))
    if feed is None or not hmac.compare_digest(feed.token_sha256, digest) or feed.revoked_at is not None:
        return None
    user = session.get_one(UserAccount, feed.user_id)
    if user.disabled_at is not None:
        return None
    if feed.last_read_at is None or now - feed.last_read_at >= _READ_EVERY:
        feed.last_read_at = now
    return feed, frozenset(grant.role for grant in user.grants)
