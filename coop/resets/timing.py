"""Times of resets as a dealer logged them: what the next estimate is corrected by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.periods import shown_day
from coop.dealers.models import Dealer
from coop.leases.holding import lock
from coop.resets.domain.hours.tasks import COUNTED, TASK_KINDS, TaskKind
from coop.resets.domain.logged import Correction, Logged, corrections_of
from coop.resets.reset_models import Reset, ResetTime
from coop.resets.settings import setting_of

SUBJECT = "reset time"
MOST_MINUTES = 24 * 60
TASK_WORDS: Mapping[TaskKind, str] = {
    "take down": "Take down",
    "pack": "Pack smalls",
    "boxes": "Carry boxes",
    "move": "Move pieces",
    "load": "Load the van",
    "unload": "Unload the van",
    "clean": "Clean",
    "set": "Set out smalls",
    "tag": "Write tags",
    "finish": "Last look",
}


def log_time(
    session: Session,
    now: datetime,
    dealer: Dealer,
    *,
    task: str,
    minutes: int,
    count: int,
    people: int,
    on: date,
    today: date,
    reset: Reset | None = None,
    user_id: int | None = None,
) -> ResetTime:
    """So many minutes for so many of a kind of task, by so many people. Refuses nothing done, and days to come."""
    if task not in TASK_KINDS:
        raise Refusal(f"{task!r} is no kind of task: choose one of {', '.join(TASK_KINDS)}.")
    if not 0 < minutes <= MOST_MINUTES:
        raise Refusal(f"The minutes are {minutes}: write 1 to {MOST_MINUTES}, those of one stretch of work.")
    if count < 1:
        raise Refusal("The count is how many were done in that time: write 1 or more.")
    if people < 1:
        raise Refusal("At least one person did it: write how many.")
    if on > today:
        raise Refusal(f"The day {shown_day(on)} is to come: log what was done.")
    row = ResetTime(
        dealer_id=dealer.id,
        reset_id=None if reset is None else reset.id,
        task=task,
        minutes=minutes,
        people=people,
        count=count,
        on_date=on,
        created_at=now,
    )
    session.add(row)
    session.flush()
    audit.record(session, now, "time logged", SUBJECT, row.id, user_id=user_id, detail=time_words(row))
    return row


def take_back_time(session: Session, now: datetime, row: ResetTime, *, user_id: int | None = None) -> None:
    """A time that was logged by mistake: the next estimate goes without it."""
    lock(session, row)
    audit.record(session, now, "time taken back", SUBJECT, row.id, user_id=user_id, detail=time_words(row))
    session.delete(row)
    session.flush()


def time_words(row: ResetTime) -> str:
    """`pack: 3 boxes in 40 minutes by 2 people`"""
    people = "1 person" if row.people == 1 else f"{row.people} people"
    return f"{row.task}: {counted_words(row.task, row.count)} in {minutes_words(row.minutes)} by {people}"


def counted_words(task: str, count: int) -> str:
    """`3 boxes`, of what the minutes of a kind of task are counted by."""
    what = COUNTED[task]  # type: ignore[index]
    first, _, rest = what.partition(" ")
    several = f"{first}es" if first.endswith("x") else f"{first}s"
    return f"{count:,} {what}" if count == 1 else f"{count:,} {several}{' ' + rest if rest else ''}"


def minutes_words(minutes: int) -> str:
    return "1 minute" if minutes == 1 else f"{minutes} minutes"


def times_of(session: Session, dealer_id: int) -> Sequence[ResetTime]:
    """All that a dealer logged, the latest first."""
    rows = select(ResetTime).where(ResetTime.dealer_id == dealer_id)
    return session.scalars(rows.order_by(ResetTime.on_date.desc(), ResetTime.id.desc())).all()


def logged_of(session: Session, dealer_id: int) -> tuple[Logged, ...]:
    """All that a dealer logged, as the estimate reads it."""
    return tuple(
        Logged(one.task, one.minutes, one.people, one.count)  # type: ignore[arg-type]
        for one in times_of(session, dealer_id)
    )


def corrections_for(session: Session, dealer_id: int) -> list[Correction]:
    """What a dealer's logged times change of the minutes the dealer goes by, in the order of the work."""
    found = corrections_of(logged_of(session, dealer_id), setting_of(session, dealer_id).hours)
    return [found[kind] for kind in TASK_KINDS if kind in found]
