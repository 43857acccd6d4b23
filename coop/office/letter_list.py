"""The list of letters: its columns, what it is sorted by and what narrows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement
from sqlalchemy.orm import Session

from coop.core.listing import Column, Listed, Listing, OneOf, Words
from coop.core.mail import MailState, mails_query
from coop.core.outbox import Outbox
from coop.core.periods import Month
from coop.office.letter_queries import KINDS, Sift, of_dealer, of_month

STATES = {"queued": "waiting", "sending": "being sent", "sent": "sent", "failed": "refused", "given_up": "given up"}


class _OfDealer(Words):
    """Letters about a dealer, by her code."""

    def where(self, asked: str) -> ColumnElement[bool]:
        return of_dealer(asked)


def letter_list(kinds: Mapping[str, str], months: Sequence[Month], timezone: str) -> Listing[MailState]:
    """The list, with the kinds of letter that there are, the months they may be of, and where the office is."""
    zone = ZoneInfo(timezone)
    return Listing(
        columns=(
            Column("letter", "Letter", lambda row: str(row.outbox_id)),
            Column("to", "To", lambda row: row.recipient, order=Outbox.recipient),
            Column("kind", "Kind", lambda row: KINDS.get(row.kind, row.kind), order=Outbox.kind),
            Column("subject", "Subject", lambda row: row.subject, order=Outbox.subject),
            Column("state", "State", lambda row: STATES[row.state], order=Outbox.state),
            Column("tries", "Tries", lambda row: str(row.attempts), order=Outbox.attempts, amount=True),
            Column("written", "Written", lambda row: f"{row.created_at.astimezone(zone):%Y-%m-%d %H:%M}", order=Outbox.id),
            Column("answer", "Answer", lambda row: row.reply),
        ),
        usual="-written",
        filters=(
            OneOf("state", "State", tuple(STATES.items()), lambda state: Outbox.state == state),
            OneOf("kind", "Kind", tuple(kinds.items()), lambda kind: Outbox.kind == kind, every="every kind"),
            OneOf(
                "month",
                "Month",
                tuple((str(month), month.name) for month in months),
                lambda month: of_month(Month.parse(month), timezone),
                every="every month",
            ),
            _OfDealer("dealer", "Dealer’s code"),
        ),
        tie=Outbox.id.desc(),
    )


def read_letters(
    session: Session, asked: Mapping[str, str], kinds: Mapping[str, str], months: Sequence[Month], timezone: str
) -> Listed[MailState]:
    return letter_list(kinds, months, timezone).read(session, mails_query(), asked, lambda row: MailState(*row))


def sift_of(listed: Listed[MailState]) -> Sift:
    """What was asked for and could be read."""
    good = {one.filter.key: one.value for one in listed.asked if one.value and not one.fault}
    month = Month.parse(good["month"]) if "month" in good else None
    return Sift(good.get("state"), good.get("kind", ""), month, good.get("dealer", ""))
