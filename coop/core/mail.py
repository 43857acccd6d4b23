"""The outbox: every mail the co-op sends, under a unique key, with every attempt to send it.

A mail is claimed, sent and recorded, each in a transaction of its own. Delivery is at least once: only an
attempt cut between sending and recording may repeat, and then with the same Message-ID.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Select,
    and_,
    exists,
    func,
    or_,
    select,
    update,
)
from sqlalchemy.orm import Session, aliased, undefer

from coop.config import Settings
from coop.core import audit, faults, jobs
from coop.core.db import insert_ignoring
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.mail_transport import Attachment, Letter, PutOff, Refused, breaks_a_header, compose, deliver
from coop.core.outbox import STATES as STATES
from coop.core.outbox import MailAttempt as MailAttempt
from coop.core.outbox import MailIdentity as MailIdentity
from coop.core.outbox import Outbox as Outbox

log = logging.getLogger("coop.mail")


# --- queueing -------------------------------------------------------------------------------------


JOB_KEY = "mail:"
"""Begins the key of the job that sends a mail; the mail's id follows."""


def message_id_of(key: str, mail_domain: str, salt: str) -> str:
    """The Message-ID of a mail, without angle brackets: from its key and the co-op's own salt, and nothing else."""
    # 160 bits are plenty, and keep the header within the 78 characters that a line should have.
    return f"{hashlib.sha256(f'{salt}{key}'.encode()).hexdigest()[:40]}@{mail_domain}"


def _salt(session: Session) -> str:
    wanted = select(MailIdentity.salt)
    found = session.scalar(wanted)
    if found is None:
        # Of two first mails at once, one makes it and the other takes what that made.
        session.execute(insert_ignoring(session, MailIdentity, "id").values(id=1, salt=secrets.token_hex(16)))
        found = session.scalars(wanted).one()
    return found


def queue_mail(
    session: Session,
    now: datetime,
    *,
    key: str,
    kind: str,
    recipient: str,
    subject: str,
    text_body: str,
    html_body: str = "",
    document_id: int | None = None,
    mail_domain: str,
    group_key: str | None = None,
    resend_of_id: int | None = None,
) -> Outbox:
    """Write a mail down in the caller's transaction, to be sent after it commits.

    The same key again gives the row that is there, unchanged. An address that is not one is queued all the
    same, and fails where the office sees it: one dealer's wrong address must not stop the others. Raises
    Refusal if recipient or subject hold a line end or another control character, or are too long.
    """
    for name, value, longest in (("recipient", recipient, 254), ("subject", subject, 200)):
        if breaks_a_header(value):
            raise Refusal(f"The mail's {name} holds a line end or another control character: take it out.")
        if len(value) > longest:
            raise Refusal(f"The mail's {name} has {len(value)} characters; shorten it to {longest}.")
    values = {
        "key": key,
        "kind": kind,
        "recipient": recipient.strip(),
        "subject": subject,
        "text_body": text_body,
        "html_body": html_body,
        "document_id": document_id,
        "state": "queued",
        "message_id": message_id_of(key, mail_domain, _salt(session)),
        "attempts": 0,
        "next_at": now,
        "error": "",
        "created_at": now,
        "resend_of_id": resend_of_id,
    }
    session.execute(insert_ignoring(session, Outbox, "key").values(values))
    outbox = session.scalars(select(Outbox).where(Outbox.key == key)).one()
    jobs.name_job(
        session,
        now,
        "mail.send",
        {"outbox_id": outbox.id},
        queue="mail",
        key=f"{JOB_KEY}{outbox.id}",
        group_key=group_key,
    )
    return outbox


