"""A mall with a draft of December: a desk in two halves of the day, the floor on Saturdays, four dealers, nobody seated yet."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.shifts.models import Post, Rota, Turn
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.turns import lay_fact, lay_mall, lay_rota

DECEMBER = Month(2026, 12)
CODES = ("D01", "D02", "D03", "D04")
"""All hold keys and are trained but D04."""


class Drafted:
    """Ids of what was built; the mall goes by Chicago's clock."""

    def __init__(self, sessions: Sessions, now: datetime, **rules: Any) -> None:
        self.sessions, self.now = sessions, now
        with transaction(sessions) as session:
            make_coop(session, now)
            mall = make_mall(session, now)
            make_rate(session, mall)
            lay_mall(session, mall, most_week=6, most_in_row=6, **rules)
            self.mall_id = mall.id
            self.members: dict[str, int] = {}
            for code in CODES:
                dealer = make_dealer(session, now, code)
                make_lease(session, now, mall, dealer, [make_space(session, now, mall, code)])
                self.members[code] = dealer.member_id
                if code != "D04":
                    lay_fact(session, dealer.member_id, "trained")
                    lay_fact(session, dealer.member_id, "keys")
            self.rota_id = lay_rota(session, mall, DECEMBER).id

    def rota(self, session: Session) -> Rota:
        return session.get_one(Rota, self.rota_id)

    def turn(self, session: Session, day: int, *, opens: bool = True, post: str = "Desk") -> Turn:
        """The desk's morning of a day in December, or its afternoon; or the floor's whole day."""
        rows = select(Turn).join(Post, Post.id == Turn.post_id).where(Turn.rota_id == self.rota_id, Post.name == post)
        return session.scalars(rows.where(Turn.on_date == date(2026, 12, day), Turn.opens == opens)).one()

    def seat(self, code: str, *days: int, opens: bool = True) -> None:
        """Have a dealer at the desk on these days, beside the service."""
        with transaction(self.sessions) as session:
            for day in days:
                self.turn(session, day, opens=opens).member_id = self.members[code]

    def version(self, session: Session) -> int:
        return self.rota(session).version
