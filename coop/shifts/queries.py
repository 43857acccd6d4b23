"""Turns as people read them: which, where, when, with whom. Reads alone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session, aliased

from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.shifts.models import Post, Rota, Turn, TurnHelper
from coop.shifts.turn_models import TurnOffer
from coop.shifts.wording import hours_of, turn_said, weekday_of


@dataclass(frozen=True)
class TurnRow:
    """A turn with what it takes to say it."""

    turn: Turn
    post: str
    mall: Mall
    member: str
    """The name of whoever comes; empty: nobody."""
    for_member: str
    """Whose turn it works off, where that is somebody else."""
    helper: str
    """The member's helper who comes in the member's place."""

    @property
    def hours(self) -> str:
        return hours_of(self.turn.starts_at, self.turn.ends_at, self.mall.timezone)

    @property
    def day(self) -> str:
        return weekday_of(self.turn.on_date)

    @property
    def said(self) -> str:
        """`Desk on Sat, Dec 5, 10 am to 2:30 pm`"""
        return turn_said(self.post, self.turn.on_date, self.turn.starts_at, self.turn.ends_at, self.mall.timezone)


def turn_rows(session: Session, *which: ColumnElement[bool]) -> list[TurnRow]:
    """Turns by their beginning, in one query."""
    whose = aliased(Member)
    rows = (
        select(Turn, Post.name, Mall, Member.name, whose.name, TurnHelper.name)
        .join(Post, Post.id == Turn.post_id)
        .join(Mall, Mall.id == Turn.mall_id)
        .join(Rota, Rota.id == Turn.rota_id)
        .outerjoin(Member, Member.id == Turn.member_id)
        .outerjoin(whose, whose.id == Turn.for_member_id)
        .outerjoin(TurnHelper, TurnHelper.id == Turn.helper_id)
        .where(*which)
        .order_by(Turn.starts_at, Post.name, Turn.seat, Turn.id)
    )
    return [
        TurnRow(turn, post, mall, member or "", other or "", helper or "")
        for turn, post, mall, member, other, helper in session.execute(rows)
    ]


def turn_row(session: Session, turn: Turn) -> TurnRow:
    return turn_rows(session, Turn.id == turn.id)[0]


def said(session: Session, turn: Turn) -> str:
    """A turn for a sentence: `Desk on Sat, Dec 5, 10 am to 2 pm`."""
    return turn_row(session, turn).said


def signed_at(offer: TurnOffer) -> tuple[datetime, datetime]:
    """When who offered signed a turn that is taken, and when who took it: by offering, or by agreeing to an answer."""
    last = offer.ended_at or offer.made_at
    taken = offer.answered_at or last
    return (offer.made_at if taken == last else last), taken


PUBLISHED = Rota.state == "published"
STANDING = Turn.state == "standing"


def coming_turns(session: Session, now: datetime, member_id: int) -> list[TurnRow]:
    """A member's published turns that are not over, at whatever mall, the next first."""
    return turn_rows(session, PUBLISHED, STANDING, Turn.member_id == member_id, Turn.ends_at > now)


def also_on(session: Session, turns: Sequence[Turn]) -> dict[int, list[TurnRow]]:
    """Who else is at the mall while each of these turns lasts, by its id."""
    if not turns:
        return {}
    near = turn_rows(
        session,
        PUBLISHED,
        STANDING,
        Turn.member_id.is_not(None),
        Turn.mall_id.in_({turn.mall_id for turn in turns}),
        Turn.on_date.in_({turn.on_date for turn in turns}),
    )
    found: dict[int, list[TurnRow]] = defaultdict(list)
    for turn in turns:
        for row in near:
            other = row.turn
            if (
                other.id != turn.id
                and other.mall_id == turn.mall_id
                and other.member_id != turn.member_id
                and other.starts_at < turn.ends_at
                and turn.starts_at < other.ends_at
            ):
                found[turn.id].append(row)
    return dict(found)


def names_of(session: Session, member_ids: Iterable[int | None]) -> dict[int, str]:
    """Members' names by id."""
    wanted = {one for one in member_ids if one is not None}
    if not wanted:
        return {}
    return {row.id: row.name for row in session.execute(select(Member.id, Member.name).where(Member.id.in_(wanted)))}
