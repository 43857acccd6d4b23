"""Links by which people choose their passphrase: an invitation, or because the old one is lost. Good once, and for a time.

Only a hash of a link's secret is kept in the clear. The mail that brings it is written without it, since the office reads mails:
the secret lies sealed until it is used, and is put into the mail as that is sent.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, and_, delete, select, update
from sqlalchemy.orm import Session

from coop.config import Settings
from coop.core import audit
from coop.core.db import insert_ignoring
from coop.core.errors import Refusal
from coop.core.jobs import JobRun, long_job, name_job, short_job
from coop.core.mail import HIDDEN, fills_in, queue_mail
from coop.core.outbox import Outbox
from coop.core.sealed_text import FieldKeys
from coop.core.templating import joined, render
from coop.dealers import domain, queries
from coop.dealers.granting import require_roles
from coop.dealers.models import Cooperative, PassphraseRequest, RoleGrant, SignInLink, UserAccount
from coop.dealers.service import (
    TurnedAway,
    end_links,
    hash_passphrase,
    hash_token,
    hold_user,
    judge_one_at_a_time,
    make_passphrase,
    set_passphrase,
)

INVITATION, PASSPHRASE = "invitation", "passphrase"
LASTS = {INVITATION: timedelta(days=7), PASSPHRASE: timedelta(hours=2)}
LASTS_SAID = {INVITATION: "seven days", PASSPHRASE: "two hours"}
KIND = "sign-in link"
_KEY = "sign-in-link/"
KEEP = timedelta(days=30)
"""After a link or a request would have run out."""
OVER = "This link is no longer good: it was used, another took its place, or its time is over."


@dataclass(frozen=True)
class Sender:
    """What a link is sent with."""

    keys: FieldKeys
    base: str
    """Where the pages are, without a slash at its end: `https://office.example.org`."""
    mail_domain: str


# --- inviting and sending -----------------------------------------------------------------------------------------------


def invite_user(
    session: Session,
    now: datetime,
    sender: Sender,
    *,
    email: str,
    roles: Sequence[str],
    member_id: int | None = None,
    by: int | None = None,
    request_id: str = "",
) -> UserAccount:
    """A new sign-in whose passphrase its person chooses by the link that is mailed to her.

    Refuses what is no mail address, an address that has a sign-in, no role or an unknown one, a dealer who is no dealer.
    """
    plain = domain.plain_email(email)
    if not domain.is_email(plain):
        raise Refusal(f"{email.strip()} is not a mail address. Write it like name@example.org.")
    require_roles(roles, member_id)
    fresh = insert_ignoring(session, UserAccount, "email").values(
        # A passphrase nobody knows: until she has chosen one, nothing opens.
        email=plain,
        member_id=member_id,
        password_hash=hash_passphrase(make_passphrase()),
        disabled_at=None,
        created_at=now,
    )
    user_id = session.scalar(fresh.returning(UserAccount.id))
    if user_id is None:
        raise Refusal(f"{plain} has a sign-in already: find it in the list.")
    user = session.get_one(UserAccount, user_id)
    user.grants = [RoleGrant(role=role) for role in dict.fromkeys(roles)]
    session.flush()
    audit.record(
        session, now, "user invited", "user", user.id, user_id=by, detail=", ".join(dict.fromkeys(roles)), request_id=request_id
    )
    send_link(session, now, sender, user, INVITATION, by=by, request_id=request_id)
    return user


def send_link(
    session: Session,
    now: datetime,
    sender: Sender,
    user: UserAccount,
    purpose: str,
    *,
    by: int | None = None,
    request_id: str = "",
) -> SignInLink:
    """Mail a user a fresh link; those sent before end. Refuses for a locked account."""
    hold_user(session, user)
    if user.disabled_at is not None:
        raise Refusal(f"{user.email} is locked: unlock it first.")
    end_links(session, now, user.id)
    token = secrets.token_urlsafe(32)
    link = SignInLink(
        user_id=user.id,
        purpose=purpose,
        token_sha256=hash_token(token),
        token_sealed=sender.keys.seal(token),
        made_by=by,
        created_at=now,
        expires_at=now + LASTS[purpose],
        used_at=None,
        ended_at=None,
    )
    session.add(link)
    session.flush()
    coop = session.get(Cooperative, 1)
    values = {
        "purpose": purpose,
        "by_office": by is not None,
        "roles": joined(sorted(grant.role for grant in user.grants)),
        "address": f"{sender.base}/sign-in/link/{HIDDEN}",
        "lasts": LASTS_SAID[purpose],
        "coop_name": coop.name if coop else "the co-op",
    }
    queue_mail(
        session,
        now,
        key=f"{_KEY}{link.id}",
        kind=KIND,
        recipient=user.email,
        subject=" ".join(render("email/sign_in_link/subject.txt", **values).split())[:200],
        text_body=render("email/sign_in_link/body.txt", **values).strip() + "\n",
        html_body=render("email/sign_in_link/body.html", **values),
        mail_domain=sender.mail_domain,
    )
    audit.record(session, now, "link sent", "user", user.id, user_id=by, detail=purpose, request_id=request_id)
    return link


def send_next_link(
    session: Session, now: datetime, sender: Sender, user: UserAccount, *, by: int | None = None, request_id: str = ""
) -> SignInLink:
    """The link a manager sends: an invitation until its person has signed in once, then one for a new passphrase.

    Refuses what `send_link` does.
    """
    purpose = PASSPHRASE if queries.has_signed_in(session, user.id) else INVITATION
    return send_link(session, now, sender, user, purpose, by=by, request_id=request_id)


@fills_in(KIND)
def _secret(session: Session, now: datetime, settings: Settings, outbox: Outbox) -> str:
    """The secret of the link that a mail brings. Raises Refusal when it would bring one that is no longer good."""
    link = session.get(SignInLink, int(outbox.key.removeprefix(_KEY).split("/")[0]))
    if link is None or not link.token_sealed or link.expires_at <= now:
        raise Refusal(f"{OVER} Send another from the page People and sign-ins.")
    return FieldKeys.of(settings).open(link.token_sealed)


# --- using --------------------------------------------------------------------------------------------------------------


def _is_good(now: datetime) -> ColumnElement[bool]:
    """Links that are not used, not ended, and not over."""
    return and_(SignInLink.used_at.is_(None), SignInLink.ended_at.is_(None), SignInLink.expires_at > now)


def open_link(session: Session, now: datetime, token: str) -> tuple[SignInLink, UserAccount] | None:
    """The link of a secret and whose it is; None when it is unknown, used, ended or over, or its user is locked.

    Found by the secret's hash, so how long the search takes says nothing of a secret.
    """
    found = session.execute(
        select(SignInLink, UserAccount)
        .join(UserAccount, UserAccount.id == SignInLink.user_id)
        .where(
            SignInLink.token_sha256 == hash_token(token),
            _is_good(now),
            UserAccount.disabled_at.is_(None),
        )
    ).one_or_none()
    return None if found is None else (found[0], found[1])


def use_link(session: Session, now: datetime, token: str, *, new: str, request_id: str = "") -> UserAccount:
    """Take the passphrase that the person of a link chose: the link is used up, and wherever she was signed in she no longer is.

    Raises Refusal when the link is no longer good, or with what is wrong with the passphrase.
    """
    opened = open_link(session, now, token)
    if opened is None:
        raise Refusal(OVER)
    link, user = opened
    hold_user(session, user)
    fault = domain.passphrase_fault(new, user.email)
    if fault:
        raise Refusal(fault)
    used = session.execute(
        # Of two who use it at once, one does.
        update(SignInLink)
        .where(SignInLink.id == link.id, SignInLink.used_at.is_(None), SignInLink.ended_at.is_(None))
        .values(used_at=now, token_sealed="")
        .execution_options(synchronize_session=False)
    )
    if used.rowcount != 1:  # type: ignore[attr-defined]
        raise Refusal(OVER)
    session.expire(link)
    set_passphrase(session, now, user, new)
    done = "invitation accepted" if link.purpose == INVITATION else "passphrase chosen by link"
    audit.record(session, now, done, "user", user.id, user_id=user.id, request_id=request_id)
    return user


# --- lost passphrases ---------------------------------------------------------------------------------------------------


def ask_for_link(
    session: Session, now: datetime, *, email: str, address: str, base: str, request_id: str = ""
) -> TurnedAway | None:
    """Take down that a passphrase is lost. Whether there is such an account is looked up later, by a job: the answer and the
    work of the request are the same either way. Too many from an account or a network address must wait, as with signing in.
    """
    plain = domain.plain_email(email)[:254]
    counted = domain.throttled_address(address)
    judge_one_at_a_time(session, counted, plain)
    since = now - domain.WINDOW
    wait = max(
        domain.account_wait(queries.requests_of(session, since, email=plain), now),
        domain.address_wait(queries.requests_of(session, since, address=counted), now),
    )
    if wait > timedelta(0):
        return TurnedAway(wait)
    request = PassphraseRequest(at=now, email=plain, address=counted)
    session.add(request)
    session.flush()
    args = {"request_id": request.id, "base": base}
    name_job(session, now, "dealers.answer_request", args, queue="mail", key=f"passphrase:{request.id}", request_id=request_id)
    return None


@long_job("dealers.answer_request", queue="mail")
def _answer_request(run: JobRun, args: dict[str, Any]) -> None:
    """Send the link that was asked for, if there is an account to send it to. `args`: request_id, base."""
    if not isinstance(run.settings, Settings):
        raise Refusal("dealers.answer_request needs the settings of the co-op")
    sender = Sender(FieldKeys.of(run.settings), args["base"], run.settings.mail_domain)
    with run.transaction() as session:
        request = session.get(PassphraseRequest, int(args["request_id"]))
        user = queries.user_by_email(session, request.email) if request is not None else None
        if user is not None and user.disabled_at is None:
            send_link(session, run.clock(), sender, user, PASSPHRASE)
        run.finish(session)


@short_job("dealers.forget_links")
def _forget_links(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Links and requests that are long over, named daily by the schedule."""
    session.execute(delete(SignInLink).where(SignInLink.expires_at < now - KEEP))
    session.execute(delete(PassphraseRequest).where(PassphraseRequest.at < now - KEEP))


# --- reading ------------------------------------------------------------------------------------------------------------


def running_links(session: Session, now: datetime, user_ids: Iterable[int]) -> dict[int, SignInLink]:
    """The link that each of these users can use now."""
    rows = session.scalars(select(SignInLink).where(SignInLink.user_id.in_(list(user_ids)), _is_good(now)))
    return {link.user_id: link for link in rows}
