"""A mall with a published December, for offers and swaps: four dealers, a desk in two halves, each half one dealer's by turns."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.service import ensure_period
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.shifts.models import Rota, Turn
from tests.factories.house import add_person
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.turns import lay_fact, lay_mall, lay_published, lay_rota, turns_of

DECEMBER = Month(2026, 12)
CODES = ("D01", "D02", "D03", "D04")


class Swaps:
    """Tuesdays and Thursdays of December: D01 has the mornings, D02 the afternoons. Wednesdays: D03 and D04. Nobody has the rest.

    D04 is not trained and holds no key, so that D04 cannot have a turn of the desk alone.
    """

    def __init__(self, session: Session, now: datetime, **rules: Any) -> None:
        make_coop(session, now)
        mall = make_mall(session, now)
        make_rate(session, mall)
        lay_mall(session, mall, **{"paid_substitutes": True, "keys_at_ends": 0, "most_week": 3} | rules)
        self.mall_id, self.members, self.users = mall.id, {}, {}
        for code in CODES:
            dealer = make_dealer(session, now, code)
            dealer.member.email = f"{code.lower()}@example.org"
            make_lease(session, now, mall, dealer, [make_space(session, now, mall, code)])
            self.members[code] = dealer.member_id
            self.users[code] = add_person(session, now, f"{code.lower()}@example.org", ("dealer",), dealer.member_id)
            if code != "D04":
                lay_fact(session, dealer.member_id, "trained")
                lay_fact(session, dealer.member_id, "keys")
        ensure_period(session, mall.id, Month(2026, 11))
        rota = lay_rota(session, mall, DECEMBER)
        self.rota_id = rota.id
        # Of the key holders' seats only what these tests need: D04 would stand in the way of publishing else.
        for turn in turns_of(session, rota):
            turn.needs_keys = False
            pair = {1: ("D01", "D02"), 3: ("D01", "D02"), 2: ("D03", "D03")}.get(turn.on_date.weekday())
            if pair is None or (turn.on_date.weekday() == 2 and not turn.opens):
                continue
            turn.member_id = self.members[pair[0] if turn.opens else pair[1]]
        session.flush()
        lay_published(session, rota, now)

    def mall(self, session: Session) -> Mall:
        return session.get_one(Mall, self.mall_id)

    def rota(self, session: Session) -> Rota:
        return session.get_one(Rota, self.rota_id)

    def turn(self, session: Session, day: int, *, opens: bool = True) -> Turn:
        """The desk's first turn of a day in December, or its last."""
        rows = select(Turn).where(Turn.rota_id == self.rota_id, Turn.on_date == date(2026, 12, day), Turn.opens == opens)
        return session.scalars(rows.order_by(Turn.id)).first() or session.scalars(rows).one()

    def dealer(self, session: Session, code: str) -> Dealer:
        return session.scalars(select(Dealer).where(Dealer.code == code)).one()
