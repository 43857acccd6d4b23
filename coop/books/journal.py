"""Entries by hand: entered with reason and paper, posted at once or by a second person; reversals of what was posted wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import func, insert, or_, select, union_all
from sqlalchemy.orm import Session

from coop.books.domain.entries import EntryDraft, netted
from coop.books.domain.hand import PAPERS, HandLine, debits_of, lines_fault, paper_kind
from coop.books.hand_accounts import accounts_for
from coop.books.models import Account, BankMatch, Entry, Journal, JournalLine, Period, Posting
from coop.books.payments import PAYMENT
from coop.books.rules import rules_on
from coop.books.service import post_entry, posting_date, reverse_entry
from coop.core import audit
from coop.core.clock import local_date
from coop.core.db import insert_ignoring
from coop.core.documents import keep_document
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.dealers.second_person import is_own, require_second
from coop.floor.models import Mall
from coop.floor.service import hold_mall

JOURNAL = "journal"
"""Kind, source kind and purpose of what is entered by hand."""
MOST_REASON = 180
MOST_PAPER_BYTES = 8 * 1024 * 1024
REVERSIBLE = (JOURNAL, PAYMENT)
"""Kinds of entry that a reversal by hand puts right whole: no list is kept beside them."""
_MOVE_IT = "make an entry by hand that moves the difference"
_CERTIFICATE = "redeem or release the certificate under Sales"
_RETURN_FILED = "amend the office's return under Tax"
INSTEAD = {
    "sale": "ring up a return of what was sold",
    "return": "ring up what was returned again",
    "claim": "have the claim looked at under Sales",
    "layaway": "take a payment of the layaway, complete it or cancel it under Sales",
    "deposit": "use the deposit or give it back on the dealer's lease",
    "gift": _CERTIFICATE,
    "tax filed": _RETURN_FILED,
    "tax paid": "note what came back, or what was paid more, under Tax",
    "tax to dealer": _RETURN_FILED,
    "payout": "mark the payout as returned under Payouts",
    "returned": "prepare the payout again under Payouts",
    "stale": "pay the dealer again, or release the money, under Payouts",
    "over or short": "count the drawer again under Sales",
    "bounced": "receive the payment again on the dealer's page",
    "release": "enter what the state gives back by hand, and pay it on to whoever it belongs to",
    "opening": "make an entry by hand against Equity:From-paper; where a list stands behind the account, use what moves the list",
}
"""What puts an entry of each kind right, for it cannot be reversed by hand. Of any other kind: a further entry."""
INSTEAD_OF_SOURCE = {
    "bank line": "undo its match under Bank, and enter the line as what it is",
    "lease": "change the lease or its rule, and the month-end posts the difference; or give her the amount in an entry by hand",
}
"""The same by where an entry came from, where its kind does not say."""


class DayRefused(Refusal):
    """The day cannot be meant, or no entry can be dated on it."""


class LinesRefused(Refusal):
    """The lines do not make an entry together."""


class ReasonRefused(Refusal):
    """There is no reason, or it is too long."""


class PaperRefused(Refusal):
    """The paper cannot be kept."""


@dataclass(frozen=True)
class Paper:
    """A file to be kept with an entry. What it is, its bytes say."""

    content: bytes


def enter_journal(
    session: Session,
    now: datetime,
    *,
    key: str,
    mall: Mall | None,
    on: date,
    lines: Sequence[HandLine],
    reason: str,
    document: Paper | None = None,
    new_accounts: bool = False,
    user_id: int | None = None,
) -> Journal:
    """Enter an entry by hand: posted at once up to the house's limit, else it waits for a second person.

    On the account of whoever enters it, it always waits. The same key is the same entry: sent twice it is one. Refuses, before
    anything is written, lines that do not balance, an account that is not there (unless `new_accounts`) or that a list is kept
    beside, an account of another mall, a day to come or in a closed month, no reason, and a paper of another kind.
    """
    reason = _reason(reason)
    before = _sent_before(session, key, mall, on, lines, reason)
    if before is not None:
        return before
    fault = lines_fault(lines)
    if fault:
        raise LinesRefused(fault)
    _require_day(session, now, mall, on)
    _require_open_month(session, mall, on)
    paper_type = "" if document is None else _paper_type(document)
    accounts = accounts_for(session, mall, lines, may_be_new=new_accounts)
    second = debits_of(lines) > rules_on(session, on).journal_limit_cents or _is_own(session, user_id, accounts)
    journal = _keep(
        session,
        now,
        key=key,
        mall=mall,
        on=on,
        reason=reason,
        paper=document,
        paper_type=paper_type,
        second=second,
        user_id=user_id,
        lines=[(account.id, line.amount_cents) for account, line in zip(accounts, lines, strict=True)],
    )
    if not second and journal.state == "entered":
        _post(session, now, journal)
    return journal


def reverse_by_hand(
    session: Session,
    now: datetime,
    entry_id: int,
    *,
    key: str,
    on: date,
    reason: str,
    user_id: int | None = None,
) -> Journal:
    """Reverse a journal entry or a payment that was wrong: at once up to the house's limit, else by a second person.

    Dated in the first open month where that of `on` is closed. Refuses an entry of another kind, with what puts it right; a
    reversal; what is reversed, or waits to be; and what the bank has seen.
    """
    reason = _reason(reason)
    before = session.scalar(select(Journal).where(Journal.key == key))
    if before is not None:
        return before
    entry = _held(session, entry_id)
    _require_reversible(session, entry)
    mall = None if entry.mall_id is None else session.get_one(Mall, entry.mall_id)
    if on < entry.business_date:
        raise DayRefused(f"Entry {entry_id} is of {written(entry.business_date)}: it is reversed on that day or later.")
    _require_day(session, now, mall, on)
    postings = session.scalars(select(Posting).where(Posting.entry_id == entry_id).order_by(Posting.id)).all()
    debits = sum(posting.amount_cents for posting in postings if posting.amount_cents > 0)
    dated = posting_date(session, entry.mall_id, on)
    own = _is_own(session, user_id, [posting.account for posting in postings])
    second = debits > rules_on(session, dated).journal_limit_cents or own
    journal = _keep(
        session,
        now,
        key=key,
        mall=mall,
        on=dated,
        reason=reason,
        paper=None,
        paper_type="",
        second=second,
        user_id=user_id,
        lines=[(posting.account_id, -posting.amount_cents) for posting in postings],
        reverses_id=entry_id,
    )
    if not second and journal.state == "entered":
        _post(session, now, journal)
    return journal


def reversal_fault(session: Session, entry: Entry) -> str:
    """Why an entry cannot be reversed by hand, with what puts it right; empty when it can."""
    try:
        _require_reversible(session, entry)
    except Refusal as refusal:
        return str(refusal)
    return ""


def approve_journal(session: Session, now: datetime, journal_id: int, *, user_id: int | None) -> Journal:
    """Post an entry that waits, as a second person. Refuses whoever entered it, one that is decided, and a month closed since."""
    journal = _waiting(session, journal_id)
    require_second(journal.entered_by, user_id, f"journal entry {journal.id}")
    if journal.reverses_id is None:
        mall = None if journal.mall_id is None else session.get_one(Mall, journal.mall_id)
        _require_open_month(session, mall, journal.on, "Refuse this entry, and have it entered again with")
    else:
        _require_reversible(session, _held(session, journal.reverses_id), besides=journal.id)
    _post(session, now, journal, decided_by=user_id)
    return journal


def refuse_journal(session: Session, now: datetime, journal_id: int, reason: str, *, user_id: int | None) -> Journal:
    """Say no to an entry that waits, with a reason; it is kept and never posted. Whoever entered it may take it back so too."""
    journal = _waiting(session, journal_id)
    journal.decision = _reason(reason)
    # The database knows a decision only of a second person: one's own entry taken back names nobody beside.
    journal.decided_by = None if journal.entered_by == user_id else user_id
    journal.state, journal.decided_at = "refused", now
    session.flush()
    audit.record(session, now, "journal entry refused", "journal", journal.id, user_id=user_id)
    return journal


def waiting_journals(session: Session, mall_id: int | None, month: Month) -> list[int]:
    """Numbers of the entries dated up to a month's end that wait for a second person: once it is closed they cannot be posted."""
    rows = session.scalars(
        select(Journal.id)
        .where(Journal.state == "entered", Journal.mall_id.is_not_distinct_from(mall_id), Journal.on <= month.last_day)
        .order_by(Journal.id)
    )
    return list(rows)


