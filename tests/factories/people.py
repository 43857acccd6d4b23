"""An invented co-op, its malls and its dealers."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from sqlalchemy.orm import Session

from coop.dealers.membership import add_dealer, found_coop
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall
from coop.floor.service import add_mall

NAMES = {"D01": "Ida Fenwick", "D02": "Amos Pell", "D03": "Ruth Ambler"}
HALLS = {"MAIN": "Lantern Yard Antiques Hall", "EAST": "East Mill Hall"}


def make_coop(session: Session, now: datetime) -> Cooperative:
    return found_coop(session, now, "Lantern Yard Dealers' Co-op", commission_percent=Decimal(10))


def make_mall(session: Session, now: datetime, code: str = "MAIN") -> Mall:
    return add_mall(session, now, code, name=HALLS.get(code, f"Hall {code}"), timezone="America/Chicago")


def make_dealer(session: Session, now: datetime, code: str = "D01") -> Dealer:
    return add_dealer(session, now, code, name=NAMES.get(code, f"Dealer {code}"), joined_on=date(2025, 3, 1))
