"""What is known of a member who sells, entered and changed: names, addresses, numbers. The log keeps none of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.dealers.domain import is_email
from coop.dealers.membership import add_dealer, next_code
from coop.dealers.models import Dealer


@dataclass(frozen=True)
class Details:
    """A member's own, and the name she trades under (empty: her own)."""

    name: str
    email: str = ""
    """Empty: letters are printed."""
    phone: str = ""
    address: str = ""
    """As on an envelope, a line each."""
    trade_name: str = ""


def address_lines(typed: str) -> str:
    """An address as it is kept: a line each, without blanks round them or empty ones."""
    return "\n".join(line.strip() for line in typed.splitlines() if line.strip())


def require_details(details: Details) -> None:
    """Refuses, naming the field, an empty name, a mail address that is none, and what is too long."""
    if not details.name.strip():
        raise Refusal("The name is empty: write the member's full name.")
    if details.email and not is_email(details.email):
        raise Refusal(f"{details.email!r} is not a mail address: write it like name@example.org.")
    limits = (("name", 120), ("trade name", 120), ("mail address", 254), ("telephone number", 40), ("address", 400))
    typed = (details.name, details.trade_name, details.email, details.phone, details.address)
    for text, (what, most) in zip(typed, limits, strict=True):
        if len(text) > most:
            raise Refusal(f"The {what} has {len(text)} letters: {most} is the most.")


def enter_dealer(
    session: Session,
    now: datetime,
    details: Details,
    *,
    code: str = "",
    joined_on: date | None = None,
    user_id: int | None = None,
) -> Dealer:
    """A new member who sells, under a code or the next free one. Refuses what `require_details` does, and a code taken."""
    require_details(details)
    dealer = add_dealer(
        session,
        now,
        code.strip() or next_code(session),
        name=details.name.strip(),
        email=details.email,
        phone=details.phone,
        address=details.address,
        trade_name=details.trade_name.strip(),
        joined_on=joined_on,
    )
    audit.record(session, now, "dealer entered", "dealer", dealer.code, user_id=user_id)
    return dealer


def change_details(session: Session, now: datetime, dealer: Dealer, details: Details, *, user_id: int | None = None) -> None:
    """Change what is known of a dealer. Statements and letters that were made keep what they said."""
    require_details(details)
    member = dealer.member
    old = Details(member.name, member.email, member.phone, member.address, dealer.trade_name)
    changed = [
        name for name in ("name", "email", "phone", "address", "trade_name") if getattr(old, name) != getattr(details, name)
    ]
    member.name, member.email, member.phone = details.name.strip(), details.email, details.phone
    member.address, dealer.trade_name = details.address, details.trade_name.strip()
    session.flush()
    if changed:
        what = ", ".join(name.replace("_", " ") for name in changed)
        audit.record(session, now, "dealer changed", "dealer", dealer.code, user_id=user_id, detail=what)
