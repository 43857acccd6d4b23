"""Money of a dealer: what she brings or sends, her check that comes back unpaid, a buyer's payment that the bank takes back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import ColumnElement, exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from coop.books.accounts import bank_account, coop_expense_account, dealer_account, expense_account, tender_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Account, Entry, Posting
from coop.books.service import is_posted, post_entry, posting_date
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_cents, format_dollars
from coop.core.templating import day as written
from coop.dealers.models import Dealer
from coop.dealers.second_person import require_not_own
from coop.floor.models import Mall
from coop.floor.service import hold_mall

PAYMENT = "payment"
PAID_BY = ("check", "cash")
BOUNCED = "bounced"
CHARGEBACK = "chargeback"
BORNE_BY = ("dealer", "co-op")


def receive_payment(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    *,
    amount_cents: int,
    paid_by: str,
    on: date,
    reference: str,
    user_id: int | None = None,
) -> int:
    """Post a dealer's payment at a mall; the entry's id. The reference (a check's or receipt's number) is one of hers, once.

    Refuses an amount that is not above zero, a way of paying that is neither check nor cash, no reference or one that is there
    already, and a day in a closed month.
    """
    reference = reference.strip()
    if amount_cents <= 0:
        raise Refusal(f"The amount {dealer.code} paid must be above zero, not {format_cents(amount_cents)}.")
    if paid_by not in PAID_BY:
        raise Refusal(f"{dealer.code} paid by {paid_by}: it is one of {', '.join(PAID_BY)}.")
    if not reference:
        raise Refusal("The reference is empty: write the number of the check or of the receipt.")
    hold_mall(session, mall.id)
    key = f"{mall.code}/{dealer.code}/{reference}"
    if is_posted(session, PAYMENT, key):
        raise Refusal(f"A payment of {dealer.code} with the reference {reference} is posted already.")
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=on,
            kind=PAYMENT,
            source_kind=PAYMENT,
            source_id=key,
            purpose=PAYMENT,
            postings=netted(
                [(tender_account(session, mall, paid_by), amount_cents), (dealer_account(session, mall, dealer), -amount_cents)]
            ),
            memo=f"Your payment by {paid_by}, {reference}",
        ),
    )
    audit.record(session, now, "payment received", "dealer", dealer.code, user_id=user_id, detail=f"{mall.code}, {reference}")
    return entry_id


# --- what comes back ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CheckPaid:
    """A dealer's payment by check that has not come back."""

    entry_id: int
    mall_id: int
    on: date
    amount_cents: int
    memo: str


def checks_of(session: Session, dealer_id: int, *, most: int = 30) -> list[CheckPaid]:
    """A dealer's payments by check that stand, the newest first."""
    hers, reversal = aliased(Account), aliased(Entry)
    where_it_went = exists().where(Posting.entry_id == Entry.id, Posting.account_id == Account.id, _takes_checks())
    owed = aliased(Posting)
    rows = session.execute(
        select(Entry.id, Entry.mall_id, Entry.business_date, -owed.amount_cents, Entry.memo)
        .join(owed, owed.entry_id == Entry.id)
        .join(hers, hers.id == owed.account_id)
        .outerjoin(reversal, reversal.reverses_id == Entry.id)
        .where(Entry.kind == PAYMENT, hers.dealer_id == dealer_id, hers.kind == "dealer", reversal.id.is_(None), where_it_went)
        .order_by(Entry.business_date.desc(), Entry.id.desc())
        .limit(most)
    )
    return [CheckPaid(entry_id, mall_id, on, amount, memo) for entry_id, mall_id, on, amount, memo in rows if mall_id is not None]


def _takes_checks() -> ColumnElement[bool]:
    return or_(Account.kind == "bank", Account.path.like("Assets:Checks-to-deposit:%"))


