"""Money on its way to the bank, and entries made from a line of the bank: card batches, bills, fees, deposits, what came back."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import and_, exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from coop.books.accounts import bank_account, coop_expense_account, ensure_account, expense_account, tender_account
from coop.books.bank_lines import lines_of
from coop.books.bank_matching import CANCELLED, FROM_LINE, add_match, hold_line, proposals
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Account, BankLine, Entry, Posting
from coop.books.payments import PAYMENT, bounce_check, charge_back
from coop.books.service import is_posted, post_entry, posting_date
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.money import format_dollars
from coop.core.periods import Month, shown_day
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import hold_mall

BANKED = "banked"
"""Kind of an entry that takes money from drawer and checks to the bank."""
MOST_FEE_PERCENT = 15
"""A card batch with a larger fee is a slip of the pen; 1.5 to 4 percent are usual (common practice, no source)."""
BILLS = (
    *("Advertising", "Bank-fees", "Card-cost", "Insurance", "Professional-fees", "Rent", "Repairs", "Supplies"),
    *("Taxes-and-licenses", "Utilities", "Wages"),
)
"""What a co-op's own bills are usually for; any other name may be written."""
WHAT = ("bill", "fee", "interest", "unknown")
_NAME = re.compile(r"[A-Z][A-Za-z0-9]*(-[A-Za-z0-9]+)*", re.ASCII)


@dataclass(frozen=True)
class Bill:
    """What a co-op's bill is for: the last part of its account's path, and the mall it is for, if it is for one."""

    account: str
    mall: Mall | None = None


# --- to the bank --------------------------------------------------------------------------------------------------------


def take_to_bank(
    session: Session,
    now: datetime,
    mall: Mall,
    on: date,
    cash_cents: int,
    checks_cents: int,
    reference: str,
    drawer: str = "",
    *,
    user_id: int | None = None,
) -> int:
    """Take cash out of a drawer and checks that wait to the bank, in one deposit; the entry's id.

    The reference (the number on the deposit slip) is one of the mall's, once. Refuses amounts below zero, none at all, no
    reference or one that is there already, and a day in a closed month.
    """
    reference = reference.strip()
    if cash_cents < 0 or checks_cents < 0:
        raise Refusal("What is taken to the bank cannot be below zero: write the cash and the checks as they are on the slip.")
    if not cash_cents and not checks_cents:
        raise Refusal("Nothing is taken to the bank: write the cash, the checks, or both.")
    if not 0 < len(reference) <= 40:
        raise Refusal("The reference is empty or longer than 40 characters: write the number on the deposit slip.")
    key = f"{mall.code}/{reference}"
    hold_mall(session, mall.id)
    if is_posted(session, BANKED, key):
        raise Refusal(f"A deposit of {mall.code} with the reference {reference} is posted already.")
    at = f", {drawer}" if drawer else ""
    entry_id = post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall.id,
            business_date=on,
            kind=BANKED,
            source_kind=BANKED,
            source_id=key,
            purpose=BANKED,
            postings=netted(
                [
                    (bank_account(session), cash_cents + checks_cents),
                    (tender_account(session, mall, "cash", drawer=drawer), -cash_cents),
                    (tender_account(session, mall, "check"), -checks_cents),
                ]
            ),
            memo=f"To the bank from {mall.code}{at}, {reference}",
        ),
    )
    audit.record(session, now, "taken to the bank", "mall", mall.code, user_id=user_id, detail=reference)
    return entry_id


# --- entries made from a line -------------------------------------------------------------------------------------------


def _post_from(
    session: Session,
    now: datetime,
    line: BankLine,
    kind: str,
    postings: list[tuple[int, int]],
    memo: str,
    mall: Mall | None,
) -> int:
    """Post an entry a line gives rise to. A line whose entry was taken back may give rise to another."""
    before = session.scalar(select(func.count(Entry.id)).where(Entry.source_kind == FROM_LINE, Entry.source_id == str(line.id)))
    mall_id = mall.id if mall else None
    return post_entry(
        session,
        now,
        EntryDraft(
            mall_id=mall_id,
            business_date=posting_date(session, mall_id, line.on),
            kind=kind,
            source_kind=FROM_LINE,
            source_id=str(line.id),
            purpose=f"made {(before or 0) + 1}",
            postings=tuple(postings),
            memo=memo[:200],
        ),
    )


