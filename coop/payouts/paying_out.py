"""A run paid, which posts it; a payment that came back; a check that was never cashed; and the proof of all of them.

Each mall's part is an entry of its own, for a dealer's account takes entries of its mall only: where she is paid the bank goes
down by it, where she gives something up for what she owes it goes up, and the sum is what left the bank.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date, datetime

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session, aliased, selectinload

from coop.books.accounts import bank_account, dealer_account, stale_account
from coop.books.domain.entries import EntryDraft
from coop.books.models import Account, BankMatch, Entry, Posting
from coop.books.rules import rules_on
from coop.books.service import post_entries, post_entry, posting_date
from coop.core import audit, faults
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.money import format_cents, format_dollars
from coop.core.templating import day as written
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.payouts.came_back import STALE, tell_came_back
from coop.payouts.holding import open_hold, place_hold
from coop.payouts.models import PayoutLine, PayoutPart, PayoutRun, Release
from coop.payouts.queries import PAYOUT, RETURNED, coop_today, coop_zone, lines_of
from coop.payouts.runs import file_taken, hold_run

OWED_AGAIN = "owed again"
_CODE = re.compile(r"[RC]\d\d", re.ASCII)
"""A bank's code in what it says: R03."""


def mark_paid(
    session: Session,
    now: datetime,
    run: PayoutRun,
    *,
    on: date,
    sent_otherwise: bool = False,
    user_id: int | None = None,
) -> int:
    """Post an approved run as paid on a day, every part of it or nothing; how many entries.

    One that is paid so already posts none. Where a mall has closed the day's month, its part is dated on its first open day.
    Refuses a run that is not approved, a day before that or to come, one whose file of transfers is not made, or was never taken
    (unless its transfers were `sent_otherwise`, which is logged), and another day than the one it was paid on.
    """
    hold_run(session, run)
    if run.state == "paid":
        if run.paid_on == on:
            return 0
        raise Refusal(f"Run {run.number} was paid on {written(run.paid_on or on)}: another day is not taken.")
    if run.state != "approved" or run.approved_at is None:
        raise Refusal(f"Run {run.number} is {run.state}: only an approved run is paid.")
    approved_on = local_date(run.approved_at, coop_zone(session))
    if not approved_on <= on <= coop_today(session, now):
        raise Refusal(f"Run {run.number} was approved on {written(approved_on)}: write a day from then up to today.")
    lines = lines_of(session, run)
    by_bank = any(line.method == "ach" for line in lines)
    if by_bank and run.ach_document_id is None:
        raise Refusal(f"The file of transfers of run {run.number} is not made yet: nothing can have gone to the bank.")
    otherwise = by_bank and file_taken(session, run) is None
    if otherwise and not sent_otherwise:
        raise Refusal(
            f"Nobody has taken the bank file of run {run.number}: take it and send it to the bank, or say that the transfers "
            "were sent another way."
        )
    malls = {mall.id: mall for mall in session.scalars(select(Mall))}
    wanted = select(Dealer).where(Dealer.id.in_([line.dealer_id for line in lines]))
    dealers = {dealer.id: dealer for dealer in session.scalars(wanted)}
    parts = [(line, part) for line in lines for part in line.parts]
    days = {mall_id: posting_date(session, mall_id, on) for mall_id in sorted({part.mall_id for _, part in parts})}
    drafts = [
        _draft(session, run, line, part, dealers[line.dealer_id], malls[part.mall_id], days[part.mall_id]) for line, part in parts
    ]
    for (_line, part), entry_id in zip(parts, post_entries(session, now, drafts), strict=True):
        part.entry_id = entry_id
    run.state, run.paid_on, run.paid_by = "paid", on, user_id
    session.flush()
    detail = f"{on.isoformat()}, transfers sent another way" if otherwise else on.isoformat()
    audit.record(session, now, "payouts paid", "payout run", run.number, user_id=user_id, detail=detail)
    faults.point("payouts:posted")
    return len(drafts)