# --- what is judged -----------------------------------------------------------------------------------------------------


def _reason(text: str) -> str:
    reason = " ".join(text.split())
    if not reason:
        raise ReasonRefused("The reason is empty: write why, such as Electricity for October, bill 4471.")
    if len(reason) > MOST_REASON:
        raise ReasonRefused(f"The reason has {len(reason)} letters: {MOST_REASON} is the most.")
    return reason


def _sent_before(
    session: Session, key: str, mall: Mall | None, on: date, lines: Sequence[HandLine], reason: str
) -> Journal | None:
    """The entry that was made of this form; None while there is none. Refuses a form that was sent, changed and sent again."""
    found = session.scalar(select(Journal).where(Journal.key == key))
    if found is None:
        return None
    kept = [(line.account.path, line.amount_cents) for line in found.lines]
    sent = [(line.account, line.amount_cents) for line in lines]
    if (found.mall_id, found.on, found.reason, kept) != (mall.id if mall else None, on, reason, sent):
        raise Refusal(f"This form was sent already, as journal entry {found.id}: open a new form for another entry.")
    return found


def _require_day(session: Session, now: datetime, mall: Mall | None, on: date) -> None:
    zone = mall.timezone if mall else session.scalar(select(Mall.timezone).order_by(Mall.id).limit(1)) or "UTC"
    today = local_date(now, zone)
    if on > today:
        raise DayRefused(f"{written(on)} is still to come: write today, {written(today)}, or an earlier day.")
    begin = session.scalar(select(func.min(Period.first_day))) or today
    if on < begin - timedelta(days=366):
        raise DayRefused(f"{written(on)} lies more than a year before the books begin on {written(begin)}: look at the year.")


