"""The lists of a mall's leases and of their letters: their columns, what they are sorted by and what narrows them."""

from __future__ import annotations

from datetime import date

from sqlalchemy import ColumnElement, func

from coop.core.listing import Column, FromDay, Listing, OneOf, Words
from coop.core.money import plain_cents
from coop.core.outbox import Outbox
from coop.dealers.models import Dealer
from coop.leases.documents import KINDS
from coop.leases.models import Letter
from coop.leases.wording import STATES
from coop.office.lease_life import LetterRow
from coop.office.lease_queries import LeaseRow
from coop.statements.book import NOT_SENT

RUNNING = "running"
"""Every lease that has not ended."""


def _states(row: LeaseRow) -> tuple[str, ...]:
    return (row.state,) if row.state == "ended" else (row.state, RUNNING)


LEASES: Listing[LeaseRow] = Listing(
    columns=(
        Column("lease", "Lease", lambda row: str(row.lease.id)),
        Column("dealer", "Dealer", lambda row: row.dealer_code, by=lambda row: row.dealer_code),
        Column("name", "Name", lambda row: row.dealer_name),
        Column("state", "State", lambda row: row.words, by=lambda row: list(STATES).index(row.state)),
        Column("spaces", "Spaces", lambda row: row.spaces, by=lambda row: row.spaces or "~"),
        Column("starts", "From", lambda row: row.lease.starts_on.isoformat(), by=lambda row: row.lease.starts_on),
        Column("until", "Until", lambda row: row.until.isoformat() if row.until else "", by=lambda row: row.until or date.max),
        Column("signed", "Signed", lambda row: row.lease.signed_on.isoformat() if row.lease.signed_on else ""),
        Column("rent", "Rent this month", lambda row: plain_cents(row.rent_cents), by=lambda row: row.rent_cents, amount=True),
        Column(
            "deposit", "Deposit held", lambda row: plain_cents(row.deposit_cents), by=lambda row: row.deposit_cents, amount=True
        ),
        Column("late", "Late", lambda row: plain_cents(row.late_cents), by=lambda row: row.late_cents, amount=True),
    ),
    usual="dealer",
    filters=(
        Words("find", "Dealer or space", of=lambda row: (f"{row.dealer_code} {row.dealer_name} {row.spaces}",)),
        OneOf("state", "State", ((RUNNING, "all that have not ended"), *STATES.items()), of=_states),
        OneOf("zone", "Zone", (), of=lambda row: row.zones),
    ),
    usually={"state": RUNNING},
)


_MAILED = {"mail": "went or goes by mail", "failed": "did not arrive", "paper": "on paper only"}


def _mailed(asked: str) -> ColumnElement[bool]:
    failed = Outbox.state.in_(NOT_SENT)
    return {"mail": Letter.outbox_id.is_not(None) & ~failed, "failed": failed, "paper": Letter.outbox_id.is_(None)}[asked]


LETTERS: Listing[LetterRow] = Listing(
    columns=(
        Column("letter", "Letter", lambda row: row.letter.subject, order=Letter.subject),
        Column("kind", "Kind", lambda row: KINDS.get(row.letter.kind, row.letter.kind), order=Letter.kind),
        Column("dealer", "Dealer", lambda row: row.dealer_code, order=Dealer.code),
        Column("made", "Made", lambda row: row.letter.made_on.isoformat(), order=Letter.id),
        Column("paper", "Paper", lambda row: "yes" if row.letter.document_id else "being made"),
        Column("mail", "Mail", lambda row: row.mail_state or "none", order=Outbox.state),
    ),
    usual="-made",
    filters=(
        Words("find", "Letter or dealer", (Letter.subject, func.coalesce(Dealer.code, ""))),
        OneOf("kind", "Kind", tuple(KINDS.items()), lambda kind: Letter.kind == kind, every="every kind"),
        OneOf("mail", "Mail", tuple(_MAILED.items()), _mailed),
        FromDay("from", "From", day=Letter.made_on),
        FromDay("to", "Up to", day=Letter.made_on, to_day=True),
    ),
    tie=Letter.id.desc(),
)
