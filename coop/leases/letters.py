"""Letters: written once for a key, as a frozen value; their paper is made by a worker, and mailed where there is an address."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.db import insert_ignoring
from coop.core.documents import keep_document
from coop.core.errors import Refusal
from coop.core.jobs import JobRun, long_job, name_job
from coop.core.mail import queue_mail, resend_mail
from coop.core.outbox import Outbox
from coop.core.pdf import PdfError, made_with
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall, Space
from coop.leases import agreement_words, composing
from coop.leases.changing import increase_refusal
from coop.leases.documents import LetterUnreadable, LetterValue, file_name, from_value, letter_mail, letter_pdf, to_value
from coop.leases.holding import today_at
from coop.leases.models import DepositLine, Lease, Letter, Offer, Waiting
from coop.leases.rising import increase_key, rises


def write_agreement(session: Session, now: datetime, lease: Lease, *, again: bool = False, user_id: int | None = None) -> Letter:
    """The agreement as it stands: one to sign, and one as signed. `again`: a further one, after something was changed."""
    on = today_at(session, now, lease.mall_id)
    state = f"signed-{lease.signed_on}" if lease.signed_on else "to-sign"
    value = agreement_words.agreement(session, lease, on)
    return _write(session, now, value, f"lease:{lease.id}/{state}", lease=lease, again=again, user_id=user_id)


def write_offer(session: Session, now: datetime, offer: Offer, *, again: bool = False, user_id: int | None = None) -> Letter:
    """The letter of an open offer. Refuses one that is not open any more."""
    if offer.state != "open":
        raise Refusal(f"This offer is {offer.state}: make a new one to write of.")
    value = composing.offer(session, offer)
    return _write(session, now, value, f"offer:{offer.id}", offer=offer, again=again, user_id=user_id)


def write_renewal(session: Session, now: datetime, lease: Lease, *, again: bool = False, user_id: int | None = None) -> Letter:
    """That a lease's term ends, once a term."""
    value = composing.renewal(session, lease, today_at(session, now, lease.mall_id))
    return _write(session, now, value, f"lease:{lease.id}/{lease.term_ends_on}", lease=lease, again=again, user_id=user_id)


def write_increase(
    session: Session, now: datetime, lease: Lease, *, begins_on: date, again: bool = False, user_id: int | None = None
) -> Letter:
    """An increase that begins on a day, once. Refuses one told later than the lease demands, and what is no increase.

    One agreed beforehand (an escalation of the lease) may be told later: it is no surprise.
    """
    on = today_at(session, now, lease.mall_id)
    value = composing.increase(session, lease, begins_on, on)
    said = None if any(term.kind == "escalation" for term in lease.terms) else increase_refusal(session, lease, begins_on, on)
    if said:
        raise Refusal(f"The rent of {value.reference}: {said}")
    return _write(session, now, value, increase_key(lease.id, begins_on), lease=lease, again=again, user_id=user_id)


def write_increases(session: Session, now: datetime, mall: Mall, *, begins_on: date, user_id: int | None = None) -> list[Letter]:
    """The letters of every lease whose rent rises on a day and that was not told yet: after a zone's rate is set, say.

    Refuses, naming the lease, when one would be told later than it demands: then none is written.
    """
    today = today_at(session, now, mall.id)
    found, faults = rises(session, mall, min(today, begins_on - timedelta(days=1)), begins_on)
    if faults:
        raise Refusal(" ".join(faults))
    return [
        write_increase(session, now, rise.lease, begins_on=begins_on, user_id=user_id)
        for rise in found
        if rise.begins_on == begins_on and not rise.told
    ]


def write_arrears(session: Session, now: datetime, lease: Lease, *, again: bool = False, user_id: int | None = None) -> Letter:
    """What a dealer owes past its day, once a day."""
    on = today_at(session, now, lease.mall_id)
    value = composing.arrears(session, lease, on)
    return _write(session, now, value, f"lease:{lease.id}/{on}", lease=lease, again=again, user_id=user_id)


def write_end(session: Session, now: datetime, lease: Lease, *, again: bool = False, user_id: int | None = None) -> Letter:
    """That a lease ends on its last day, once for that day."""
    value = composing.end(session, lease, today_at(session, now, lease.mall_id))
    return _write(session, now, value, f"lease:{lease.id}/{lease.ends_on}", lease=lease, again=again, user_id=user_id)


def write_deposit(session: Session, now: datetime, lease: Lease, *, again: bool = False, user_id: int | None = None) -> Letter:
    """What became of the deposit, once for its last movement."""
    value = composing.deposit(session, lease, today_at(session, now, lease.mall_id))
    last = session.scalar(select(DepositLine.id).where(DepositLine.lease_id == lease.id).order_by(DepositLine.id.desc()).limit(1))
    return _write(session, now, value, f"lease:{lease.id}/line:{last}", lease=lease, again=again, user_id=user_id)


