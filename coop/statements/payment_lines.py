"""Money that moved between dealer and co-op in a month, each line in words."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased

from coop.books.models import Account, Entry, Posting
from coop.books.queries import SALE_KINDS
from coop.core.periods import Month
from coop.core.templating import day, short_day
from coop.leases.posting import INCOME
from coop.sales.queries import StatedLine
from coop.statements.domain import PaymentLine
from coop.statements.domain.lines import PAYOUT_KINDS
from coop.tax.dealer_tax import TO_DEALER

TOLD_APART = (*SALE_KINDS, *INCOME, TO_DEALER)
"""Kinds of entry that stand elsewhere on a statement: sales, charges, tax to file."""
WORDS = {
    "payout": "Paid to you",
    "returned": "A payment to you came back",
    "payment": "Your payment",
    "bounced": "Your check came back unpaid",
    "chargeback": "A buyer's card payment was taken back by the bank",
    "patronage": "Your share of the co-op's surplus",
    "journal": "Entry by the bookkeeper",
    "opening": "Brought from paper",
    "correction": "Correction",
    "deposit": "Deposit",
    "sale": "Sales",
    "return": "Returns",
    "claim": "A sale claimed",
    "commission": "Commission",
    "rent": "Rent",
}
"""Kinds of entry as a dealer calls them."""


CHECK = "Your payment by check, "
"""How a check that was taken reads, before its number."""
_PUT_RIGHT = aliased(Entry)
"""The entry that another puts right. Made once, as are all such: its columns are worked out anew for each one that is made."""


def payment_lines(
    session: Session, mall_id: int, dealer_id: int, month: Month, stated: list[StatedLine]
) -> tuple[PaymentLine, ...]:
    """What a dealer paid, was paid, or had put right in a month, by day; things taken in part payment among it."""
    return tuple(line for line, _entry_id in paid_by(session, mall_id, dealer_id, month, stated))


def paid_by(
    session: Session, mall_id: int, dealer_id: int, month: Month, stated: list[StatedLine]
) -> list[tuple[PaymentLine, int | None]]:
    """The payment lines, each with its entry in the books; a trade-in has none of its own."""
    lines: list[tuple[PaymentLine, int | None]] = [(_trade_in(each), None) for each in stated if each.line.trade_in_cents]
    rows = session.execute(
        _entries(mall_id, dealer_id, month.first_day, month.last_day, Entry.business_date, Entry.kind, Entry.memo)
        .add_columns(_PUT_RIGHT.kind, _PUT_RIGHT.business_date, _PUT_RIGHT.memo, Posting.amount_cents, Entry.id)
        .where(Entry.kind.not_in(TOLD_APART))
        .order_by(Entry.business_date, Entry.id)
    )
    for on, kind, memo, old_kind, old_on, old_memo, amount, entry_id in rows:
        label = worded(kind, memo) if old_kind is None else reversal_words(kind, memo, worded(old_kind, old_memo), old_on)
        lines.append((PaymentLine(on, label, -amount, old_kind or kind), entry_id))
    return sorted(lines, key=lambda each: each[0].paid_on)


def moved(session: Session, mall_id: int, dealer_id: int, first: date, last: date) -> list[tuple[str, int]]:
    """What moved a dealer's balance over days beside sales and charges, by kind (of the entry put right, where it does that).

    Signed as she sees it; tax to file is among it.
    """
    kind = func.coalesce(_PUT_RIGHT.kind, Entry.kind)
    entries = (
        _entries(mall_id, dealer_id, first, last, kind, func.sum(Posting.amount_cents))
        .where(Entry.kind.not_in([one for one in TOLD_APART if one != TO_DEALER]))
        .group_by(kind)
    )
    return [(name, -int(amount)) for name, amount in session.execute(entries)]


def _entries(mall_id: int, dealer_id: int, first: date, last: date, *columns: Any) -> Select[Any]:
    """A dealer's postings at a mall over days, with the entry that each puts right."""
    return (
        select(*columns)
        .select_from(Posting)
        .join(Entry, Entry.id == Posting.entry_id)
        .join(Account, Account.id == Posting.account_id)
        .outerjoin(_PUT_RIGHT, _PUT_RIGHT.id == Entry.reverses_id)
        .where(
            Account.kind == "dealer",
            Account.mall_id == mall_id,
            Account.dealer_id == dealer_id,
            Entry.business_date.between(first, last),
        )
    )


def _trade_in(stated: StatedLine) -> PaymentLine:
    line = stated.line
    did = "took in part payment" if line.trade_in_cents > 0 else "gave back"
    label = f"Trade-in on ticket {stated.ticket.number}, which you {did}"
    return PaymentLine(line.credited_on or line.posting_date, label, -line.trade_in_cents, "trade-in")


def worded(kind: str, memo: str) -> str:
    """An entry's kind in a dealer's words, and what its memo adds to them."""
    words = WORDS.get(kind, kind.capitalize())
    memo = memo.strip()
    if not memo:
        return words
    lowered = memo.casefold()
    if kind == "deposit" or (kind != "payout" and lowered.startswith(("your ", words.casefold(), kind))):
        return memo
    if kind == "journal":
        memo = memo.removeprefix("Correction:").strip()
    if kind == "chargeback":
        memo = memo.removeprefix("Taken back by the bank:").strip()
    if kind == "payout" and lowered.startswith("payout"):
        # The run is the office's affair; the check's number is on the dealer's paper.
        memo = re.sub(r"^run \d+,? *", "", memo[len("payout") :].lstrip(" ,:"))
    if not memo:
        return words
    return f"{words}, {memo}" if kind in PAYOUT_KINDS else f"{words}: {memo}" if memo else words


def reversal_words(kind: str, memo: str, original: str, on: date) -> str:
    """A reversal names what it puts right, and why."""
    what = f"“{original}” of {day(on)}"
    if kind == "returned":
        why = memo.partition("came back")[2].strip(" ,:")
        return f"{WORDS[kind]}{f' ({why})' if why else ''}: {what}"
    if kind == "bounced" and original.startswith(CHECK):
        return f"Your check {original.removeprefix(CHECK)} of {short_day(on)} came back unpaid"
    if kind in ("bounced", "chargeback"):
        return f"{WORDS[kind]}: {what}"
    why = memo.strip().removeprefix("Correction:").strip()
    return f"Puts right {what}" + (f": {why}" if why else "")