def resend_mail(
    session: Session,
    now: datetime,
    outbox: Outbox,
    *,
    mail_domain: str,
    recipient: str | None = None,
    user_id: int | None = None,
    group_key: str | None = None,
) -> Outbox:
    """Send a mail again because a person asks: a new row with a number after its key, and so a new
    Message-ID.

    `recipient` replaces the address, when that was wrong. Raises Refusal while the mail, or its last
    resend, has yet to end: pressing a button twice sends one.
    """
    first_id = outbox.resend_of_id or outbox.id
    first = session.scalars(select(Outbox).where(Outbox.id == first_id).with_for_update()).one()
    again = session.execute(select(Outbox.state).where(Outbox.resend_of_id == first.id).order_by(Outbox.id)).scalars()
    states = [first.state, *again]
    if states[-1] in ("queued", "sending"):
        raise Refusal("This mail is still on its way: wait until it is sent or has failed, then send it again.")
    fresh = queue_mail(
        session,
        now,
        key=f"{first.key}/{len(states) + 1}",
        kind=first.kind,
        recipient=recipient if recipient is not None else outbox.recipient,
        subject=first.subject,
        text_body=first.text_body,
        html_body=first.html_body,
        document_id=first.document_id,
        mail_domain=mail_domain,
        group_key=group_key,
        resend_of_id=first.id,
    )
    audit.record(session, now, "mail.resend", "outbox", fresh.id, user_id=user_id, detail=f"of {outbox.id}")
    return fresh


# --- what only the mail itself says --------------------------------------------------------------

HIDDEN = "•" * 12
"""Stands in a mail as it is kept, where the office may read it, for what only its reader may know."""
Fill = Callable[[Session, datetime, Settings, Outbox], str]
_FILLS: dict[str, Fill] = {}


def fills_in(kind: str) -> Callable[[Fill], Fill]:
    """Register what stands for HIDDEN in mails of a kind. Asked as each is sent; a Refusal ends the mail with its sentence."""

    def register(fill: Fill) -> Fill:
        _FILLS[kind] = fill
        return fill

    return register


# --- sending --------------------------------------------------------------------------------------

_MINUTES = (1, 5, 15, 60, 4 * 60, 12 * 60)
MOST_ATTEMPTS = 12
"""With the delays below, a little more than three days."""


SILENT_FOR = timedelta(minutes=1)
"""After a server did not answer, other mails are put off without being tried for so long."""
NOT_TRIED = "not tried: the mail server did not answer a moment ago"


def retry_delay(attempts: int) -> timedelta:
    """How long to wait after so many attempts that were put off: growing to twelve hours."""
    return timedelta(minutes=_MINUTES[min(attempts, len(_MINUTES)) - 1])


@dataclass(frozen=True)
class _Claim:
    """A mail in hand, and all that is needed to send it without the database."""

    outbox_id: int
    attempt_id: int
    token: str
    attempts: int
    letter: Letter


def _job_failed(session: Session, now: datetime, args: dict[str, Any], why: str) -> None:
    """The job of a mail ended failed: the mail is not on its way any more, and the office may send it again.

    Its lease's token stays: one who may yet be talking to the server can still record that it is sent.
    """
    session.execute(
        update(Outbox)
        .where(Outbox.id == int(args["outbox_id"]), Outbox.state.in_(("queued", "sending")))
        .values(state="given_up", error=why)
        .execution_options(synchronize_session=False)
    )