def _draft(
    session: Session, run: PayoutRun, line: PayoutLine, part: PayoutPart, dealer: Dealer, mall: Mall, on: date
) -> EntryDraft:
    memo = f"Payout, run {run.number}, {_how(line)}"
    if part.amount_cents < 0:
        memo += ": what was owed here, taken off it"
    postings = ((dealer_account(session, mall, dealer), part.amount_cents), (bank_account(session), -part.amount_cents))
    return _entry(run, dealer, mall, on, PAYOUT, postings, memo)


def _entry(
    run: PayoutRun,
    dealer: Dealer,
    mall: Mall,
    dated: date,
    kind: str,
    postings: tuple[tuple[int, int], ...],
    memo: str,
    *,
    purpose: str = "",
    reverses_id: int | None = None,
) -> EntryDraft:
    """What happens to a dealer's part at a mall: paid, came back, found stale, owed again. `purpose`: other than its kind."""
    return EntryDraft(
        mall_id=mall.id,
        business_date=dated,
        kind=kind,
        source_kind=PAYOUT,
        source_id=_source(run, dealer, mall),
        purpose=purpose or kind,
        postings=postings,
        memo=memo,
        reverses_id=reverses_id,
    )


def _how(line: PayoutLine) -> str:
    return {"ach": "bank transfer", "check": f"check {line.reference}"}.get(line.method, "by hand")


def _source(run: PayoutRun, dealer: Dealer, mall: Mall) -> str:
    return f"{run.number}/{dealer.code}/{mall.code}"


# --- what comes back ----------------------------------------------------------------------------------------------------


def return_payment(
    session: Session,
    now: datetime,
    line: PayoutLine,
    *,
    on: date,
    reason: str,
    mail_domain: str = "",
    user_id: int | None = None,
) -> None:
    """Note that one dealer's payment came back: each part's entry is reversed, and her next run pays it again.

    `reason` is the bank's code and words, `R03, no account`. After a transfer her payouts are held by hand, until somebody has
    looked at her bank details. With a `mail_domain` a letter tells her. A part that was reversed by hand already counts. Refuses
    what was not paid, or came back already.
    """
    reason = " ".join(reason.split())
    if not 0 < len(reason) <= 120 or reason == STALE:
        raise Refusal("Write in at most 120 characters why it came back: the bank's code and words, such as R03, no account.")
    run, dealer = _hold_paid(session, now, line, on)
    code = _CODE.search(reason)
    memo = f"Payout, run {run.number}, came back" + (f", {code[0]}" if code else "")
    for part, mall in _parts(session, line):
        there = session.scalar(select(Entry.id).where(Entry.reverses_id == part.entry_id))
        postings = ((dealer_account(session, mall, dealer), -part.amount_cents), (bank_account(session), part.amount_cents))
        draft = _entry(run, dealer, mall, posting_date(session, mall.id, on), RETURNED, postings, memo, reverses_id=part.entry_id)
        part.back_entry_id = there or post_entry(session, now, draft)
    line.returned_on, line.return_reason = on, reason
    session.flush()
    if line.method == "ach" and open_hold(session, dealer.id) is None:
        place_hold(session, now, dealer, f"the payment of run {run.number} came back: {reason}", user_id=user_id)
    if mail_domain:
        tell_came_back(session, now, line, run, mail_domain=mail_domain)
    audit.record(session, now, "payout came back", "payout run", run.number, user_id=user_id, detail=dealer.code)


def mark_stale(session: Session, now: datetime, line: PayoutLine, *, on: date, user_id: int | None = None) -> None:
    """Note that a check was never cashed: its money is in the bank again, and owed as a stale payout.

    It stays so until she asks for it or a state's rule releases it, and stands with the mall that gave the largest part. Refuses
    what is no check, what came back, one that is not old enough, and one that the bank has paid.
    """
    run, dealer = _hold_paid(session, now, line, on)
    if line.method != "check":
        raise Refusal(f"{dealer.code} was not paid by check in run {run.number}: only a check goes stale.")
    days = rules_on(session, on).stale_days
    age = (on - (run.paid_on or on)).days
    if age < days:
        raise Refusal(f"Check {line.reference} is {age} days old on {written(on)}: by the house rules it is stale after {days}.")
    if session.scalar(select(PayoutLine.id).where(PayoutLine.id == line.id, _seen_at_bank())) is not None:
        raise Refusal(
            f"Check {line.reference} was cashed: a line of the bank is matched with it. If it is not that one, undo it."
        )
    part, mall = max(_parts(session, line), key=lambda one: one[0].amount_cents)
    postings = ((bank_account(session), line.amount_cents), (stale_account(session, mall), -line.amount_cents))
    memo = f"Payout, run {run.number}, check {line.reference} was never cashed"
    draft = _entry(run, dealer, mall, posting_date(session, mall.id, on), STALE, postings, memo)
    part.back_entry_id = post_entry(session, now, draft)
    line.returned_on, line.return_reason = on, STALE
    session.flush()
    audit.record(session, now, "check found stale", "payout run", run.number, user_id=user_id, detail=dealer.code)