def _write(
    session: Session,
    now: datetime,
    value: LetterValue,
    about: str,
    *,
    lease: Lease | None = None,
    offer: Offer | None = None,
    again: bool,
    user_id: int | None,
) -> Letter:
    """The letter of that key: the one there is, or a new one whose paper is made after the commit."""
    key = f"{value.kind}/{about}"
    if again:
        like = Letter.key.startswith(f"{key}/copy:", autoescape=True)
        copies = session.scalars(select(Letter.key).where((Letter.key == key) | like)).all()
        key = f"{key}/copy:{len(copies) + 1}" if copies else key
    mall_id = lease.mall_id if lease else session.get_one(Space, offer.space_id).mall_id if offer else 0
    made = session.scalar(
        insert_ignoring(session, Letter, "key")
        .values(
            key=key,
            mall_id=mall_id,
            kind=value.kind,
            lease_id=lease.id if lease else None,
            offer_id=offer.id if offer else None,
            made_on=value.made_on,
            subject=f"{value.title}, {value.reference}"[:200],
            value=to_value(value),
        )
        .returning(Letter.id)
    )
    letter = session.scalars(select(Letter).where(Letter.key == key)).one()
    if made is not None:
        name_job(session, now, "leases.letter", {"letter_id": letter.id}, queue="statements", key=f"letter:{letter.id}")
        audit.record(session, now, "letter written", "letter", letter.id, user_id=user_id, detail=letter.subject)
    return letter


# --- paper and mail -----------------------------------------------------------------------------------------------------


def address_of(session: Session, letter: Letter) -> str:
    """The mail address a letter goes to; empty: it is printed."""
    if letter.lease_id is not None:
        return session.scalars(
            select(Member.email)
            .join(Dealer, Dealer.member_id == Member.id)
            .join(Lease, Lease.dealer_id == Dealer.id)
            .where(Lease.id == letter.lease_id)
        ).one()
    if letter.offer_id is None:
        return ""
    row = session.scalars(select(Waiting).join(Offer, Offer.waiting_id == Waiting.id).where(Offer.id == letter.offer_id)).one()
    return session.get_one(Member, row.member_id).email if row.member_id is not None else row.email


@long_job("leases.letter", queue="statements")
def make_letter(run: JobRun, args: dict[str, Any]) -> None:
    """Render a letter with no transaction open, keep its paper and queue its mail. `args`: letter_id. Run twice, each is once."""
    with run.transaction() as session:
        letter = session.get_one(Letter, args["letter_id"])
        stored, made = letter.value, letter.document_id is not None
    try:
        value = from_value(stored)
        content = b"" if made else letter_pdf(value)
    except (PdfError, LetterUnreadable) as error:
        raise Refusal(f"Letter {args['letter_id']} was not rendered: {error}") from error
    with run.transaction() as session:
        letter = session.get_one(Letter, args["letter_id"], with_for_update=True)
        if letter.document_id is None:
            letter.document_id = keep_document(
                session,
                run.clock(),
                file_name=file_name(value, letter.id),
                media_type="application/pdf",
                content=content,
                made_with=made_with(),
            ).id
        if letter.outbox_id is None and address_of(session, letter):
            _mail(session, run.clock(), letter, value, run.settings.mail_domain)
        run.finish(session)


def _mail(session: Session, now: datetime, letter: Letter, value: LetterValue, mail_domain: str) -> Outbox:
    subject, text, html = letter_mail(value)
    mail = queue_mail(
        session,
        now,
        key=f"letter/{letter.key}",
        kind="letter",
        recipient=address_of(session, letter),
        subject=subject,
        text_body=text,
        html_body=html,
        document_id=letter.document_id,
        mail_domain=mail_domain,
    )
    letter.outbox_id = mail.id
    session.flush()
    return mail


def send_letter_again(session: Session, now: datetime, letter: Letter, *, mail_domain: str, user_id: int | None = None) -> Outbox:
    """A person sends a letter once more, to the address there is today, under a Message-ID of its own.

    One that was printed for want of an address is mailed once there is one. Refuses before its paper is made.
    """
    address = address_of(session, letter)
    if not address:
        raise Refusal(f"{letter.subject}: there is no mail address. Print it, or write down an address first.")
    if letter.document_id is None:
        raise Refusal(f"{letter.subject}: its paper is being made; try again in a moment.")
    if letter.outbox_id is None:
        audit.record(session, now, "letter sent", "letter", letter.id, user_id=user_id)
        return _mail(session, now, letter, from_value(letter.value), mail_domain)
    first = session.get_one(Outbox, letter.outbox_id)
    return resend_mail(session, now, first, mail_domain=mail_domain, recipient=address, user_id=user_id)
