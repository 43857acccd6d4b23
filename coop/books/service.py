"""Posting, sealing and closing. Every posting holds its month; a close or a seal waits for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, case, func, insert, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account
from coop.books.domain.entries import GENESIS, EntryDraft, SealedEntry, netted, require_balanced, seal_hash
from coop.books.models import Account, Entry, EntryProof, Journal, Period, Posting, Seal
from coop.core import faults
from coop.core.db import dialect_name, insert_ignoring
from coop.core.errors import Refusal
from coop.core.jobs import short_job
from coop.core.money import format_cents
from coop.core.periods import Month
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall

_BATCH = 2000
COOP_CHAIN = "co-op"


# --- periods ------------------------------------------------------------------------------------------------------------


def _owner(mall_id: int | None) -> Select[int]:
    """The row that stands for a mall's books as a whole. Locked before its periods, so that no two wait for each other."""
    if mall_id is None:
        return select(Cooperative.id)
    return select(Mall.id).where(Mall.id == mall_id)


def ensure_period(session: Session, mall_id: int | None, month: Month) -> Period:
    """The period of a mall (None: the co-op) and month, opened if it is not there. Refuses a month before a closed one."""
    wanted = select(Period).where(Period.mall_id.is_not_distinct_from(mall_id), Period.first_day == month.first_day)
    period = session.scalar(wanted)
    if period is None:
        # A close of a later month that is under way is waited for: no month opens behind it.
        session.execute(_owner(mall_id).with_for_update(read=True))
        closed = session.scalar(
            select(func.max(Period.first_day)).where(Period.mall_id.is_not_distinct_from(mall_id), Period.state == "closed")
        )
        if closed == month.first_day:  # Closed while this waited.
            raise Refusal(f"{month.name} is closed and takes no entry: date it in an open month.")
        if closed is not None and closed > month.first_day:
            raise Refusal(f"{month.name} lies before {Month.of(closed).name}, which is closed: date it in an open month.")
        if dialect_name(session) == "postgresql":
            # Two posters may open the month at once: the second takes what the first made.
            session.execute(
                insert_ignoring(session, Period).values(
                    mall_id=mall_id, first_day=month.first_day, last_day=month.last_day, state="open"
                )
            )
            period = session.scalars(wanted).one()
        else:
            period = Period(mall_id=mall_id, first_day=month.first_day, last_day=month.last_day, state="open")
            session.add(period)
            session.flush()
    return period


def posting_date(session: Session, mall_id: int | None, wanted: date) -> date:
    """The day an event is dated in the books: its own, or the first open day after when its month is already closed."""
    closed = session.scalar(
        select(func.max(Period.first_day)).where(Period.mall_id.is_not_distinct_from(mall_id), Period.state == "closed")
    )
    if closed is None or closed < Month.of(wanted).first_day:
        return wanted
    return Month.of(closed).next.first_day


def require_open(session: Session, mall_id: int | None, month: Month) -> Period:
    """Hold a month open for posting (FOR SHARE) and return it. Refuses a closed one."""
    period = ensure_period(session, mall_id, month)
    session.refresh(period, with_for_update={"read": True})
    if period.state != "open":
        raise Refusal(f"{month.name} is closed and takes no entry: date it in an open month.")
    return period


def close_period(session: Session, now: datetime, period: Period) -> None:
    """Close a month for good. The caller holds it (lock_period) and has checked it."""
    earlier = session.scalar(
        select(func.min(Period.first_day)).where(
            Period.mall_id.is_not_distinct_from(period.mall_id),
            Period.first_day < period.first_day,
            Period.state == "open",
        )
    )
    if earlier is not None:
        raise Refusal(f"{Month.of(earlier).name} is still open: months close in their order.")
    period.state, period.closed_at = "closed", now
    session.flush()


def coop_closes_through(session: Session, closing: tuple[int, Month] | None = None) -> Month | None:
    """The last month that every mall in the books has closed, and that a mall is closing counts as closed; None where the
    co-op's own is closed too. A mall that has closed nothing yet holds back no month before its first."""
    lasts = func.max(case((Period.state == "closed", Period.first_day)))
    malls = select(Period.mall_id, func.min(Period.first_day), lasts).where(Period.mall_id.is_not(None)).group_by(Period.mall_id)
    begun, closed = {}, {}
    for mall_id, first, last in session.execute(malls):
        begun[mall_id] = Month.of(first)
        closed[mall_id] = Month.of(last) if last else begun[mall_id].previous
    if closing is not None:
        mall_id, month = closing
        begun.setdefault(mall_id, month)
        closed[mall_id] = max(month, closed.get(mall_id, month))
    if not begun:
        return None
    through, done = min(closed.values()), session.scalar(select(lasts).where(Period.mall_id.is_(None)))
    return None if through < min(begun.values()) or (done is not None and done >= through.first_day) else through


