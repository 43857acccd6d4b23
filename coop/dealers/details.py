"""What is known of a member who sells, entered and changed: names, addresses, numbers. The log keeps none of them."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.mail import queue_mail
from coop.core.templating import render
from coop.dealers.domain import is_email
from coop.dealers.membership import add_dealer, next_code
from coop.dealers.models import Cooperative, Dealer

FEWEST_DIGITS = 7
"""Of a telephone number: a local one without its area code."""


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
    """An address as it is kept: a line each, with single blanks between its words, and no empty ones."""
    return "\n".join(" ".join(line.split()) for line in typed.splitlines() if line.strip())


def require_details(details: Details) -> None:
    """Refuses, naming the field, an empty name, a mail address or telephone number that is none, and what is too long."""
    if not details.name.strip():
        raise Refusal("The name is empty: write the member's full name.")
    if details.email and not is_email(details.email):
        raise Refusal(f"{details.email!r} is not a mail address: write it like name@example.org.")
    if details.phone and sum(letter.isdecimal() for letter in details.phone) < FEWEST_DIGITS:
        raise Refusal(f"{details.phone!r} is not a whole telephone number: write it like 555-0142, with its area code first.")
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


def change_details(
    session: Session, now: datetime, dealer: Dealer, details: Details, *, mail_domain: str, user_id: int | None = None
) -> None:
    """Change what is known of a dealer. Statements and letters that were made keep what they said.

    Where her mail goes elsewhere, the address it went to is told. Refuses what `require_details` does.
    """
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
    if "email" in changed and old.email:
        _tell_old_address(session, now, dealer, old.email, mail_domain)


def _tell_old_address(session: Session, now: datetime, dealer: Dealer, old_email: str, mail_domain: str) -> None:
    """Who diverts her mail would else be found out by nobody. It does not say where to."""
    coop = session.get(Cooperative, 1)
    values = {"dealer": dealer, "printed": not dealer.member.email, "coop_name": coop.name if coop else ""}
    # One that no mail can bear keeps nobody from putting it right.
    with suppress(Refusal):
        queue_mail(
            session,
            now,
            key=f"mail-address/{dealer.code}/{now.isoformat()}",
            kind="mail address",
            recipient=old_email,
            subject=" ".join(render("email/mail_address/subject.txt", **values).split())[:200],
            text_body=render("email/mail_address/body.txt", **values).strip() + "\n",
            html_body=render("email/mail_address/body.html", **values),
            mail_domain=mail_domain,
        )