def _require_open_month(session: Session, mall: Mall | None, on: date, mend: str = "Date it on") -> None:
    first = posting_date(session, mall.id if mall else None, on)
    if first != on:
        whose = f"at {mall.code}" if mall else "in the co-op's own books"
        raise DayRefused(
            f"{Month.of(on).name} is closed {whose} and takes no entry. {mend} {written(first)} or later, "
            "and say in the reason which month it belongs to."
        )


def _paper_type(paper: Paper) -> str:
    if len(paper.content) > MOST_PAPER_BYTES:
        most = MOST_PAPER_BYTES // (1024 * 1024)
        raise PaperRefused(f"The document has {len(paper.content):,} bytes: {most} MB is the most.")
    media_type = paper_kind(paper.content)
    if not media_type:
        raise PaperRefused("The document is no PDF, PNG or JPEG by its content: scan it, or save it as one of these.")
    return media_type


def _is_own(session: Session, user_id: int | None, accounts: Sequence[Account]) -> bool:
    dealers = {account.dealer_id for account in accounts if account.dealer_id is not None}
    return user_id is not None and any(is_own(session, user_id, dealer_id) for dealer_id in dealers)


def _require_reversible(session: Session, entry: Entry, *, besides: int | None = None) -> None:
    if entry.reverses_id is not None:
        raise Refusal(
            f"Entry {entry.id} is itself the reversal of entry {entry.reverses_id}: what was reversed is entered again instead."
        )
    if entry.kind not in REVERSIBLE:
        instead = INSTEAD.get(entry.kind) or INSTEAD_OF_SOURCE.get(entry.source_kind, _MOVE_IT)
        raise Refusal(f"Entry {entry.id} ({entry.kind}) cannot be reversed by hand. To put it right, {instead}.")
    again = session.scalar(select(Entry.id).where(Entry.reverses_id == entry.id))
    if again is not None:
        raise Refusal(f"Entry {entry.id} is reversed already, by entry {again}.")
    waits = session.scalar(
        select(Journal.id).where(Journal.reverses_id == entry.id, Journal.state == "entered", Journal.id != (besides or 0))
    )
    if waits is not None:
        raise Refusal(f"Entry {entry.id} waits to be reversed already, by journal entry {waits}: approve or refuse that one.")
    if session.scalar(select(BankMatch.id).where(BankMatch.entry_id == entry.id, BankMatch.undone_at.is_(None)).limit(1)):
        raise Refusal(f"Entry {entry.id} is matched to a line of the bank, which has seen it: undo the match under Bank first.")


def _held(session: Session, entry_id: int) -> Entry:
    """An entry, with its mall held: whoever else takes it back at once, a check that bounces say, waits and sees."""
    entry = session.get(Entry, entry_id)
    if entry is None:
        raise Refusal(f"There is no entry {entry_id}.")
    if entry.mall_id is not None:
        hold_mall(session, entry.mall_id)
    return session.scalars(select(Entry).where(Entry.id == entry_id).with_for_update()).one()


def _waiting(session: Session, journal_id: int) -> Journal:
    journal = session.scalar(
        select(Journal).where(Journal.id == journal_id).with_for_update().execution_options(populate_existing=True)
    )
    if journal is None:
        raise Refusal(f"There is no journal entry {journal_id}.")
    if journal.state != "entered":
        raise Refusal(f"Journal entry {journal_id} is {journal.state} already: it can be decided once.")
    return journal