def hold_coop_months(session: Session, mall_id: int, month: Month) -> None:
    """Before a mall is held for closing a month: hold the co-op, and those of its own months that close with it.

    Two malls so close one after the other, and the second knows that it is the last. The co-op comes before the malls, as in
    posting and sealing, so that no two wait for each other.
    """
    session.execute(_owner(None).with_for_update(key_share=True))
    through = coop_closes_through(session, (mall_id, month))
    if through is not None:
        ensure_period(session, None, through)
        _hold_coop_months(session, through)


def _hold_coop_months(session: Session, through: Month) -> list[Period]:
    still_open = select(Period.id).where(Period.mall_id.is_(None), Period.state == "open", Period.first_day <= through.first_day)
    return [lock_period(session, period_id) for period_id in session.scalars(still_open.order_by(Period.first_day)).all()]


def close_coop_months(session: Session, now: datetime) -> int:
    """Close and seal the co-op's own months that every mall in the books has closed, in their order; how many.

    One that an entry by hand of the co-op's own still waits in stays open until it is decided, and those after it with it.
    """
    session.execute(_owner(None).with_for_update(key_share=True))
    through = coop_closes_through(session)
    if through is None:
        return 0
    waits = session.scalar(select(func.min(Journal.on)).where(Journal.state == "entered", Journal.mall_id.is_(None)))
    if waits is not None and waits <= through.last_day:
        through = Month.of(waits).previous
    else:
        # Where nothing of the co-op's own happened too, so that nothing is dated in it later.
        ensure_period(session, None, through)
    closing = _hold_coop_months(session, through)
    for period in closing:
        seal_period(session, now, period, "close")
        close_period(session, now, period)
    return len(closing)


def lock_period(session: Session, period_id: int) -> Period:
    """Take a month FOR UPDATE, with its mall: waits for every posting in flight, and makes later ones wait."""
    period = session.get_one(Period, period_id)
    session.execute(_owner(period.mall_id).with_for_update(key_share=True))
    return session.scalars(
        select(Period).where(Period.id == period_id).with_for_update().execution_options(populate_existing=True)
    ).one()


# --- posting ------------------------------------------------------------------------------------------------------------


def post_entries(session: Session, now: datetime, drafts: Sequence[EntryDraft]) -> list[int]:
    """Post events; their entry ids, in order. One that was posted before (same source and purpose) violates a unique key.

    Raises Refusal when a month is closed, UnbalancedError for a fault of ours; either way nothing is posted.
    """
    ids: list[int] = []
    for start in range(0, len(drafts), _BATCH):
        ids += _post_batch(session, now, drafts[start : start + _BATCH])
    return ids


def _post_batch(session: Session, now: datetime, drafts: Sequence[EntryDraft]) -> list[int]:
    months = {(draft.mall_id, Month.of(draft.business_date)) for draft in drafts}
    in_order = sorted(months, key=lambda k: (k[0] or 0, k[1]))
    for mall_id, month in in_order:
        ensure_period(session, mall_id, month)
    periods = {key: require_open(session, *key).id for key in in_order}
    for draft in drafts:
        require_balanced(draft)
    made = session.scalars(
        insert(Entry).returning(Entry.id, sort_by_parameter_order=True),
        [
            {
                "period_id": periods[(d.mall_id, Month.of(d.business_date))],
                "mall_id": d.mall_id,
                "business_date": d.business_date,
                "kind": d.kind,
                "source_kind": d.source_kind,
                "source_id": d.source_id,
                "purpose": d.purpose,
                "reverses_id": d.reverses_id,
                "memo": d.memo,
                "posted_at": now,
            }
            for d in drafts
        ],
    )
    ids = list(made)
    session.execute(
        insert(Posting),
        [
            {"entry_id": entry_id, "account_id": account_id, "amount_cents": amount}
            for entry_id, draft in zip(ids, drafts, strict=True)
            for account_id, amount in draft.postings
        ],
    )
    faults.point("books:before-proof")
    session.execute(
        insert(EntryProof),
        [
            {
                "entry_id": entry_id,
                "postings": len(draft.postings),
                "debits_cents": sum(amount for _, amount in draft.postings if amount > 0),
            }
            for entry_id, draft in zip(ids, drafts, strict=True)
        ],
    )
    return ids


def post_entry(session: Session, now: datetime, draft: EntryDraft) -> int:
    return post_entries(session, now, [draft])[0]


def reverse_entry(session: Session, now: datetime, entry_id: int, *, on: date, memo: str) -> int:
    """Post the opposite of an entry as a correction that names it: a line of its own, beside the month's sales and charges.

    Refuses one that is reversed already, and a reversal."""
    entry = session.get(Entry, entry_id)
    if entry is None:
        raise Refusal(f"There is no entry {entry_id}.")
    if entry.reverses_id is not None:
        raise Refusal(f"Entry {entry_id} is itself a reversal: post the event again instead.")
    if session.scalar(select(Entry.id).where(Entry.reverses_id == entry_id)) is not None:
        raise Refusal(f"Entry {entry_id} is reversed already.")
    postings = session.execute(
        select(Posting.account_id, Posting.amount_cents).where(Posting.entry_id == entry_id).order_by(Posting.id)
    )
    return post_entry(
        session,
        now,
        EntryDraft(
            mall_id=entry.mall_id,
            business_date=posting_date(session, entry.mall_id, on),
            kind="correction",
            source_kind="entry",
            source_id=str(entry_id),
            purpose="reversal",
            postings=tuple((account_id, -amount) for account_id, amount in postings),
            memo=memo,
            reverses_id=entry_id,
        ),
    )