def _made(session: Session, now: datetime, line: BankLine, left: int, entry_id: int, user_id: int | None, kind: str) -> int:
    add_match(session, now, line, entry_id, left, "made", user_id=user_id)
    audit.record(session, now, "entry made from bank line", "bank line", line.id, user_id=user_id, detail=kind)
    return entry_id


def settle_cards(
    session: Session, now: datetime, line_id: int, mall: Mall, gross_cents: int, *, days: str = "", user_id: int | None = None
) -> int:
    """Book a batch of cards a line brought: the bank up by the net, the card cost by the fee, card clearing down by the gross.

    A batch of more refunds than sales is money out: its gross is below zero, as the line is. Refuses a gross of the other sign,
    and a fee below zero or above MOST_FEE_PERCENT of the gross.
    """
    line, net = hold_line(session, line_id)
    if net < 0 < gross_cents:
        raise Refusal(
            "This line is money out: a batch of more refunds than sales. Write what they come to together below zero, or enter "
            "the line as a fee or a chargeback."
        )
    fee = gross_cents - net
    if fee < 0:
        raise Refusal(
            f"The card sales are {format_dollars(gross_cents)}, less than the {format_dollars(net)} that came: write the sales "
            "before the fee."
        )
    if fee * 100 > abs(gross_cents) * MOST_FEE_PERCENT:
        raise Refusal(
            f"The fee would be {format_dollars(fee)} of {format_dollars(gross_cents)}, more than {MOST_FEE_PERCENT}%: check the "
            "card sales, or match what the bank held back as a bill."
        )
    postings = netted(
        [
            (bank_account(session), net),
            (expense_account(session, mall, "Card-cost"), fee),
            (tender_account(session, mall, "card"), -gross_cents),
        ]
    )
    memo = f"Card sales of {mall.code}{f', {days}' if days else ''}"
    entry_id = _post_from(session, now, line, "card batch", list(postings), memo, mall)
    return _made(session, now, line, net, entry_id, user_id, "card batch")


def settle_proposed_cards(session: Session, now: datetime, *, month: Month | None = None, user_id: int | None = None) -> int:
    """Book every batch of cards that is proposed (of a month); how many."""
    within = {row.line.id for row in lines_of(session, month=month, unmatched=True)}
    malls = {mall.code: mall for mall in session.scalars(select(Mall))}
    settled = 0
    for line_id, proposal in proposals(session).items():
        batch = proposal.batch
        if batch is not None and line_id in within:
            settle_cards(session, now, line_id, malls[batch.mall], batch.gross_cents, days=batch.days, user_id=user_id)
            settled += 1
    return settled


def enter_bill(session: Session, now: datetime, line_id: int, bill: Bill, *, user_id: int | None = None) -> int:
    """Book a line as a bill of the co-op's own, or as money back of one. Refuses a name that is no account's."""
    line, left = hold_line(session, line_id)
    name = bill.account.strip()
    if not _NAME.fullmatch(name) or len(name) > 40:
        raise Refusal(f"The expense {name!r} cannot be an account: write it like Utilities, or Snow-removal.")
    mall = bill.mall
    account = expense_account(session, mall, name) if mall else coop_expense_account(session, name)
    memo = f"{name}{f' of {mall.code}' if mall else ''}, by the bank"
    entry_id = _post_from(session, now, line, "bill", [(account, -left), (bank_account(session), left)], memo, mall)
    return _made(session, now, line, left, entry_id, user_id, name)


def enter_fee(session: Session, now: datetime, line_id: int, *, user_id: int | None = None) -> int:
    """Book a line as the bank's fee, or as a fee it gave back."""
    line, left = hold_line(session, line_id)
    postings = [(coop_expense_account(session, "Bank-fees"), -left), (bank_account(session), left)]
    entry_id = _post_from(session, now, line, "bank fee", postings, "Bank's fee", None)
    return _made(session, now, line, left, entry_id, user_id, "bank fee")


def enter_interest(session: Session, now: datetime, line_id: int, *, user_id: int | None = None) -> int:
    """Book a line as interest the bank paid. Refuses money out: what is paid for borrowing is a bill."""
    line, left = hold_line(session, line_id)
    if left < 0:
        raise Refusal("Interest the bank pays comes in; this line is money out. Enter it as a bill.")
    postings = [(ensure_account(session, "Income:Interest", "income"), -left), (bank_account(session), left)]
    entry_id = _post_from(session, now, line, "interest", postings, "Interest from the bank", None)
    return _made(session, now, line, left, entry_id, user_id, "interest")


