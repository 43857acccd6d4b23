"""The co-op and the people in it: founding it, joining it."""

from __future__ import annotations

import re
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.templating import percent
from coop.dealers.models import Cooperative, Dealer, Member

CODE = re.compile(r"[A-Z0-9][A-Z0-9-]{0,11}")
"""Of a mall or a dealer: it stands in account names, file names and on tags."""


PAPERS = ("letter", "a4")


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


def change_coop(
    session: Session,
    now: datetime,
    *,
    name: str,
    commission_percent: Decimal,
    payout_day: int,
    paper: str,
    user_id: int | None = None,
    request_id: str = "",
) -> list[str]:
    """Change what the co-op is called and what holds where nothing else is said; what was changed, in words.

    What is made keeps its own: leases their commission, statements their name, runs their day. Refuses, naming the field, an
    empty name, a percent over a hundred, a day that a month may lack, and an unknown paper.
    """
    hold_coop(session)
    coop = session.get_one(Cooperative, 1)
    name = " ".join(name.split())
    if not name:
        raise Refusal("The co-op’s name is empty.")
    if len(name) > 120:
        raise Refusal(f"The name has {len(name)} letters: 120 is the most.")
    if not commission_percent.is_finite() or not 0 <= commission_percent <= 100:
        raise Refusal(f"A commission of {commission_percent} percent is not between 0 and 100.")
    if not 1 <= payout_day <= 28:
        raise Refusal(f"Payouts on day {payout_day}: choose a day of the month from 1 to 28, such as 10.")
    if paper not in PAPERS:
        raise Refusal(f"The paper is {' or '.join(PAPERS)}, not {paper!r}.")
    changes = {
        "name": (coop.name, name),
        "commission": (percent(coop.commission_percent), percent(commission_percent)),
        "payout day": (str(coop.payout_day), str(payout_day)),
        "paper": (coop.paper, paper),
    }
    coop.name, coop.commission_percent, coop.payout_day, coop.paper = name, commission_percent, payout_day, paper
    session.flush()
    return audit.record_changes(session, now, "co-op", 1, changes, user_id=user_id, request_id=request_id)


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