# --- what is written ----------------------------------------------------------------------------------------------------


def _keep(
    session: Session,
    now: datetime,
    *,
    key: str,
    mall: Mall | None,
    on: date,
    reason: str,
    paper: Paper | None,
    paper_type: str,
    second: bool,
    user_id: int | None,
    lines: Sequence[tuple[int, int]],
    reverses_id: int | None = None,
) -> Journal:
    """Write it down with its lines and its paper; one made meanwhile of the same form is taken instead."""
    document_id = None
    if paper is not None:
        document_id = keep_document(
            session,
            now,
            file_name=f"journal-{on}-{key[:8]}{PAPERS[paper_type]}",
            media_type=paper_type,
            content=paper.content,
            made_with="brought by hand",
        ).id
    made = session.scalar(
        insert_ignoring(session, Journal, "key")
        .values(
            key=key,
            mall_id=mall.id if mall else None,
            on=on,
            reason=reason,
            document_id=document_id,
            second_needed=second,
            entered_by=user_id,
            entered_at=now,
            state="entered",
            decision="",
            reverses_id=reverses_id,
        )
        .returning(Journal.id)
    )
    journal = session.scalars(select(Journal).where(Journal.key == key)).one()
    if made is not None:
        session.execute(
            insert(JournalLine),
            [
                {"journal_id": journal.id, "position": position, "account_id": account_id, "amount_cents": amount}
                for position, (account_id, amount) in enumerate(lines, start=1)
            ],
        )
        what = "reversal entered" if reverses_id else "journal entry entered"
        audit.record(session, now, what, "journal", journal.id, user_id=user_id, detail=mall.code if mall else "")
    return journal


def _post(session: Session, now: datetime, journal: Journal, *, decided_by: int | None = None) -> None:
    rows = session.execute(
        select(JournalLine.account_id, JournalLine.amount_cents, Account.kind)
        .join(Account, Account.id == JournalLine.account_id)
        .where(JournalLine.journal_id == journal.id)
        .order_by(JournalLine.position)
    ).all()
    if journal.reverses_id is not None:
        entry_id = reverse_entry(session, now, journal.reverses_id, on=journal.on, memo=journal.reason)
    else:
        # A dealer reads it on her statement, among payments.
        corrects = any(kind == "dealer" for *_, kind in rows)
        entry_id = post_entry(
            session,
            now,
            EntryDraft(
                mall_id=journal.mall_id,
                business_date=journal.on,
                kind=JOURNAL,
                source_kind=JOURNAL,
                source_id=str(journal.id),
                purpose=JOURNAL,
                postings=netted((account_id, amount) for account_id, amount, _kind in rows),
                memo=f"Correction: {journal.reason}" if corrects else journal.reason,
            ),
        )
    journal.state, journal.entry_id = "posted", entry_id
    if decided_by is not None:
        journal.decided_by, journal.decided_at = decided_by, now
    session.flush()
    debits = sum(amount for _, amount, _kind in rows if amount > 0)
    what = "journal entry posted" if decided_by is None else "journal entry approved"
    audit.record(session, now, what, "journal", journal.id, user_id=decided_by, detail=format_dollars(debits))


# --- proof --------------------------------------------------------------------------------------------------------------


def check_journals(session: Session) -> list[str]:
    """Hold every entry by hand that was posted against its lines, account by account; a sentence for what differs."""
    lines = select(
        Journal.entry_id.label("entry"), JournalLine.account_id.label("account"), JournalLine.amount_cents.label("cents")
    )
    lines = lines.join(JournalLine, JournalLine.journal_id == Journal.id).where(Journal.entry_id.is_not(None))
    posted = select(Posting.entry_id, Posting.account_id, -Posting.amount_cents)
    by_hand = select(Journal.entry_id).where(Journal.entry_id.is_not(None))
    posted = posted.join(Entry, Entry.id == Posting.entry_id)
    posted = posted.where(or_(Posting.entry_id.in_(by_hand), Entry.source_kind == JOURNAL))
    both = union_all(lines, posted).subquery()
    off = select(both.c.entry).group_by(both.c.entry, both.c.account).having(func.sum(both.c.cents) != 0).distinct()
    wrong = session.scalars(off.order_by(both.c.entry).limit(20))
    return [f"Entry {entry_id} was made by hand, and is not what was entered." for entry_id in wrong]
