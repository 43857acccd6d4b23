"""The list of rotas: by mall and month, what is drafted, published and uncovered, who has answered, and until when."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.shifts.answering import last_day_to_answer
from coop.shifts.models import MonthAnswer, Post, Rota, Turn
from coop.shifts.owing import workers_of

AHEAD, BACK = 2, 11
"""Months shown unasked: so many to come, so many that are past."""


@dataclass(frozen=True)
class Counts:
    """Turns of a rota that stand, and how many of them nobody has."""

    turns: int = 0
    uncovered: int = 0


@dataclass(frozen=True)
class Answers:
    """Who has said when they can, of a month that is not published: how many of how many, and until when they may."""

    given: int
    of: int
    by: date
    over: bool


@dataclass(frozen=True)
class RotaLine:
    """A month of the list."""

    month: Month
    rota: Rota | None
    counts: Counts
    job: str
    """State of the last draft's work; empty: none was asked for."""
    answers: Answers | None
    """None once it is published, or past."""

    @property
    def state(self) -> str:
        if self.rota is None:
            return "none"
        if self.rota.state == "published":
            return "published"
        if self.job in ("queued", "running"):
            return "drafting"
        return "failed" if self.job == "failed" else "drafted" if self.rota.drafted_at else "begun"


@dataclass(frozen=True)
class MallRotas:
    mall: Mall
    lines: Sequence[RotaLine]
    """The latest first."""
    older: bool
    """Whether there are months before these."""
    has_posts: bool


def mall_rotas(session: Session, now: datetime, malls: Sequence[Mall], *, older: bool = False) -> list[MallRotas]:
    """Each mall's months, from two to come back to a year ago; all there ever were where `older` is asked."""
    rotas: dict[int, dict[Month, Rota]] = {}
    for rota in session.scalars(select(Rota)):
        rotas.setdefault(rota.mall_id, {})[Month.of(rota.first_day)] = rota
    with_posts = set(session.scalars(select(Post.mall_id).distinct()))
    counts = counts_of(session, [rota.id for of in rotas.values() for rota in of.values()])
    jobs = _jobs(session, [rota for of in rotas.values() for rota in of.values()])
    made = []
    for mall in malls:
        there, today = rotas.get(mall.id, {}), local_date(now, mall.timezone)
        current = Month.of(today)
        latest = max([_after(current, AHEAD), *there])
        first = min([current, *there])
        shown = _months(max(first, _before(current, BACK)) if not older else first, latest)
        lines = []
        for month in reversed(shown):
            found = there.get(month)
            to_come = month >= current and (found is None or found.state == "draft") and mall.id in with_posts
            lines.append(
                RotaLine(
                    month,
                    found,
                    counts.get(found.id, Counts()) if found else Counts(),
                    jobs.get(found.id, "") if found else "",
                    answers_of(session, mall, month, today) if to_come else None,
                )
            )
        made.append(MallRotas(mall, lines, shown[0] > first, mall.id in with_posts))
    return made


def _after(month: Month, months: int) -> Month:
    for _ in range(months):
        month = month.next
    return month


def _before(month: Month, months: int) -> Month:
    for _ in range(months):
        month = month.previous
    return month


def _months(first: Month, last: Month) -> list[Month]:
    found = [first]
    while found[-1] < last:
        found.append(found[-1].next)
    return found


def counts_of(session: Session, rota_ids: Sequence[int]) -> dict[int, Counts]:
    """Turns of these rotas that stand, by rota."""
    rows = session.execute(
        select(Turn.rota_id, func.count(), func.count(Turn.member_id))
        .where(Turn.rota_id.in_(rota_ids), Turn.state == "standing")
        .group_by(Turn.rota_id)
    )
    return {rota_id: Counts(turns, turns - covered) for rota_id, turns, covered in rows}


def _jobs(session: Session, rotas: Iterable[Rota]) -> dict[int, str]:
    """State of the last draft's work, by rota."""
    by_job = {rota.job_id: rota.id for rota in rotas if rota.job_id is not None}
    return {by_job[job_id]: state for job_id, state in session.execute(select(Job.id, Job.state).where(Job.id.in_(by_job)))}


def answers_of(session: Session, mall: Mall, month: Month, today: date) -> Answers:
    workers = {worker.member_id for worker in workers_of(session, mall, month)}
    given = answered(session, month, workers)
    by = last_day_to_answer(session, mall, month)
    return Answers(len(given), len(workers), by, by < today)


def answered(session: Session, month: Month, member_ids: Iterable[int]) -> set[int]:
    """Those of these members who have answered for a month."""
    wanted = select(MonthAnswer.member_id).where(MonthAnswer.first_day == month.first_day, MonthAnswer.member_id.in_(member_ids))
    return set(session.scalars(wanted))
