"""The co-op and the people in it: founding it, joining it."""

from __future__ import annotations

import re
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.errors import Refusal
from coop.dealers.models import Cooperative, Dealer, Member

CODE = re.compile(r"[A-Z0-9][A-Z0-9-]{0,11}")
"""Of a mall or a dealer: it stands in account names, file names and on tags."""


def require_code(text: str, what: str) -> str:
    """The code in capitals. Refuses one that a tag or an account could not carry."""
    code = text.strip().upper()
    if not CODE.fullmatch(code):
        raise Refusal(f"{what} {text!r}: use one to twelve letters, digits or hyphens, such as MAIN or D01.")
    return code


def found_coop(session: Session, now: datetime, name: str, *, commission_percent: Decimal, paper: str = "letter") -> Cooperative:
    """Make the co-op itself. Refuses a second one: one database holds one co-op."""
    if not name.strip():
        raise Refusal("The co-op's name is empty.")
    if session.get(Cooperative, 1) is not None:
        raise Refusal("There is a co-op in this database already.")
    if not commission_percent.is_finite() or not 0 <= commission_percent <= 100:
        raise Refusal(f"A commission of {commission_percent} percent is not between 0 and 100.")
    coop = Cooperative(
        id=1,
        name=name.strip()[:120],
        commission_percent=commission_percent,
        paper=paper,
        currency="USD",
        payout_day=10,
        created_at=now,
    )
    session.add(coop)
    session.flush()
    return coop


def add_dealer(
    session: Session,
    now: datetime,
    code: str,
    *,
    name: str,
    email: str = "",
    phone: str = "",
    address: str = "",
    trade_name: str = "",
    joined_on: date | None = None,
) -> Dealer:
    """A member who sells, under a code of her own. Refuses a code that is taken."""
    member = Member(name=name, email=email, address=address, phone=phone, joined_on=joined_on or now.date())
    session.add(member)
    session.flush()
    return make_dealer(session, now, member, code, trade_name=trade_name)


def make_dealer(session: Session, now: datetime, member: Member, code: str, *, trade_name: str = "") -> Dealer:
    """A member's selling side, under a code of its own. Refuses a code that is taken."""
    code = require_code(code, "Dealer code")
    if session.scalar(select(Dealer.id).where(Dealer.code == code)) is not None:
        raise Refusal(f"Dealer code {code} is taken: choose another.")
    dealer = Dealer(member_id=member.id, code=code, trade_name=trade_name, created_at=now)
    session.add(dealer)
    session.flush()
    return dealer


def next_code(session: Session) -> str:
    """The code after the highest of the D01, D02, ... there are; D01 where there is none."""
    codes = session.scalars(select(Dealer.code).where(Dealer.code.like("D%")))
    return f"D{max((int(code[1:]) for code in codes if code[1:].isdecimal()), default=0) + 1:02d}"


def hold_coop(session: Session) -> None:
    """Hold the co-op's row until the transaction ends: of two who do what only one may do, the second waits and looks again."""
    session.execute(select(Cooperative.id).with_for_update(key_share=True))