def owe_again(session: Session, now: datetime, line: PayoutLine, *, on: date, user_id: int | None = None) -> None:
    """A dealer asks for a check that went stale: it is owed to her again, and her next run pays it.

    Refuses what is not stale, what is owed again already, and what was let go by a state's rule, or is to be.
    """
    session.refresh(line, with_for_update=True)
    run, dealer = session.get_one(PayoutRun, line.run_id), session.get_one(Dealer, line.dealer_id)
    if line.return_reason != STALE or line.returned_on is None:
        raise Refusal(f"The payment of {dealer.code} in run {run.number} is not stale.")
    if not line.returned_on <= on <= coop_today(session, now):
        raise Refusal(f"The check is stale since {written(line.returned_on)}: write a day from then up to today.")
    if session.scalar(select(Release.id).where(Release.payout_line_id == line.id, Release.state != "refused")) is not None:
        raise Refusal(f"The check of {dealer.code} in run {run.number} was let go by a state's rule, or is to be: see Releases.")
    if owed_again(session, line) is not None:
        raise Refusal(f"The check of {dealer.code} in run {run.number} is owed to {dealer.code} again already.")
    _part, mall = next((part, mall) for part, mall in _parts(session, line) if part.back_entry_id is not None)
    postings = ((stale_account(session, mall), line.amount_cents), (dealer_account(session, mall, dealer), -line.amount_cents))
    memo = f"Payout, run {run.number}, check {line.reference} was never cashed: owed again"
    dated = posting_date(session, mall.id, on)
    post_entry(session, now, _entry(run, dealer, mall, dated, RETURNED, postings, memo, purpose=OWED_AGAIN))
    audit.record(session, now, "stale check owed again", "payout run", run.number, user_id=user_id, detail=dealer.code)


def owed_again(session: Session, line: PayoutLine) -> int | None:
    """The entry by which a stale check is owed to its dealer again; None where there is none."""
    sources = [_source(line.run, session.get_one(Dealer, line.dealer_id), mall) for _part, mall in _parts(session, line)]
    again = select(Entry.id).where(Entry.source_kind == PAYOUT, Entry.source_id.in_(sources), Entry.purpose == OWED_AGAIN)
    return session.scalar(again)


def _hold_paid(session: Session, now: datetime, line: PayoutLine, on: date) -> tuple[PayoutRun, Dealer]:
    """A paid line, held and read anew, with its run and dealer."""
    session.refresh(line, with_for_update=True)
    run, dealer = session.get_one(PayoutRun, line.run_id), session.get_one(Dealer, line.dealer_id)
    if run.state != "paid" or run.paid_on is None:
        raise Refusal(f"Run {run.number} is not paid: nothing of it can come back.")
    if line.returned_on is not None:
        what = "is stale" if line.return_reason == STALE else "came back"
        raise Refusal(f"The payment of {dealer.code} in run {run.number} {what} since {written(line.returned_on)} already.")
    if not run.paid_on <= on <= coop_today(session, now):
        raise Refusal(f"Run {run.number} was paid on {written(run.paid_on)}: write a day from then up to today.")
    return run, dealer


def _parts(session: Session, line: PayoutLine) -> list[tuple[PayoutPart, Mall]]:
    rows = session.execute(
        select(PayoutPart, Mall).join(Mall, Mall.id == PayoutPart.mall_id).where(PayoutPart.line_id == line.id).order_by(Mall.id)
    )
    return [(part, mall) for part, mall in rows]