def enter_unknown(session: Session, now: datetime, line_id: int, *, user_id: int | None = None) -> int:
    """Book money nobody knows yet as owed to whoever sent it, until a journal entry says whose it is. Refuses money out."""
    line, left = hold_line(session, line_id)
    if left < 0:
        raise Refusal("Money that went out must be known: ask the bank what the line is, and enter it as that.")
    account = ensure_account(session, "Liabilities:Unknown-receipts", "unknown receipts")
    memo = f"Came in on {line.on}, from whom is not known yet"
    entry_id = _post_from(session, now, line, "unknown receipt", [(account, -left), (bank_account(session), left)], memo, None)
    return _made(session, now, line, left, entry_id, user_id, "unknown receipt")


def deposit_from_line(
    session: Session,
    now: datetime,
    line_id: int,
    mall: Mall,
    *,
    cash_cents: int,
    checks_cents: int,
    reference: str,
    drawer: str = "",
    user_id: int | None = None,
) -> int:
    """Book a line as a deposit that was not entered when it was made. Cash and checks come to the line.

    Refuses cash of a named drawer that is not there, beside what `take_to_bank` refuses.
    """
    line, left = hold_line(session, line_id)
    if cash_cents + checks_cents != left:
        raise Refusal(
            f"Cash and checks come to {format_dollars(cash_cents + checks_cents)}, and the line to {format_dollars(left)}: "
            "write them as they are on the deposit slip."
        )
    if drawer and cash_cents:
        there = select(Account.id).where(Account.path == f"Assets:Drawer:{mall.code}:{drawer}")
        if session.scalar(there) is None:
            raise Refusal(f"There is no drawer {drawer} at {mall.code} that holds cash: write its name as under Sales.")
    on = posting_date(session, mall.id, line.on)
    entry_id = take_to_bank(session, now, mall, on, cash_cents, checks_cents, reference, drawer, user_id=user_id)
    return _made(session, now, line, left, entry_id, user_id, BANKED)


def bounce_from_line(
    session: Session,
    now: datetime,
    line_id: int,
    payment_entry_id: int,
    *,
    reference: str,
    user_id: int | None = None,
) -> int:
    """Book a line as a dealer's check that came back, by her payment; a fee in the same line is the co-op's expense.

    Refuses money in, a line smaller than the check, and a check that had not been taken to the bank.
    """
    line, left = hold_line(session, line_id)
    payment = session.get(Entry, payment_entry_id)
    dealer = session.scalar(
        select(Dealer)
        .join(Account, Account.dealer_id == Dealer.id)
        .join(Posting, Posting.account_id == Account.id)
        .where(Posting.entry_id == payment_entry_id, Account.kind == "dealer")
    )
    if payment is None or payment.kind != PAYMENT or payment.mall_id is None or dealer is None:
        raise Refusal(f"Entry {payment_entry_id} is no dealer's payment: choose the check that came back.")
    mall = session.get_one(Mall, payment.mall_id)
    paid = _paid_cents(session, payment, mall)
    fee = -left - paid
    if left > 0 or fee < 0:
        raise Refusal(
            f"The check was {format_dollars(paid)}; the bank's line is {format_dollars(left)}: choose the payment that came back."
        )
    on = max(line.on, payment.business_date)
    entry_id = bounce_check(
        session, now, mall, dealer, payment.id, on=on, reference=reference, bank_fee_cents=fee, user_id=user_id
    )
    if _bank_cents(session, entry_id) != -paid:
        raise Refusal("By the books this check is not at the bank yet: enter the deposit it went with first.")
    if fee:
        fee_entry = session.scalar(
            select(Entry.id).where(
                Entry.source_kind == PAYMENT, Entry.source_id == payment.source_id, Entry.purpose == "bank fee"
            )
        )
        assert fee_entry is not None
        add_match(session, now, line, fee_entry, -fee, "hand", user_id=user_id)
    add_match(session, now, line, entry_id, -paid, "hand", user_id=user_id)
    audit.record(session, now, "entry made from bank line", "bank line", line.id, user_id=user_id, detail="check came back")
    return entry_id