def bounce_check(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    payment_entry_id: int,
    *,
    on: date,
    reference: str,
    bank_fee_cents: int = 0,
    user_id: int | None = None,
) -> int:
    """A dealer's check came back unpaid: she owes again what it paid, by an entry that names the payment; that entry's id.

    The money goes out of the bank, or out of the checks that wait where none of them was taken there since. What the bank asks
    for it is the co-op's expense. Refuses a payment that is not hers or was no check, one that came back already, a day before
    it, no reference, and a fee below zero.
    """
    reference = reference.strip()
    hold_mall(session, mall.id)
    paid = session.get(Entry, payment_entry_id)
    postings = {} if paid is None else _accounts_of(session, paid.id)
    owed = postings.get(dealer_account(session, mall, dealer))
    if paid is None or paid.kind != PAYMENT or paid.mall_id != mall.id or owed is None:
        raise Refusal(f"Entry {payment_entry_id} is no payment of {dealer.code} at {mall.code}: choose one of hers.")
    if session.scalar(select(Entry.id).where(Entry.reverses_id == paid.id)) is not None:
        raise Refusal(f"The payment of {format_dollars(-owed[1])} from {written(paid.business_date)} was taken back already.")
    checks = tender_account(session, mall, "check")
    if checks not in postings and bank_account(session) not in postings:
        raise Refusal(
            f"The payment of {format_dollars(-owed[1])} from {written(paid.business_date)} was no check: choose another."
        )
    if not reference:
        raise Refusal("The reference is empty: write the number on the bank's notice.")
    if on < paid.business_date:
        raise Refusal(f"The check came back on {written(on)}, before it was paid on {written(paid.business_date)}: mend the day.")
    if bank_fee_cents < 0:
        raise Refusal(f"The bank's fee is {format_dollars(bank_fee_cents)}: write it above zero, or nothing.")
    waits = checks in postings and not _taken_to_bank(session, checks, paid.id, -owed[1])
    day = posting_date(session, mall.id, on)
    account_id, amount = owed
    bounced = EntryDraft(
        mall_id=mall.id,
        business_date=day,
        kind=BOUNCED,
        source_kind=PAYMENT,
        source_id=paid.source_id,
        purpose=BOUNCED,
        postings=((account_id, -amount), (checks if waits else bank_account(session), amount)),
        memo=f"Your payment of {written(paid.business_date)} came back unpaid, {reference}"[:200],
        reverses_id=paid.id,
    )
    entry_id = post_entry(session, now, bounced)
    if bank_fee_cents:
        fee = EntryDraft(
            mall_id=mall.id,
            business_date=day,
            kind="bank fee",
            source_kind=PAYMENT,
            source_id=paid.source_id,
            purpose="bank fee",
            postings=((coop_expense_account(session, "Bank-fees"), bank_fee_cents), (bank_account(session), -bank_fee_cents)),
            memo=f"Bank's fee, check of {dealer.code} came back, {reference}"[:200],
        )
        post_entry(session, now, fee)
    audit.record(session, now, "check came back", "dealer", dealer.code, user_id=user_id, detail=f"{mall.code}, {reference}")
    return entry_id


def _accounts_of(session: Session, entry_id: int) -> dict[int, tuple[int, int]]:
    """An entry's postings by account: (account id, cents)."""
    rows = session.execute(select(Posting.account_id, Posting.amount_cents).where(Posting.entry_id == entry_id))
    return {account_id: (account_id, amount) for account_id, amount in rows}


def _taken_to_bank(session: Session, checks: int, payment_id: int, amount_cents: int) -> bool:
    """Whether checks were taken to the bank since a payment, or fewer wait than it was."""
    since = exists().where(
        Posting.account_id == checks, Posting.amount_cents < 0, Posting.entry_id > payment_id, Posting.entry_id == Entry.id
    )
    to_bank = select(Posting.id).join(Entry, Entry.id == Posting.entry_id)
    to_bank = to_bank.where(Posting.account_id == bank_account(session), Posting.amount_cents > 0, since.correlate(Entry))
    if session.scalar(to_bank.limit(1)) is not None:
        return True
    return int(session.scalar(select(func.sum(Posting.amount_cents)).where(Posting.account_id == checks)) or 0) < amount_cents


def charge_back(
    session: Session,
    now: datetime,
    mall: Mall,
    *,
    dealer: Dealer | None,
    amount_cents: int,
    on: date,
    reference: str,
    reason: str,
    borne_by: str,
    user_id: int | None = None,
) -> int:
    """The bank took back what a buyer had paid, by card or by check: the dealer whose sale it was bears it, or the co-op does.

    The entry's id. The reference is the bank's, once a mall. Refuses an amount that is not above zero, no reference or one that
    is there already, no reason, a dealer who is to bear it and is not named, and a manager who has the co-op bear what was sold
    for that manager's own booth.
    """
    reference, reason = reference.strip(), reason.strip()
    if borne_by not in BORNE_BY:
        raise Refusal(f"The chargeback is borne by {borne_by}: it is one of {', '.join(BORNE_BY)}.")
    if dealer is None and borne_by == "dealer":
        raise Refusal("Say which dealer bears the chargeback, or have the co-op bear it.")
    if amount_cents <= 0:
        raise Refusal(f"The amount taken back must be above zero, not {format_cents(amount_cents)}.")
    if not reference:
        raise Refusal("The reference is empty: write the number on the bank's notice.")
    if not 0 < len(reason) <= 80:
        raise Refusal("The reason is empty or too long: say in a few words why the bank took it back.")
    if dealer is not None and borne_by == "co-op":
        require_not_own(session, user_id, dealer.id, "who bears a chargeback of your own sale")
    hold_mall(session, mall.id)
    key = f"{mall.code}/{reference}"
    if is_posted(session, CHARGEBACK, key):
        raise Refusal(f"A chargeback with the reference {reference} is posted already.")
    if dealer is not None and borne_by == "dealer":
        bears, memo = dealer_account(session, mall, dealer), f"Taken back by the bank: {reason}, {reference}"
    else:
        bears, memo = expense_account(session, mall, "Write-offs"), f"Chargeback borne by the co-op: {reason}, {reference}"
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=posting_date(session, mall.id, on),
            kind=CHARGEBACK,
            source_kind=CHARGEBACK,
            source_id=key,
            purpose=CHARGEBACK,
            postings=((bears, amount_cents), (bank_account(session), -amount_cents)),
            memo=memo[:200],
        ),
    )
    subject = ("dealer", dealer.code) if dealer is not None else ("mall", mall.code)
    audit.record(session, now, "chargeback posted", *subject, user_id=user_id, detail=f"{key}, borne by the {borne_by}")
    return entry_id
