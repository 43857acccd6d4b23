"""Beginning from paper: a file of balances read by one person and signed by another, which opens the books; once for a co-op."""

from __future__ import annotations

import hashlib
from datetime import date, datetime, timedelta

from sqlalchemy import exists, select
from sqlalchemy.orm import Session, undefer

from coop.books.domain.entries import EntryDraft, netted
from coop.books.domain.opening_csv import OpeningFault, OpeningRead, read_opening_rows, without_buyers
from coop.books.models import Entry, Opening, Period
from coop.books.service import COOP_CHAIN, close_period, ensure_period, lock_period, post_entries, seal_period
from coop.closing.opening_rows import Found, find_rows, postings_of, write_lists
from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.dealers.membership import hold_coop
from coop.dealers.second_person import require_second
from coop.floor.models import Mall
from coop.shifts.month_end import post_openings

OPENING = "opening"
"""Kind and source kind of its entries."""
MOST_BYTES = 2_000_000
NOTHING_BEFORE = "An opening comes before everything else: what is missing is put right by entries by hand."


class OpeningRefused(Refusal):
    """The file cannot be taken: a sentence for each reason."""

    def __init__(self, sentences: tuple[str, ...]) -> None:
        super().__init__(" ".join(sentences))
        self.sentences = sentences


def openings(session: Session) -> list[Opening]:
    """Every file that was read, the newest first."""
    return list(session.scalars(select(Opening).order_by(Opening.id.desc())))


def pending_opening(session: Session) -> Opening | None:
    """The file that waits to be signed."""
    return session.scalar(select(Opening).where(Opening.state == "read").order_by(Opening.id.desc()).limit(1))


def opening_day(opening: Opening) -> date:
    """The last day on paper, which the entries are dated on."""
    return opening.first_day - timedelta(days=1)


def rows_of(session: Session, opening: Opening) -> OpeningRead:
    """The rows of a file that was read; of one that is signed, without buyers' names."""
    content = session.scalars(select(Opening).where(Opening.id == opening.id).options(undefer(Opening.content))).one().content
    return read_opening_rows(content)


# --- read ---------------------------------------------------------------------------------------------------------------


def read_opening(
    session: Session, now: datetime, *, content: bytes, file_name: str, first_month: Month, user_id: int | None
) -> Opening:
    """Read a file of balances, and keep it with its totals for a second person to sign. Nothing is posted.

    Refuses, with row and sentence, what names nothing here, amounts that are none, control totals that differ, sides that do not
    balance; and any file once the books have an entry, an opening is signed, or another file waits.
    """
    if user_id is None:
        raise Refusal("Say who reads the file: sign in, or name yourself with --by.")
    _hold(session)
    require_nothing_before(session)
    pending = pending_opening(session)
    if pending is not None:
        raise Refusal(f"{pending.file_name} waits to be signed already: sign it or drop it first.")
    if len(content) > MOST_BYTES:
        raise Refusal(f"The file has {len(content):,} bytes: {MOST_BYTES:,} is the most.")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Refusal('The file is not in UTF-8: save it as "CSV UTF-8".') from error
    if "\0" in text:
        raise Refusal("The file is no text: save it as CSV.")
    found = _judged(session, text, first_month.first_day)
    opening = Opening(
        file_name=file_name[:200],
        file_sha256=hashlib.sha256(content).hexdigest(),
        content=text,
        first_day=first_month.first_day,
        totals=found.read.totals,
        state="read",
        read_by=user_id,
        read_at=now,
    )
    session.add(opening)
    session.flush()
    audit.record(session, now, "opening read", "opening", opening.id, user_id=user_id, detail=str(first_month))
    return opening


def _judged(session: Session, text: str, first_day: date) -> Found:
    try:
        read = read_opening_rows(text)
    except OpeningFault as fault:
        raise OpeningRefused(fault.sentences) from fault
    found = find_rows(session, read, first_day - timedelta(days=1), first_day)
    if found.faults:
        raise OpeningRefused(tuple(found.faults))
    return found