@dataclass(frozen=True)
class CheckTaken:
    """A dealer's check that may come back."""

    entry_id: int
    mall_id: int
    dealer_code: str
    on: date
    amount_cents: int
    memo: str


def checks_up_to(session: Session, cents: int, *, most: int = 60) -> list[CheckTaken]:
    """Dealers' payments by check that stand and are no more than an amount, the newest first: what a returned item may be."""
    hers, place, reversal = aliased(Posting), aliased(Account), aliased(Entry)
    taken = (
        exists()
        .where(Posting.entry_id == Entry.id, Posting.account_id == place.id)
        .where(or_(place.kind == "bank", place.path.like("Assets:Checks-to-deposit:%")))
    )
    # By the source, which has an index, and not by the kind of account, by which all that was ever posted to dealers is looked
    # up: of a payment's two accounts the dealer's alone is anybody's.
    payment = and_(Entry.source_kind == PAYMENT, Entry.kind == PAYMENT)
    rows = session.execute(
        select(Entry.id, Entry.mall_id, Dealer.code, Entry.business_date, -hers.amount_cents, Entry.memo)
        .join(hers, hers.entry_id == Entry.id)
        .join(Account, Account.id == hers.account_id)
        .join(Dealer, Dealer.id == Account.dealer_id)
        .outerjoin(reversal, reversal.reverses_id == Entry.id)
        .where(payment, reversal.id.is_(None), taken, -hers.amount_cents <= cents)
        .order_by(Entry.business_date.desc(), Entry.id.desc())
        .limit(most)
    )
    return [CheckTaken(entry_id, mall_id or 0, code, on, int(paid), memo) for entry_id, mall_id, code, on, paid, memo in rows]


def _paid_cents(session: Session, payment: Entry, mall: Mall) -> int:
    places = (tender_account(session, mall, "check"), bank_account(session))
    found = sum(posting.amount_cents for posting in payment.postings if posting.account_id in places)
    if not found:
        raise Refusal(f"The payment of {shown_day(payment.business_date)} was no check: choose another.")
    return found


def _bank_cents(session: Session, entry_id: int) -> int:
    bank = bank_account(session)
    return sum(one.amount_cents for one in session.get_one(Entry, entry_id).postings if one.account_id == bank)


def charge_back_from_line(
    session: Session,
    now: datetime,
    line_id: int,
    mall: Mall,
    *,
    dealer: Dealer | None,
    reference: str,
    reason: str,
    borne_by: str,
    user_id: int | None = None,
) -> int:
    """Book a line as what the bank took back of a buyer's payment. Refuses money in."""
    line, left = hold_line(session, line_id)
    if left > 0:
        raise Refusal("A chargeback is money out; this line came in.")
    entry_id = charge_back(
        session,
        now,
        mall,
        dealer=dealer,
        amount_cents=-left,
        on=line.on,
        reference=reference,
        reason=reason,
        borne_by=borne_by,
        user_id=user_id,
    )
    add_match(session, now, line, entry_id, left, "hand", user_id=user_id)
    audit.record(session, now, "entry made from bank line", "bank line", line.id, user_id=user_id, detail="chargeback")
    return entry_id


def cancel_lines(session: Session, now: datetime, line_id: int, other_id: int, *, user_id: int | None = None) -> int:
    """Book two lines the bank posted and took back as one entry that moves nothing: down and up on the bank account.

    What of each is open, up to the smaller, cancels. Refuses two of one direction.
    """
    line, left = hold_line(session, line_id)
    other, other_left = hold_line(session, other_id)
    if (left > 0) == (other_left > 0):
        raise Refusal(
            f"The lines of {shown_day(line.on)} and {shown_day(other.on)} go the same way: only what came and went back cancels."
        )
    part = min(abs(left), abs(other_left)) * (1 if left > 0 else -1)
    bank, later = bank_account(session), max((line, other), key=lambda one: (one.on, one.id))
    memo = f"Posted by the bank on {min(line.on, other.on)} and taken back on {later.on}"
    entry_id = _post_from(session, now, later, CANCELLED, [(bank, part), (bank, -part)], memo, None)
    add_match(session, now, line, entry_id, part, "made", user_id=user_id)
    add_match(session, now, other, entry_id, -part, "made", user_id=user_id)
    audit.record(session, now, "bank lines cancelled", "bank line", line.id, user_id=user_id, detail=str(other.id))
    return entry_id
