"""Who is at the desk now: the published turns that are going on at each mall, and whether somebody has signed in to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.shifts.models import Turn
from coop.shifts.queries import PUBLISHED, STANDING, TurnRow, turn_rows
from coop.shifts.turn_models import Attendance
from coop.shifts.wording import clock, minute_of


@dataclass(frozen=True)
class OnTurn:
    """A turn that is going on."""

    row: TurnRow
    came: Attendance | None

    @property
    def state(self) -> str:
        """`signed in 9:58 am`, `left 1:30 pm`, `not signed in`; nothing of a turn that nobody has."""
        if self.came is not None and self.came.signed_out_at is not None:
            return f"left {self._at(self.came.signed_out_at)}"
        if self.came is not None and self.came.signed_in_at is not None:
            return f"signed in {self._at(self.came.signed_in_at)}"
        return "not signed in" if self.row.turn.member_id is not None else ""

    @property
    def is_there(self) -> bool:
        return self.came is not None and self.came.signed_in_at is not None and self.came.signed_out_at is None

    @property
    def until(self) -> str:
        return self._at(self.row.turn.ends_at)

    def _at(self, moment: datetime) -> str:
        return clock(minute_of(moment, self.row.mall.timezone))


def on_turn(session: Session, now: datetime) -> Sequence[OnTurn]:
    """Turns of every mall that have begun and not ended, by mall. Two queries."""
    rows = turn_rows(session, PUBLISHED, STANDING, Turn.starts_at <= now, Turn.ends_at > now)
    ids = [row.turn.id for row in rows]
    came: Mapping[int, Attendance] = (
        {one.turn_id: one for one in session.scalars(select(Attendance).where(Attendance.turn_id.in_(ids)))} if ids else {}
    )
    return [OnTurn(row, came.get(row.turn.id)) for row in sorted(rows, key=lambda row: row.mall.code)]
