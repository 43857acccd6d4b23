"""Two people for what one alone must not do: what somebody entered, another approves; nobody alone decides on their own."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.dealers.models import Dealer, UserAccount


def require_second(first: int | None, second: int | None, what: str) -> None:
    """Refuse to let one person approve what that same person entered, and anybody who is not known.

    `what` is said as in "the payout run 3".
    """
    if second is None:
        raise Refusal(f"Say who approves {what}: sign in, or name yourself with --by.")
    if first == second:
        raise Refusal(f"You entered {what} yourself: a second person has to approve it.")


def require_not_own(session: Session, user_id: int | None, dealer_id: int, what: str) -> None:
    """Refuse to let a manager who is a dealer decide alone on what is that dealer's own. `what`: "your own claim"."""
    if user_id is not None and is_own(session, user_id, dealer_id):
        raise Refusal(f"You cannot decide on {what}: a second person has to.")


def is_own(session: Session, user_id: int, dealer_id: int) -> bool:
    """Whether a user is the member behind a dealer."""
    own = select(Dealer.id).join(UserAccount, UserAccount.member_id == Dealer.member_id)
    return session.scalar(own.where(UserAccount.id == user_id, Dealer.id == dealer_id)) is not None