def stale_checks(session: Session, on: date) -> Sequence[PayoutLine]:
    """Checks paid so long ago that they are stale by the house rules of a day, and that nothing is known of, the oldest first.

    Those that a line of the bank is matched with are not; which else it has paid is for its statement to say.
    """
    days = rules_on(session, on).stale_days
    rows = session.scalars(
        select(PayoutLine)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .where(PayoutLine.method == "check", PayoutLine.returned_on.is_(None), PayoutRun.state == "paid", ~_seen_at_bank())
        .options(selectinload(PayoutLine.run))
        .order_by(PayoutRun.paid_on, PayoutLine.id)
    )
    return [line for line in rows if line.run.paid_on is not None and (on - line.run.paid_on).days >= days]


def _seen_at_bank() -> ColumnElement[bool]:
    """Whether a line of the bank is matched with what was paid."""
    return (
        select(BankMatch.id)
        .join(PayoutPart, PayoutPart.entry_id == BankMatch.entry_id)
        .where(PayoutPart.line_id == PayoutLine.id, BankMatch.undone_at.is_(None))
        .correlate(PayoutLine)
        .exists()
    )


# --- proof --------------------------------------------------------------------------------------------------------------


def check_payouts(session: Session) -> list[str]:
    """Every run against the ledger: parts sum to their line, a paid part is its entry, what came back is put back."""
    return list(_payout_faults(session))


def _payout_faults(session: Session) -> Iterator[str]:
    part_sums = session.execute(
        select(PayoutRun.number, Dealer.code, PayoutLine.amount_cents, func.coalesce(func.sum(PayoutPart.amount_cents), 0))
        .join(PayoutLine, PayoutLine.run_id == PayoutRun.id)
        .join(Dealer, Dealer.id == PayoutLine.dealer_id)
        .outerjoin(PayoutPart, PayoutPart.line_id == PayoutLine.id)
        .group_by(PayoutRun.number, Dealer.code, PayoutLine.id, PayoutLine.amount_cents)
        .order_by(PayoutRun.number, Dealer.code)
    )
    for number, code, whole, parts in part_sums:
        if whole != parts:
            yield f"Run {number} pays {code} {format_dollars(whole)}; its parts are {format_dollars(int(parts))}."
    reversal = aliased(Entry)
    rows = session.execute(
        select(
            PayoutRun.number,
            PayoutRun.state,
            Dealer.code,
            Mall.code,
            PayoutPart.amount_cents,
            PayoutPart.entry_id,
            PayoutPart.back_entry_id,
            PayoutLine.returned_on,
            PayoutLine.return_reason,
            func.sum(Posting.amount_cents),
            func.max(reversal.id),
        )
        .join(PayoutLine, PayoutLine.id == PayoutPart.line_id)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .join(Dealer, Dealer.id == PayoutLine.dealer_id)
        .join(Mall, Mall.id == PayoutPart.mall_id)
        .outerjoin(Account, (Account.dealer_id == Dealer.id) & (Account.mall_id == Mall.id) & (Account.kind == "dealer"))
        .outerjoin(Posting, (Posting.entry_id == PayoutPart.entry_id) & (Posting.account_id == Account.id))
        .outerjoin(reversal, reversal.reverses_id == PayoutPart.entry_id)
        .group_by(PayoutRun.id, Dealer.id, Mall.id, PayoutPart.id, PayoutLine.id)
        .order_by(PayoutRun.number, Dealer.code, Mall.code)
    )
    for number, state, code, mall, amount, entry, back, returned_on, why, posted, reversed_by in rows:
        name = f"Run {number}, {code} at {mall}"
        if (entry is not None) != (state == "paid"):
            yield f"{name}: the run is {state}, and it {'has' if entry else 'lacks'} an entry."
        elif entry is not None and int(posted or 0) != amount:
            yield f"{name}: {format_cents(amount)} was paid, and {format_cents(int(posted or 0))} is in the ledger."
        elif returned_on is None and reversed_by is not None:
            yield f"{name}: its entry {entry} was reversed by hand, and the run does not say so: note there that it came back."
        elif returned_on is not None and why != STALE and (back is None or back != reversed_by):
            yield f"{name}: it came back on {returned_on}, and no entry puts it back."