def _job_retried(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """It is to be tried again, unless a person has sent it again meanwhile."""
    again = aliased(Outbox)
    session.execute(
        update(Outbox)
        .where(
            Outbox.id == int(args["outbox_id"]),
            Outbox.state == "given_up",
            ~exists(select(again.id).where(again.resend_of_id == Outbox.id)),
        )
        .values(state="queued", next_at=now)
        .execution_options(synchronize_session=False)
    )


@jobs.long_job("mail.send", queue="mail", failed=_job_failed, retried=_job_retried)
def _send_mail(run: jobs.JobRun, args: dict[str, Any]) -> None:
    settings = run.settings
    if not isinstance(settings, Settings):
        raise Refusal("mail.send needs the settings of the co-op")
    claim = _claim(run, int(args["outbox_id"]), settings)
    if claim is None:
        return
    faults.point("mail:claimed")
    try:
        reply = deliver(compose(claim.letter, settings.mail_from), settings)
    except Refused as refused:
        _record(run, claim, state="failed", outcome="refused", reply=str(refused))
    except PutOff as put_off:
        _put_off(run, claim, str(put_off), unreached=put_off.unreached)
    except Exception as error:
        # Whatever it is, the mail must not stay `sending` for ever with nobody told.
        log.exception("mail %s could not be sent", claim.outbox_id)
        _put_off(run, claim, f"{type(error).__name__}: {error}"[:1000])
    else:
        faults.point("mail:sent")
        _record(run, claim, state="sent", outcome="sent", reply=reply)
    faults.point("mail:recorded")


def _claim(run: jobs.JobRun, outbox_id: int, settings: Settings) -> _Claim | None:
    """Take the mail, and write down that an attempt begins; None if it has already ended. Raises
    jobs.Later.
    """
    # As long as a conversation can take, connecting included (it has a time limit of its own): whoever has the job after us
    # may find us still talking. A file in the post-box may be written twice without harm.
    lease = timedelta(seconds=2 * settings.smtp_timeout_s + 5 if settings.smtp_host else 0)
    token = secrets.token_hex(16)
    not_now: timedelta | None = None
    with run.transaction() as session:
        now = run.clock()
        free = or_(
            and_(Outbox.state == "queued", Outbox.next_at <= now),
            # Whoever had it was cut: whether it was sent is not known, so it goes again under its own
            # Message-ID.
            and_(Outbox.state == "sending", Outbox.lease_until <= now),
        )
        taken = session.execute(
            update(Outbox)
            .where(Outbox.id == outbox_id, free)
            .values(state="sending", lease_token=token, lease_until=now + lease, attempts=Outbox.attempts + 1)
            .execution_options(synchronize_session=False)
        )
        outbox = session.scalars(select(Outbox).where(Outbox.id == outbox_id).options(undefer(Outbox.html_body))).one()
        if taken.rowcount != 1:  # type: ignore[attr-defined]
            if outbox.state in ("sent", "failed", "given_up"):
                run.finish(session)
                return None
            until = outbox.next_at if outbox.state == "queued" else outbox.lease_until or now
            raise jobs.Later(max(until - now, timedelta(seconds=1)), "another worker has this mail, or it is not due")
        attempt = MailAttempt(outbox_id=outbox.id, started_at=now)
        session.add(attempt)
        # No mail is given up without having been offered at the last.
        if settings.smtp_host and outbox.attempts < MOST_ATTEMPTS and _server_is_silent(session, now):
            not_now = retry_delay(outbox.attempts)
            attempt.ended_at, attempt.outcome, attempt.reply = now, "put_off", NOT_TRIED
            outbox.state, outbox.next_at, outbox.error = "queued", now + not_now, NOT_TRIED
            outbox.lease_token = outbox.lease_until = None
        session.flush()
        if not_now is None:
            return _Claim(outbox.id, attempt.id, token, outbox.attempts, _letter(session, now, settings, outbox))
    raise jobs.Later(not_now, NOT_TRIED)


def _server_is_silent(session: Session, now: datetime) -> bool:
    """Whether the server did not answer within the last minute, and has not answered since.

    Waiting out its silence with every mail in turn would take hours.
    """

    def last(*such: ColumnElement[bool]) -> datetime | None:
        return session.scalar(select(func.max(MailAttempt.ended_at)).where(MailAttempt.ended_at > now - SILENT_FOR, *such))

    silent_at = last(MailAttempt.unreached.is_(True))
    if silent_at is None:
        return False
    answered_at = last(MailAttempt.unreached.is_(False), MailAttempt.reply != NOT_TRIED)
    return answered_at is None or answered_at <= silent_at


def _letter(session: Session, now: datetime, settings: Settings, outbox: Outbox) -> Letter:
    attachment = None
    secret = _FILLS[outbox.kind](session, now, settings, outbox) if outbox.kind in _FILLS else HIDDEN
    if outbox.document_id is not None:
        document = session.get_one(Document, outbox.document_id, options=[undefer(Document.content)])
        attachment = Attachment(document.file_name, document.media_type, document.content)
    return Letter(
        recipient=outbox.recipient,
        subject=outbox.subject,
        text_body=outbox.text_body.replace(HIDDEN, secret),
        html_body=outbox.html_body.replace(HIDDEN, secret),
        message_id=outbox.message_id,
        # When it was written, not when it is sent: sent again, it is the same mail to the byte.
        date=outbox.created_at,
        attachment=attachment,
    )


def _put_off(run: jobs.JobRun, claim: _Claim, reply: str, *, unreached: bool = False) -> None:
    if claim.attempts >= MOST_ATTEMPTS:
        _record(run, claim, state="given_up", outcome="put_off", reply=reply, unreached=unreached)
        return
    delay = retry_delay(claim.attempts)
    _record(run, claim, state="queued", outcome="put_off", reply=reply, delay=delay, unreached=unreached)
    faults.point("mail:recorded")
    raise jobs.Later(delay, reply)


def _record(
    run: jobs.JobRun,
    claim: _Claim,
    *,
    state: str,
    outcome: str,
    reply: str,
    delay: timedelta = timedelta(0),
    unreached: bool = False,
) -> None:
    """Write down how the attempt ended, and with it the end of the job unless the mail is to be tried again.

    Raises jobs.LeaseLost if another worker has taken the mail since: the attempt is recorded, the mail is
    theirs.
    """
    with run.transaction() as session:
        now = run.clock()
        session.execute(
            update(MailAttempt)
            .where(MailAttempt.id == claim.attempt_id)
            .values(ended_at=now, outcome=outcome, reply=reply, unreached=unreached)
        )
        mine = session.execute(
            update(Outbox)
            .where(Outbox.id == claim.outbox_id, Outbox.lease_token == claim.token)
            .values(
                state=state,
                sent_at=now if state == "sent" else None,
                next_at=now + delay,
                error="" if state == "sent" else reply,
                lease_token=None,
                lease_until=None,
            )
            .execution_options(synchronize_session=False)
        )
        kept = mine.rowcount == 1  # type: ignore[attr-defined]
        if kept and state != "queued":
            # The job may have been claimed again meanwhile. How the mail ended stands all the same, and
            # whoever has the job finds it ended.
            with suppress(jobs.LeaseLost):
                run.finish(session)
    if not kept:
        raise jobs.LeaseLost(f"mail {claim.outbox_id}")


# --- reading --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MailState:
    """How a mail stands, for the office."""

    outbox_id: int
    key: str
    kind: str
    recipient: str
    subject: str
    state: str
    attempts: int
    reply: str
    """What the server said last; empty before the first attempt has ended."""
    document_id: int | None
    created_at: datetime
    next_at: datetime
    sent_at: datetime | None
    resend_of_id: int | None


def mails_query() -> Select[*tuple[Any, ...]]:
    """Every mail with what a `MailState` says of it."""
    reply = (
        select(MailAttempt.reply)
        .where(MailAttempt.outbox_id == Outbox.id, MailAttempt.ended_at.is_not(None))
        .order_by(MailAttempt.id.desc())
        .limit(1)
        .correlate(Outbox)
        .scalar_subquery()
    )
    return select(
        Outbox.id,
        Outbox.key,
        Outbox.kind,
        Outbox.recipient,
        Outbox.subject,
        Outbox.state,
        Outbox.attempts,
        func.coalesce(reply, ""),
        Outbox.document_id,
        Outbox.created_at,
        Outbox.next_at,
        Outbox.sent_at,
        Outbox.resend_of_id,
    )


def list_mail(
    session: Session,
    *,
    state: str | None = None,
    kind: str | None = None,
    outbox_ids: Sequence[int] | None = None,
    before_id: int | None = None,
    limit: int = 100,
) -> list[MailState]:
    """Mails, newest first, in one query. The next page begins below the last one's id."""
    query = mails_query().order_by(Outbox.id.desc()).limit(limit)
    if state is not None:
        query = query.where(Outbox.state == state)
    if kind is not None:
        query = query.where(Outbox.kind == kind)
    if outbox_ids is not None:
        query = query.where(Outbox.id.in_(outbox_ids))
    if before_id is not None:
        query = query.where(Outbox.id < before_id)
    return [MailState(*row) for row in session.execute(query)]


def mail_state(session: Session, outbox_id: int) -> MailState | None:
    """One mail, or None."""
    return next(iter(list_mail(session, outbox_ids=[outbox_id])), None)


def count_mail(session: Session, kind: str | None = None, which: Sequence[ColumnElement[bool]] = ()) -> dict[str, int]:
    """How many mails are in each state; states without any are there with 0. `which` are further conditions."""
    query = select(Outbox.state, func.count(Outbox.id)).where(*which).group_by(Outbox.state)
    if kind is not None:
        query = query.where(Outbox.kind == kind)
    counts: dict[str, int] = dict.fromkeys(STATES, 0)
    counts.update((row[0], row[1]) for row in session.execute(query))
    return counts
