"""What happens by the clock: the schedule as plain data, each slot of time taken once however many processes ask.

The embedded runner asks every few seconds; with Celery, beat has a worker ask. What is due is named as an ordinary job in the
transaction that takes its slot, so it is named once or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Integer, String, delete
from sqlalchemy.orm import Mapped, Session, mapped_column

from coop.core.db import Base, UtcDateTime, insert_ignoring
from coop.core.jobs import name_job, short_job

ASK_EVERY = timedelta(seconds=15)
"""How often a process asks what is due."""
_EPOCH = datetime.fromisoformat("1970-01-01T00:00:00+00:00")
_SLOTS_KEPT_FOR = timedelta(days=14)


class ScheduleSlot(Base):
    """A scheduled thing happened in this slot of time: the primary key keeps a second beat from doing it again."""

    __tablename__ = "schedule_slot"

    schedule: Mapped[str] = mapped_column(String(60), primary_key=True)
    slot: Mapped[int] = mapped_column(Integer, primary_key=True)
    """Whole intervals since 1970."""
    at: Mapped[datetime] = mapped_column(UtcDateTime)


@dataclass(frozen=True)
class Scheduled:
    """A job named once in every slot of `every`, at the first asking after the slot begins (`offset` after UTC's)."""

    kind: str
    every: timedelta
    offset: timedelta = timedelta(0)
    queue: str = "default"


SCHEDULE = (
    Scheduled("shifts.watch", timedelta(minutes=5)),
    # 9:00 UTC is the night of every mall from Halifax to Honolulu.
    Scheduled("books.seal", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("leases.rents", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("leases.late", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("leases.lapse_offers", timedelta(days=1), offset=timedelta(hours=9)),
    # By 11:00 UTC it is the new day in Honolulu too.
    Scheduled("overflow.daily", timedelta(days=1), offset=timedelta(hours=11)),
    # 14:00 UTC is the morning of the same malls.
    Scheduled("tax.remind", timedelta(days=1), offset=timedelta(hours=14)),
    Scheduled("overflow.remind", timedelta(days=1), offset=timedelta(hours=14)),
    Scheduled("shifts.remind", timedelta(days=1), offset=timedelta(hours=14)),
    Scheduled("shifts.ask_answers", timedelta(days=1), offset=timedelta(hours=14)),
    Scheduled("shifts.lapse_offers", timedelta(hours=1)),
    Scheduled("core.forget_slots", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("core.forget_jobs", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("core.forget_mail_attempts", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("dealers.forget_sign_ins", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("dealers.forget_links", timedelta(days=1), offset=timedelta(hours=9)),
    Scheduled("sales.forget_layaway_buyers", timedelta(days=1), offset=timedelta(hours=9)),
)


def take_slot(session: Session, now: datetime, schedule: str, every: timedelta, offset: timedelta = timedelta(0)) -> bool:
    """Whether this caller is the one to do the scheduled thing in this slot of time (slots begin `offset` after UTC's)."""
    slot = (now - offset - _EPOCH) // every
    take = insert_ignoring(session, ScheduleSlot).values(schedule=schedule, slot=slot, at=now)
    # RETURNING, not a count of rows: psycopg does not count those of an insert the ORM has prepared.
    return session.scalar(take.returning(ScheduleSlot.slot)) is not None


def name_due(session: Session, now: datetime) -> list[str]:
    """Name the jobs whose slot has come and that nobody has named yet; their kinds."""
    due = [each for each in SCHEDULE if take_slot(session, now, each.kind, each.every, each.offset)]
    for each in due:
        name_job(session, now, each.kind, {}, queue=each.queue)
    return [each.kind for each in due]


@short_job("core.forget_slots")
def _forget_slots(session: Session, now: datetime, args: dict[str, Any]) -> None:
    session.execute(delete(ScheduleSlot).where(ScheduleSlot.at < now - _SLOTS_KEPT_FOR))
