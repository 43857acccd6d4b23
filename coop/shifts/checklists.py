"""What a mall does at opening and closing: its own list, set by the manager, ticked by whoever is on and kept with who."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.dealers.models import Member, UserAccount
from coop.floor.models import Mall
from coop.floor.service import hold_mall
from coop.leases.editing import By
from coop.shifts.models import Rota, Turn
from coop.shifts.rules import NOBODY
from coop.shifts.turn_models import ChecklistItem, ChecklistTick

KINDS = {"opening": "at opening", "closing": "at closing"}
MOST_ITEMS = 60
LONGEST = 200


@dataclass(frozen=True)
class Line:
    """A line of a list on a day: who ticked it and when, or nobody."""

    item: ChecklistItem
    tick: ChecklistTick | None
    ticked_by: str


@dataclass(frozen=True)
class Unticked:
    """A list of a day of which something was not ticked."""

    on: date
    kind: str
    words: tuple[str, ...]


def items_on(session: Session, mall_id: int, on: date) -> list[ChecklistItem]:
    """The lines of both lists of a mall on a day, in their order."""
    return list(session.scalars(_running(mall_id, on, on)))


def _running(mall_id: int, first: date, last: date) -> Select[ChecklistItem]:
    return (
        select(ChecklistItem)
        .where(
            ChecklistItem.mall_id == mall_id,
            ChecklistItem.starts_on <= last,
            or_(ChecklistItem.ended_on.is_(None), ChecklistItem.ended_on >= first),
        )
        # As the day goes: opening, then closing.
        .order_by(ChecklistItem.kind.desc(), ChecklistItem.place, ChecklistItem.id)
    )


def lines_on(session: Session, mall_id: int, on: date) -> dict[str, list[Line]]:
    """A mall's lists on a day with what was ticked, by kind; a list without a line is left out. Two queries."""
    items = items_on(session, mall_id, on)
    rows = session.execute(
        select(ChecklistTick, func.coalesce(Member.name, UserAccount.email))
        .join(UserAccount, UserAccount.id == ChecklistTick.user_id)
        .outerjoin(Member, Member.id == func.coalesce(ChecklistTick.member_id, UserAccount.member_id))
        .where(ChecklistTick.on_date == on, ChecklistTick.item_id.in_([item.id for item in items]))
    )
    ticks = {tick.item_id: (tick, who) for tick, who in rows}
    lists: dict[str, list[Line]] = {}
    for item in items:
        tick, who = ticks.get(item.id, (None, ""))
        lists.setdefault(item.kind, []).append(Line(item, tick, who))
    return lists


def unticked(session: Session, mall: Mall, month: Month, today: date) -> list[Unticked]:
    """What was left undone on the days of a month before today on which the mall had turns, the latest first. Three queries."""
    last = min(month.last_day, today - timedelta(days=1))
    days = session.scalars(
        select(Turn.on_date)
        .join(Rota, Rota.id == Turn.rota_id)
        .where(
            Turn.mall_id == mall.id,
            Rota.state == "published",
            Turn.state == "standing",
            Turn.on_date.between(month.first_day, last),
        )
        .distinct()
    ).all()
    items = session.scalars(_running(mall.id, month.first_day, last)).all() if days else []
    if not items:
        return []
    rows = session.execute(
        select(ChecklistTick.item_id, ChecklistTick.on_date).where(
            ChecklistTick.item_id.in_([item.id for item in items]), ChecklistTick.on_date.between(month.first_day, last)
        )
    )
    ticked = {(item_id, on) for item_id, on in rows}
    found: dict[tuple[date, str], list[str]] = {}
    for on in sorted(days, reverse=True):
        for item in items:
            if _runs(item, on) and (item.id, on) not in ticked:
                found.setdefault((on, item.kind), []).append(item.words)
    return [Unticked(on, kind, tuple(words)) for (on, kind), words in found.items()]


def _runs(item: ChecklistItem, on: date) -> bool:
    return item.starts_on <= on and (item.ended_on is None or on <= item.ended_on)


def tick(
    session: Session,
    now: datetime,
    mall: Mall,
    item_ids: Iterable[int],
    *,
    user_id: int,
    member_id: int | None = None,
) -> int:
    """Tick lines of today's lists; how many were not ticked yet. A tick stays: who was first stands.

    `member_id` says who of those on did it, where one device is signed in for all. Refuses a line that is not on today's lists.
    """
    hold_mall(session, mall.id)
    today = local_date(now, mall.timezone)
    wanted = list(dict.fromkeys(item_ids))
    on_lists = {item.id for item in items_on(session, mall.id, today)}
    if not on_lists.issuperset(wanted):
        raise Refusal(f"A line of the list is not on it any more on {written(today)}: look at the list again.")
    there = select(ChecklistTick.item_id).where(ChecklistTick.on_date == today, ChecklistTick.item_id.in_(wanted))
    ticked = set(session.scalars(there))
    new = [item_id for item_id in wanted if item_id not in ticked]
    session.add_all(
        ChecklistTick(item_id=item_id, on_date=today, ticked_at=now, user_id=user_id, member_id=member_id) for item_id in new
    )
    session.flush()
    return len(new)


# --- set by the manager ---------------------------------------------------------------------------------------------------


def set_list(
    session: Session, now: datetime, mall: Mall, kind: str, words: Iterable[str], *, by: By = NOBODY
) -> list[ChecklistItem]:
    """Make a list of a mall what it is from today on, in this order. Lines that stay keep their ticks; others end or begin today.

    Refuses a kind that is not known, a line written twice or longer than 200 letters, and more than 60 lines.
    """
    lines = [" ".join(line.split()) for line in words]
    lines = [line for line in lines if line]
    if kind not in KINDS:
        raise Refusal(f"The list is {kind!r}: choose one of {', '.join(KINDS)}.")
    if len(lines) > MOST_ITEMS:
        raise Refusal(f"The list has {len(lines)} lines: {MOST_ITEMS} is the most.")
    seen: set[str] = set()
    for line in lines:
        if len(line) > LONGEST:
            raise Refusal(f"A line has {len(line)} letters: {LONGEST} is the most. It begins: {line[:40]}")
        if line.lower() in seen:
            raise Refusal(f"{line!r} is on the list twice: write it once.")
        seen.add(line.lower())
    hold_mall(session, mall.id)
    today = local_date(now, mall.timezone)
    there = {item.words: item for item in items_on(session, mall.id, today) if item.kind == kind}
    for words_before, item in there.items():
        if words_before not in lines:
            _end(session, item, today)
    kept = []
    for place, line in enumerate(lines, start=1):
        item = there.get(line) or ChecklistItem(mall_id=mall.id, kind=kind, words=line, starts_on=today, ended_on=None)
        item.place, item.ended_on = place, None
        session.add(item)
        kept.append(item)
    session.flush()
    audit.record(
        session,
        now,
        "checklist set",
        "mall",
        mall.code,
        user_id=by.user_id,
        request_id=by.request_id,
        detail=f"{KINDS[kind]}, {len(lines)} lines",
    )
    return kept


def _end(session: Session, item: ChecklistItem, today: date) -> None:
    """A line ends with the day before; ticked today, it stays until tonight; begun today and not ticked, it never was."""
    used = session.scalar(select(ChecklistTick.id).where(ChecklistTick.item_id == item.id, ChecklistTick.on_date == today))
    if used is not None:
        item.ended_on = today
    elif item.starts_on == today:
        session.delete(item)
    else:
        item.ended_on = today - timedelta(days=1)
