"""Work in the background that failed and that neither a letter nor a month-end tells of."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.jobs import Job
from coop.office.queries import PAGE
from coop.office.waiting_counts import has_failed

WORDS = {
    "books.seal": "Sealing the day’s entries",
    "core.forget_jobs": "Forgetting old work",
    "core.forget_mail_attempts": "Forgetting old attempts to send mail",
    "core.forget_slots": "Forgetting old times of the schedule",
    "dealers.answer_request": "Answering who says that a passphrase is lost",
    "dealers.forget_links": "Forgetting old links to sign in",
    "dealers.forget_sign_ins": "Forgetting old sign-ins",
    "floor.render": "Making a plan on paper",
    "leases.lapse_offers": "Ending offers that ran out",
    "leases.late": "Charging late fees",
    "leases.late_of": "Charging a mall’s late fees",
    "leases.letter": "Making a letter of a lease",
    "leases.rents": "Posting rents",
    "leases.rents_of": "Posting a mall’s rents",
    "overflow.daily": "Looking for bays to work out anew",
    "overflow.draft": "Drafting who has floor in the aisles",
    "overflow.remind": "Reminding of floor in the aisles",
    "overflow.sheet": "Making the sheet to walk the aisles with",
    "overflow.survey": "Working out the bays of a mall",
    "overflow.tell": "Telling dealers of floor in the aisles",
    "payouts.files": "Making the papers of a payout run",
    "resets.arrange": "Arranging a set of a booth",
    "resets.paper": "Making the paper of a reset",
    "resets.plan": "Working out the plan of a reset",
    "sales.forget_layaway_buyers": "Forgetting buyers of old layaways",
    "shifts.ask_answers": "Asking members when they can work",
    "shifts.lapse_offers": "Ending offers of turns that ran out",
    "shifts.remind": "Reminding of turns",
    "shifts.tell": "Telling members of their turns",
    "shifts.watch": "Looking for turns that nobody came to",
    "statements.book": "Binding statements into one file",
    "tax.apply": "Applying a tax file",
    "tax.draft": "Making a draft of a tax return",
    "tax.read": "Reading a tax file",
    "tax.remind": "Reminding of tax returns",
    "tax.render": "Making the paper of a tax return",
    "tax.undo": "Undoing a tax file",
}
"""Kinds of work as people call them; one of a version before reads as it is stored."""


def failed_work(session: Session) -> Sequence[Job]:
    """A page of it, the newest first."""
    return session.scalars(select(Job).where(*has_failed()).order_by(Job.id.desc()).limit(PAGE)).all()


def find_failed(session: Session, job_id: int) -> Job | None:
    """A piece of it, held until the transaction ends; None where it is done, taken up or left meanwhile."""
    return session.scalar(select(Job).where(Job.id == job_id, *has_failed()).with_for_update())


def in_words(job: Job) -> str:
    """What a piece of work is, as people call it."""
    return WORDS.get(job.kind, job.kind)
