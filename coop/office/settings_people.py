"""What the pages of people and sign-ins read: who may sign in, as what, when they last did, and where they are signed in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.core.clock import local_date
from coop.core.listing import Column, Listed, Listing, OneOf, Words
from coop.dealers import domain
from coop.dealers.links import running_links
from coop.dealers.models import ROLES, Dealer, Member, RoleGrant, SignInLink, UserAccount, WebSession
from coop.dealers.queries import SIGNED_IN_AT, can_be_used
from coop.office.queries import office_timezone


@dataclass(frozen=True)
class Person:
    """A sign-in as the list shows it."""

    user: UserAccount
    name: str
    dealers: str
    """Codes."""
    roles: tuple[str, ...]
    signed_in_at: datetime | None
    sessions: int
    link: SignInLink | None
    """One that can be used now."""

    @property
    def state(self) -> str:
        if self.user.disabled_at is not None:
            return "locked"
        if self.signed_in_at is None and self.link is not None and self.link.purpose == "invitation":
            return "invited"
        return "may sign in"


def _states(value: str) -> ColumnElement[bool]:
    return UserAccount.disabled_at.is_not(None) if value == "locked" else UserAccount.disabled_at.is_(None)


def _of_role(role: str) -> ColumnElement[bool]:
    if role == "none":
        return UserAccount.id.not_in(select(RoleGrant.user_id))
    return UserAccount.id.in_(select(RoleGrant.user_id).where(RoleGrant.role == role))


def people_list(timezone: str) -> Listing[Person]:
    """The list, with days as they are where the office is."""
    return Listing(
        columns=(
            Column("email", "Mail address", lambda it: it.user.email, order=UserAccount.email),
            Column("name", "Name", lambda it: it.name, order=Member.name),
            Column("dealer", "Dealer", lambda it: it.dealers),
            Column("roles", "Roles", lambda it: ", ".join(it.roles)),
            Column(
                "last",
                "Last signed in",
                lambda it: local_date(it.signed_in_at, timezone).isoformat() if it.signed_in_at else "",
                order=SIGNED_IN_AT,
            ),
            Column("sessions", "Browsers", lambda it: str(it.sessions), amount=True),
            Column("state", "State", lambda it: it.state),
        ),
        usual="email",
        filters=(
            Words("find", "Name or mail address", (UserAccount.email, func.coalesce(Member.name, ""))),
            OneOf("role", "Role", (*((role, role) for role in ROLES), ("none", "without a role")), _of_role),
            OneOf("state", "State", (("open", "may sign in"), ("locked", "locked")), _states),
        ),
        tie=UserAccount.id,
    )


def people(session: Session, now: datetime, asked: Mapping[str, str]) -> Listed[Person]:
    """A page of them, in a handful of queries however many there are."""
    # Rows of the query first: what else a person has is read for all of them together.
    found: Listing[Any] = people_list(office_timezone(session))
    listed = found.read(session, _people_query(now), asked, tuple)
    return replace(listed, rows=_persons(session, now, listed.rows))


def person(session: Session, now: datetime, user_id: int) -> Person | None:
    """One of them."""
    rows = session.execute(_people_query(now).where(UserAccount.id == user_id)).all()
    return next(iter(_persons(session, now, rows)), None)


def _people_query(now: datetime) -> Select[Any]:
    """Every sign-in with its person's name, when it was last used, and at how many browsers it runs."""
    running = (
        select(func.count(WebSession.id))
        .where(WebSession.user_id == UserAccount.id, can_be_used(now, now - domain.IDLE_LIMIT))
        .correlate(UserAccount)
        .scalar_subquery()
    )
    return select(UserAccount, Member.name, SIGNED_IN_AT, running).outerjoin(Member, Member.id == UserAccount.member_id)


def _persons(session: Session, now: datetime, rows: Sequence[Any]) -> list[Person]:
    """What rows of the query are, with codes and links read for all of them together."""
    users = [row[0] for row in rows]
    links = running_links(session, now, [user.id for user in users])
    codes = _codes(session, [user.member_id for user in users if user.member_id is not None])
    return [
        Person(
            user,
            name or "",
            ", ".join(codes.get(user.member_id, ())),
            tuple(role for role in ROLES if role in {grant.role for grant in user.grants}),
            signed_in,
            sessions,
            links.get(user.id),
        )
        for user, name, signed_in, sessions in rows
    ]


def _codes(session: Session, member_ids: Sequence[int]) -> dict[int | None, list[str]]:
    found: dict[int | None, list[str]] = {}
    rows = session.execute(select(Dealer.member_id, Dealer.code).where(Dealer.member_id.in_(member_ids)).order_by(Dealer.code))
    for member_id, code in rows:
        found.setdefault(member_id, []).append(code)
    return found


def lines_about(session: Session, user_id: int, most: int = 10) -> Sequence[AuditLog]:
    """The newest lines of the log about a user, but for her signing in."""
    return session.scalars(
        select(AuditLog)
        .where(AuditLog.subject_kind == "user", AuditLog.subject_id == str(user_id), AuditLog.action != "signed in")
        .order_by(AuditLog.id.desc())
        .limit(most)
    ).all()