def is_posted(session: Session, kind: str, source: str) -> bool:
    """Whether an entry of a kind is posted under a source, however the letters of that are written."""
    there = Entry.source_kind == kind, func.lower(Entry.source_id) == source.lower(), Entry.purpose == kind
    return session.scalar(select(Entry.id).where(*there).limit(1)) is not None


def pay_dealer(
    session: Session, now: datetime, mall: Mall, dealer: Dealer, *, amount_cents: int, on: date, reference: str
) -> int:
    """Post money paid to a dealer from the bank. The reference (a check's number, a transfer's) is unique."""
    if amount_cents <= 0:
        raise Refusal(f"The amount paid to {dealer.code} must be above zero, not {format_cents(amount_cents)}.")
    if session.scalar(
        select(Entry.id).where(Entry.source_kind == "payout", Entry.source_id == reference, Entry.purpose == "payout")
    ):
        raise Refusal(f"A payout with the reference {reference} is posted already.")
    return post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=on,
            kind="payout",
            source_kind="payout",
            source_id=reference,
            purpose="payout",
            postings=netted(
                [
                    (dealer_account(session, mall, dealer), amount_cents),
                    (bank_account(session), -amount_cents),
                ]
            ),
            memo=f"Payout {reference}",
        ),
    )


# --- seals --------------------------------------------------------------------------------------------------------------


def chain_of(session: Session, mall_id: int | None) -> str:
    return COOP_CHAIN if mall_id is None else session.get_one(Mall, mall_id).code


def sealed_entries(session: Session, period_id: int, after: int, last: int | None = None) -> Iterator[SealedEntry]:
    """A period's entries with after < id <= last, streamed in order of id."""
    rows = (
        select(
            Entry.id,
            Entry.business_date,
            Entry.kind,
            Entry.source_kind,
            Entry.source_id,
            Entry.purpose,
            Entry.reverses_id,
            Entry.memo,
            Entry.posted_at,
            Account.path,
            Posting.amount_cents,
        )
        .join(Posting, Posting.entry_id == Entry.id)
        .join(Account, Account.id == Posting.account_id)
        .where(Entry.period_id == period_id, Entry.id > after)
        .order_by(Entry.id, Posting.id)
        .execution_options(yield_per=5000)
    )
    if last is not None:
        rows = rows.where(Entry.id <= last)
    head: SealedEntry | None = None
    postings: list[tuple[str, int]] = []
    for row in session.execute(rows):
        if head is not None and row[0] != head.id:
            yield replace(head, postings=tuple(postings))
            head, postings = None, []
        if head is None:
            head = SealedEntry(*row[:9], postings=())
        postings.append((row[9], row[10]))
    if head is not None:
        yield replace(head, postings=tuple(postings))


def seal_period(session: Session, now: datetime, period: Period, reason: str) -> Seal | None:
    """Seal what was posted in a period since its last seal; None when there is nothing new.

    Takes the period FOR UPDATE, so no posting is in flight, and its mall, so that the seals of a chain stand in one row.
    """
    lock_period(session, period.id)
    chain = chain_of(session, period.mall_id)
    after = session.scalar(select(func.max(Seal.last_entry_id)).where(Seal.period_id == period.id)) or 0
    last = session.scalar(select(func.max(Entry.id)).where(Entry.period_id == period.id, Entry.id > after))
    if last is None:
        return None
    before = session.scalar(select(Seal).where(Seal.chain == chain).order_by(Seal.number.desc()).limit(1))
    previous = before.sha256 if before else GENESIS
    digest, count, debits = seal_hash(previous, sealed_entries(session, period.id, after, last))
    seal = Seal(
        chain=chain,
        number=before.number + 1 if before else 1,
        period_id=period.id,
        reason=reason,
        after_entry_id=after,
        last_entry_id=last,
        entries=count,
        debits_cents=debits,
        previous_sha256=previous,
        sha256=digest,
        sealed_at=now,
    )
    session.add(seal)
    session.flush()
    return seal


def seal_periods(session: Session, now: datetime) -> int:
    """Seal every open month's new entries, and close the co-op's own months whose time has come; how many seals of open ones."""
    close_coop_months(session, now)
    open_periods = session.scalars(
        select(Period).where(Period.state == "open").order_by(func.coalesce(Period.mall_id, 0), Period.first_day)
    ).all()
    # Every mall before any of its months: a batch that has opened a month of one may still want one of another.
    for mall_id in dict.fromkeys(period.mall_id for period in open_periods):
        session.execute(_owner(mall_id).with_for_update(key_share=True))
    return sum(seal_period(session, now, period, "day") is not None for period in open_periods)


@short_job("books.seal")
def _seal_job(session: Session, now: datetime, args: dict[str, Any]) -> None:
    seal_periods(session, now)
