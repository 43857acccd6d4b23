"""Posts, and how many people their spans need: dated, ended and not changed."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.templating import day as written
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.editing import By
from coop.leases.holding import lock, today_at
from coop.shifts.domain.demand import Need, need_words
from coop.shifts.domain.hours import DAY_MINUTES
from coop.shifts.models import POST_KINDS, Post, PostNeed
from coop.shifts.rules import NOBODY

KIND_WORDS = {"desk": "at the desk", "floor": "on the floor", "opening": "at opening", "closing": "at closing"}
_ENDS = ("clock", "open", "close")


def needs_of(session: Session, mall_id: int, first: date = date.min, last: date = date.max) -> list[Need]:
    """The needs of a mall's posts that hold on any day between two, by post, then beginning."""
    rows = (
        select(PostNeed, Post)
        .join(Post, Post.id == PostNeed.post_id)
        .where(Post.mall_id == mall_id, PostNeed.starts_on <= last, or_(PostNeed.ends_on.is_(None), PostNeed.ends_on >= first))
        .order_by(Post.name, PostNeed.starts_on, PostNeed.id)
    )
    return [need_of(need, post) for need, post in session.execute(rows)]


def need_of(row: PostNeed, post: Post) -> Need:
    return Need(
        id=row.id,
        post_id=post.id,
        post=post.name,
        kind=post.kind,
        starts_on=row.starts_on,
        ends_on=row.ends_on,
        weekdays=row.weekdays,
        from_what=row.from_what,
        from_min=row.from_min,
        to_what=row.to_what,
        to_min=row.to_min,
        people=row.people,
        key_holders=row.key_holders,
    )


def add_post(session: Session, now: datetime, mall: Mall, name: str, kind: str, *, by: By = NOBODY) -> Post:
    """A place where people stand. Refuses an empty or taken name and an unknown kind."""
    hold_mall(session, mall.id)
    name = _wanted_name(session, mall.id, name, None)
    _require_kind(kind)
    post = Post(mall_id=mall.id, name=name, kind=kind)
    session.add(post)
    session.flush()
    _log(session, now, by, "post made", post, f"{mall.code} {name}, {KIND_WORDS[kind]}")
    return post


def rename_post(session: Session, now: datetime, post: Post, name: str, kind: str, *, by: By = NOBODY) -> None:
    """Another name or kind, which turns of months past have too."""
    hold_mall(session, post.mall_id)
    lock(session, post)
    name = _wanted_name(session, post.mall_id, name, post.id)
    _require_kind(kind)
    _log(session, now, by, "post renamed", post, f"{post.name}, {KIND_WORDS[post.kind]}: {name}, {KIND_WORDS[kind]}")
    post.name, post.kind = name, kind
    session.flush()


def _wanted_name(session: Session, mall_id: int, name: str, own_id: int | None) -> str:
    name = " ".join(name.split())
    if not name:
        raise Refusal("The post has no name: write where people stand, such as Desk.")
    if len(name) > 40:
        raise Refusal(f"The post's name has {len(name)} letters: 40 is the most.")
    taken = session.scalars(select(Post).where(Post.mall_id == mall_id))
    if any(post.name.lower() == name.lower() and post.id != own_id for post in taken):
        raise Refusal(f"There is a post {name} already: choose another name.")
    return name


def _require_kind(kind: str) -> None:
    if kind not in POST_KINDS:
        raise Refusal(f"The post's kind is {kind!r}: choose one of {', '.join(POST_KINDS)}.")


def add_need(
    session: Session,
    now: datetime,
    post: Post,
    *,
    starts_on: date,
    weekdays: int,
    from_what: str = "open",
    from_min: int = 0,
    to_what: str = "close",
    to_min: int = 0,
    people: int = 1,
    key_holders: int = 0,
    by: By = NOBODY,
) -> PostNeed:
    """A span of weekdays (bit 0 is Monday) with the people it needs, from a day on.

    Refuses, naming the field, what cannot be meant. Two spans of one post may overlap: their people stand beside each other.
    """
    if not 1 <= weekdays <= 127:
        raise Refusal("No weekday is chosen: choose one at least.")
    if not 1 <= people <= 20:
        raise Refusal(f"The number of people is {people}: write 1 to 20.")
    if not 0 <= key_holders <= people:
        raise Refusal(f"{key_holders} of {people} are to hold a key: write 0 to {people}.")
    for what, minutes, edge in ((from_what, from_min, "from"), (to_what, to_min, "to")):
        if what not in _ENDS:
            raise Refusal(f"The span's {edge} is by {what!r}: choose one of {', '.join(_ENDS)}.")
        if not (0 if what == "clock" else -DAY_MINUTES) <= minutes <= DAY_MINUTES:
            raise Refusal(f"The span's {edge} is {minutes} minutes: write at most a day.")
    if from_what == to_what and from_min >= to_min:
        raise Refusal("The span ends before it begins: write the earlier time first.")
    if from_what == "close" and to_what == "open":
        raise Refusal("The span is counted from closing to opening: turn the two round.")
    row = PostNeed(
        post_id=post.id,
        starts_on=starts_on,
        ends_on=None,
        weekdays=weekdays,
        from_what=from_what,
        from_min=from_min,
        to_what=to_what,
        to_min=to_min,
        people=people,
        key_holders=key_holders,
    )
    session.add(row)
    session.flush()
    _log(session, now, by, "need of a post set", post, f"{post.name}: {need_words(need_of(row, post))}, from {starts_on}")
    return row


def end_need(session: Session, now: datetime, row: PostNeed, ends_on: date, *, by: By = NOBODY) -> None:
    """End a need on a day; one that begins on a later day than today is taken away with a last day before its first.

    Refuses a day that is past. Rotas published meanwhile keep their turns.
    """
    post = session.get_one(Post, row.post_id)
    hold_mall(session, post.mall_id)
    lock(session, row)
    today = today_at(session, now, post.mall_id)
    if ends_on < today - timedelta(days=1):
        raise Refusal(f"{written(ends_on)} is past: choose yesterday or a later day.")
    _log(session, now, by, "need of a post ended", post, f"{need_words(need_of(row, post))}, through {ends_on}")
    if ends_on < row.starts_on:
        session.delete(row)
    else:
        row.ends_on = ends_on
    session.flush()


def _log(session: Session, now: datetime, by: By, action: str, post: Post, detail: str) -> None:
    audit.record(session, now, action, "post", post.id, user_id=by.user_id, request_id=by.request_id, detail=detail)
