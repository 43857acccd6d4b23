"""The accounts an entry by hand may name: those that are there, those the program would make, new ones; and those it may not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, coupon_account, dealer_account, ensure_account, expense_account, tender_account
from coop.books.domain.hand import KIND_OF_ROOT, HandLine, new_path_fault
from coop.books.models import Account
from coop.core.errors import Refusal
from coop.dealers.models import Dealer
from coop.floor.models import Mall

TIED: Mapping[str, str] = {
    "deposit": "Take, use or give back the deposit on the dealer's lease",
    "gift certificates": "Sell, redeem or release the certificate under Sales",
    "layaway": "Take a payment of the layaway, complete it or cancel it under Sales",
    "layaway tax": "Complete the layaway or cancel it under Sales",
    "stale payouts": "Pay the dealer again, or release the money, under Payouts",
    "tax": "Ring up a return, or file and amend the office's return under Tax",
    "tax office": "File, amend or note a payment to the office under Tax",
    "unclaimed": "Have the sale claimed, or ring up a return, under Sales",
}
"""Kinds of account whose balance is that of a list kept beside them, with what does change both."""
_TENDERS = {"Drawer": "cash", "Card-clearing": "card", "Checks-to-deposit": "check"}


class AccountRefused(Refusal):
    """A line's account cannot be meant; `position` counts the lines from zero."""

    def __init__(self, position: int, sentence: str) -> None:
        super().__init__(sentence)
        self.position = position


@dataclass(frozen=True)
class Suggested:
    """An account that a line may name, for the list of a form."""

    path: str
    words: str


def accounts_for(session: Session, mall: Mall | None, lines: Sequence[HandLine], *, may_be_new: bool) -> list[Account]:
    """Each line's account, made where it may be. Refuses, naming the line, one that is not there or must not be moved by hand."""
    there = {a.path: a for a in session.scalars(select(Account).where(Account.path.in_({line.account for line in lines})))}
    malls = {one.code: one for one in session.scalars(select(Mall))}
    found: list[Account] = []
    for position, line in enumerate(lines):
        account = there.get(line.account)
        if account is None:
            account = there[line.account] = _made(session, malls, position, line.account, may_be_new)
        _require_free(malls, mall, position, account)
        found.append(account)
    return found


def _require_free(malls: Mapping[str, Mall], mall: Mall | None, position: int, account: Account) -> None:
    if account.kind in TIED:
        raise AccountRefused(
            position, f"{account.path} equals a list kept beside it, so no entry by hand moves it. {TIED[account.kind]}."
        )
    if account.mall_id is None or (mall is not None and account.mall_id == mall.id):
        return
    whose = next(code for code, one in malls.items() if one.id == account.mall_id)
    this = "the co-op's own" if mall is None else f"of {mall.code}"
    raise AccountRefused(
        position,
        f"{account.path} takes entries of {whose} only, and this one is {this}: choose {whose} as its mall, "
        "and make an entry for each mall where it concerns two.",
    )


def _made(session: Session, malls: Mapping[str, Mall], position: int, path: str, may_be_new: bool) -> Account:
    account_id = _programs_own(session, malls, path)
    if account_id is None:
        same = session.scalar(select(Account.path).where(func.lower(Account.path) == path.lower()).limit(1))
        if same is not None:
            raise AccountRefused(position, f"There is no account {path}, but there is {same}: write it like that.")
        fault = new_path_fault(path)
        if fault:
            raise AccountRefused(position, fault)
        if not may_be_new:
            raise AccountRefused(
                position, f"There is no account {path}: choose one from the list, or say that an account written here is new."
            )
        root, last = path.partition(":")[0], path.rpartition(":")[2]
        own = malls.get(last) if root != "Equity" else None
        account_id = ensure_account(session, path, KIND_OF_ROOT[root], mall_id=own.id if own else None)
    return session.get_one(Account, account_id)


def _programs_own(session: Session, malls: Mapping[str, Mall], path: str) -> int | None:
    """An account the program makes when it first posts to it; None for any other path, and for a dealer or mall that is not."""
    match path.split(":"):
        case ["Assets", "Bank"]:
            return bank_account(session)
        case ["Assets", ("Drawer" | "Card-clearing" | "Checks-to-deposit") as place, code] if code in malls:
            return tender_account(session, malls[code], _TENDERS[place])
        case ["Assets", "Maker-coupons", code] if code in malls:
            return coupon_account(session, malls[code])
        case ["Expenses", ("Card-cost" | "Over-short" | "Rounding" | "Write-offs") as what, code] if code in malls:
            return expense_account(session, malls[code], what)
        case ["Liabilities", "Dealers", code, dealer_code] if code in malls:
            dealer = session.scalar(select(Dealer).where(Dealer.code == dealer_code))
            return None if dealer is None else dealer_account(session, malls[code], dealer)
    return None


def suggested_accounts(session: Session) -> list[Suggested]:
    """Every account a line may name: those there that are no list's, the bank, and each mall's write-offs. Two queries."""
    rows = session.execute(
        select(Account.path, Dealer.code, Dealer.trade_name)
        .outerjoin(Dealer, Dealer.id == Account.dealer_id)
        .where(Account.kind.not_in(TIED))
    )
    found = {path: (trade_name or f"dealer {code}") if code else "" for path, code, trade_name in rows}
    found.setdefault("Assets:Bank", "")
    for code in session.scalars(select(Mall.code)):
        found.setdefault(f"Expenses:Write-offs:{code}", "")
    return [Suggested(path, words) for path, words in sorted(found.items())]