def require_nothing_before(session: Session) -> None:
    """Refuse an opening of books that have begun."""
    signed = session.scalar(select(Opening).where(Opening.state == "signed"))
    if signed is not None:
        raise Refusal(
            f"The books are open since {written(signed.first_day)}, by {signed.file_name}: there is one opening. {NOTHING_BEFORE}"
        )
    if session.scalar(select(exists().where(Entry.id.is_not(None)))):
        raise Refusal(f"The books have entries already, so balances from paper come too late. {NOTHING_BEFORE}")


def _hold(session: Session) -> None:
    """The co-op's row, so that two at once read, sign or drop one after the other."""
    hold_coop(session)


# --- sign, drop ---------------------------------------------------------------------------------------------------------


def sign_opening(session: Session, now: datetime, opening: Opening, *, user_id: int | None) -> list[int]:
    """Post what was read, as a second person; the entries' ids. The month before the first is sealed and closed with it.

    One entry a mall and one of the co-op's own, dated on the last day on paper; what is left of each stands against
    `Equity:From-paper`. Refuses the one who read it, a month that is not over, and whatever reading it would refuse by now.
    """
    _hold_waiting(session, opening)
    require_second(opening.read_by, user_id, f"the opening from {opening.file_name}")
    require_nothing_before(session)
    if hashlib.sha256(opening.content.encode("utf-8")).hexdigest() != opening.file_sha256:
        raise Refusal(f"{opening.file_name} is no more what was read: drop it and read it again.")
    day, month = opening_day(opening), Month.of(opening_day(opening))
    malls = list(session.scalars(select(Mall).order_by(Mall.id)))
    for mall in malls:
        if local_date(now, mall.timezone) <= day:
            raise Refusal(
                f"{month.name} is not over at {mall.name}: the opening can be signed from {written(opening.first_day)}."
            )
    found = _judged(session, opening.content, opening.first_day)
    posted = postings_of(session, found)
    codes = sorted(posted, key=lambda code: (code != "", code))
    drafts = [
        EntryDraft(
            mall_id=found.malls[code].id if code else None,
            business_date=day,
            kind=OPENING,
            source_kind=OPENING,
            source_id=str(opening.id),
            purpose=code or COOP_CHAIN,
            postings=netted(posted[code]),
            memo="Balance from paper",
        )
        for code in codes
    ]
    ids = post_entries(session, now, drafts)
    key = f"opening/{opening.id}"
    entries = dict(zip(codes, ids, strict=True))
    write_lists(session, now, found, entries, opening_id=opening.id, key=key, user_id=user_id)
    for period in [ensure_period(session, mall_id, month) for mall_id in (None, *(mall.id for mall in malls))]:
        _shut(session, now, period)
    opening.state, opening.signed_by, opening.signed_at = "signed", user_id, now
    opening.content = without_buyers(opening.content)
    session.flush()
    for mall in malls:
        # A first rota is drafted before any month-end brings them in.
        post_openings(session, now, mall)
    audit.record(session, now, "opening signed", "opening", opening.id, user_id=user_id, detail=str(month.next))
    return ids


def _shut(session: Session, now: datetime, period: Period) -> None:
    lock_period(session, period.id)
    seal_period(session, now, period, "close")
    close_period(session, now, period)


def drop_opening(session: Session, now: datetime, opening: Opening, *, user_id: int | None) -> None:
    """Drop a file that was read and is not to be signed. Refuses one that is signed or dropped."""
    _hold_waiting(session, opening)
    opening.state = "dropped"
    opening.content = without_buyers(opening.content)
    session.flush()
    audit.record(session, now, "opening dropped", "opening", opening.id, user_id=user_id)


def _hold_waiting(session: Session, opening: Opening) -> None:
    _hold(session)
    session.refresh(opening, ["state", "content", "signed_by", "signed_at"], with_for_update=True)
    if opening.state != "read":
        raise Refusal(f"{opening.file_name} is {opening.state} already.")
