"""What a manager does with another's sign-in: roles given and taken, sessions ended, locked and unlocked. All of it is logged."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.dealers.membership import hold_coop
from coop.dealers.models import ROLES, RoleGrant, UserAccount
from coop.dealers.service import end_links, end_sessions

MANAGER, DEALER = "manager", "dealer"


class RoleRefused(Refusal):
    """The role that was chosen cannot be given."""


class WhichDealerRefused(Refusal):
    """Nobody says which dealer it is, or it is not this one."""


def require_roles(roles: Sequence[str], member_id: int | None) -> None:
    """Refuses no role, one there is not, and a dealer of whom nobody says which."""
    if not roles:
        raise RoleRefused("No role is chosen: without one there is nothing to see.")
    for role in roles:
        if role not in ROLES:
            raise RoleRefused(f"{role!r} is no role: it is one of {', '.join(ROLES)}.")
    if DEALER in roles and member_id is None:
        raise WhichDealerRefused("The dealer’s code is empty: write which dealer it is, such as D01.")


def give_role(
    session: Session,
    now: datetime,
    user: UserAccount,
    role: str,
    *,
    member_id: int | None = None,
    by: int | None = None,
    request_id: str = "",
) -> bool:
    """Give a user a role; whether she did not have it. `member_id` says who she is, where the sign-in does not say yet.

    Refuses an unknown role, a dealer of whom nobody says which, and another member than the one she is.
    """
    _hold(session, user)
    require_roles([role], user.member_id or member_id)
    if member_id is not None and user.member_id not in (None, member_id):
        raise WhichDealerRefused(f"{user.email} is another member already: a sign-in is one person’s.")
    if role in {grant.role for grant in user.grants}:
        return False
    if user.member_id is None:
        user.member_id = member_id
    user.grants.append(RoleGrant(role=role))
    session.flush()
    audit.record(session, now, "role given", "user", user.id, user_id=by, detail=role, request_id=request_id)
    return True


def take_role(
    session: Session, now: datetime, user: UserAccount, role: str, *, by: int | None = None, request_id: str = ""
) -> bool:
    """Take a role from a user; whether she had it. It is gone with her next page.

    Refuses the last manager's, and that a manager takes her own.
    """
    _hold(session, user)
    grant = next((one for one in user.grants if one.role == role), None)
    if grant is None:
        return False
    if role == MANAGER:
        if user.id == by:
            raise Refusal("You cannot take the manager’s role from yourself: another manager does it.")
        _require_other_manager(session, user)
    session.delete(grant)
    session.flush()
    session.expire(user, ["grants"])
    audit.record(session, now, "role taken", "user", user.id, user_id=by, detail=role, request_id=request_id)
    return True


def sign_out_everywhere(
    session: Session,
    now: datetime,
    user: UserAccount,
    *,
    by: int | None = None,
    keep_session_id: int | None = None,
    request_id: str = "",
) -> None:
    """End all of a user's sessions, but for the one in hand where that is her own."""
    end_sessions(session, now, user.id, but=keep_session_id)
    audit.record(session, now, "all sessions ended", "user", user.id, user_id=by, request_id=request_id)


def lock_user(session: Session, now: datetime, user: UserAccount, *, by: int | None = None, request_id: str = "") -> bool:
    """Let a user in no more, and end her sessions and links; whether she was not locked. Her roles and what she did stay.

    Refuses that somebody locks herself, and the last manager.
    """
    if user.id == by:
        raise Refusal("You cannot lock yourself out: another manager does it.")
    _hold(session, user)
    if user.disabled_at is not None:
        return False
    if MANAGER in {grant.role for grant in user.grants}:
        _require_other_manager(session, user)
    user.disabled_at = now
    session.flush()
    end_sessions(session, now, user.id)
    end_links(session, now, user.id)
    audit.record(session, now, "user locked", "user", user.id, user_id=by, request_id=request_id)
    return True


def unlock_user(session: Session, now: datetime, user: UserAccount, *, by: int | None = None, request_id: str = "") -> bool:
    """Let a user in again, with the passphrase she had; whether she was locked."""
    _hold(session, user)
    if user.disabled_at is None:
        return False
    user.disabled_at = None
    session.flush()
    audit.record(session, now, "user unlocked", "user", user.id, user_id=by, request_id=request_id)
    return True


def _hold(session: Session, user: UserAccount) -> None:
    """One change of roles and locks at a time: of two managers who take each other's role, the second is told."""
    hold_coop(session)
    session.refresh(user)


def _require_other_manager(session: Session, user: UserAccount) -> None:
    others = (
        select(func.count(RoleGrant.id))
        .join(UserAccount, UserAccount.id == RoleGrant.user_id)
        .where(RoleGrant.role == MANAGER, UserAccount.disabled_at.is_(None), UserAccount.id != user.id)
    )
    if not session.scalar(others):
        raise Refusal(f"{user.email} is the last manager: give somebody else the role first, or nobody could run the office.")
