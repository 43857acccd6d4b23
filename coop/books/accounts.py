"""The tree of accounts: where each kind of money stands. An account is made when it is first posted to."""

from __future__ import annotations

from sqlalchemy import event, select
from sqlalchemy.orm import Session

from coop.books.models import Account
from coop.core.db import insert_ignoring
from coop.dealers.models import Dealer
from coop.floor.models import Mall


def ensure_account(session: Session, path: str, kind: str, *, mall_id: int | None = None, dealer_id: int | None = None) -> int:
    """The id of the account at that path, made if it is not there."""
    known: dict[str, int] = session.info.setdefault("account_ids", {})
    if path not in known:
        account_id = session.scalar(select(Account.id).where(Account.path == path))
        if account_id is None:
            values = {"path": path, "kind": kind, "mall_id": mall_id, "dealer_id": dealer_id}
            session.execute(insert_ignoring(session, Account).values(**values))
            account_id = session.scalars(select(Account.id).where(Account.path == path)).one()
        known[path] = account_id
    return known[path]


@event.listens_for(Session, "after_rollback")
def _forget_accounts(session: Session) -> None:
    """An account made in a transaction that came to nothing is not there."""
    session.info.pop("account_ids", None)


def dealer_account(session: Session, mall: Mall, dealer: Dealer) -> int:
    """What the co-op owes a dealer at a mall."""
    return ensure_account(
        session,
        f"Liabilities:Dealers:{mall.code}:{dealer.code}",
        "dealer",
        mall_id=mall.id,
        dealer_id=dealer.id,
    )


def unclaimed_account(session: Session, mall: Mall) -> int:
    """Sales whose dealer is not known yet: a liability until somebody claims them."""
    return ensure_account(session, f"Liabilities:Unclaimed:{mall.code}", "unclaimed", mall_id=mall.id)


def tender_account(session: Session, mall: Mall, tender: str, *, drawer: str = "") -> int:
    """Where a tender's money is until it is in the bank. `drawer` names the desk where a mall has more than its one drawer."""
    if tender == "gift":
        return gift_account(session)
    places = {"cash": "Drawer", "card": "Card-clearing", "check": "Checks-to-deposit"}
    desk = f":{drawer}" if drawer and tender == "cash" else ""
    return ensure_account(session, f"Assets:{places[tender]}:{mall.code}{desk}", "tender", mall_id=mall.id)


def gift_account(session: Session) -> int:
    """What the co-op owes the bearers of gift certificates; the co-op's own, for one may be used at any mall."""
    return ensure_account(session, "Liabilities:Gift-certificates", "gift certificates")


def stale_account(session: Session, mall: Mall) -> int:
    """Payouts whose check was never cashed: the dealers' still."""
    return ensure_account(session, f"Liabilities:Stale-payouts:{mall.code}", "stale payouts", mall_id=mall.id)


def expense_account(session: Session, mall: Mall, what: str) -> int:
    """`what` is Card-cost, Over-short, Rounding or Write-offs."""
    return ensure_account(session, f"Expenses:{what}:{mall.code}", "expense", mall_id=mall.id)


def coop_expense_account(session: Session, what: str) -> int:
    """The co-op's own expense, such as Card-cost of a bill that names no mall, or Bank-fees."""
    return ensure_account(session, f"Expenses:{what}", "expense")


def equity_account(session: Session, what: str) -> int:
    """The members' own: From-paper, Patronage, or `Retained:D01` for what a dealer's patronage leaves in the co-op."""
    return ensure_account(session, f"Equity:{what}", "equity")


def coupon_account(session: Session, mall: Mall) -> int:
    """What makers owe for the coupons that were taken as payment."""
    return ensure_account(session, f"Assets:Maker-coupons:{mall.code}", "receivable", mall_id=mall.id)


def bank_account(session: Session) -> int:
    return ensure_account(session, "Assets:Bank", "bank")


def released_account(session: Session, mall: Mall, goes_to: str) -> int:
    """Where money goes that a state's rule lets out of the liabilities: to the state, out of the bank; or the mall's income."""
    return bank_account(session) if goes_to == "state" else income_account(session, mall, "Released")


def income_account(session: Session, mall: Mall, what: str) -> int:
    """`what` is Commission, Booth-rent, Case-rent, Shelf-rent, Wall-rent, Overflow-rent, Turns, Fees, Late-fees, Delivery,
    Card-cost-recovered, Card-surcharge, Layaway-fees or Released."""
    return ensure_account(session, f"Income:{what}:{mall.code}", "income", mall_id=mall.id)
