"""A month-end as many small jobs: begun or taken up again by anybody, killed anywhere, the same in the end."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import String, cast, func, literal, select
from sqlalchemy.orm import Session

from coop.closing import queries
from coop.closing.models import CloseStep, MonthClose
from coop.closing.queries import group_of as group_of
from coop.closing.steps import BEFORE_LOCK, BODIES, TITLES, StepRefused
from coop.core import audit, clock, faults
from coop.core.db import insert_ignoring
from coop.core.errors import Refusal
from coop.core.jobs import Job, JobRun, Later, long_job, name_job, name_jobs, retry_failed
from coop.core.mail import JOB_KEY, Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.statements.models import Statement
from coop.statements.service import queue_statement_mail

_WATCH_EVERY = timedelta(seconds=1)


def start_close(
    session: Session,
    now: datetime,
    *,
    mall_id: int,
    month: Month,
    user_id: int | None = None,
    request_id: str = "",
) -> MonthClose:
    """Begin a mall's month-end, or take it up again where it stopped. Begun twice at once, it is one month-end.

    Refuses a month that is not over.
    """
    mall = session.get_one(Mall, mall_id)
    if clock.local_date(now, mall.timezone) <= month.last_day:
        raise Refusal(f"{month.name} is not over yet at {mall.name}: it can close from {month.next.first_day}.")
    wanted = select(MonthClose).where(MonthClose.mall_id == mall.id, MonthClose.first_day == month.first_day)
    made = session.scalar(
        insert_ignoring(session, MonthClose)
        .values(mall_id=mall.id, first_day=month.first_day, started_by=user_id, started_at=now)
        .returning(MonthClose.id)
    )
    close = session.scalars(wanted.with_for_update()).one()
    if made:
        session.add_all(CloseStep(close_id=close.id, name=name, position=n) for n, name in enumerate(TITLES))
        session.flush()
        session.refresh(close)
    audit.record(
        session,
        now,
        "month-end begun" if made else "month-end taken up again",
        "month",
        f"{mall.code} {month}",
        user_id=user_id,
        request_id=request_id,
    )
    again = {step.name for step in close.steps if step.state == "refused"}
    if "statements" in again:
        again.add("mail")  # those that are made only now go out too; the others' letters stay as they are
    for step in close.steps:
        if step.name in again and step.state in ("refused", "done"):
            step.state, step.report, step.mend, step.tries = "waiting", "", "", step.tries + 1
            step.finished_at = None
    retry_failed(session, now, group_of(close.id))
    _name_step(session, now, close, request_id=request_id)
    session.flush()
    return close


def _name_step(session: Session, now: datetime, close: MonthClose, *, request_id: str = "") -> None:
    """Name the job of the first step that is not done; nothing when all are."""
    step = next((s for s in close.steps if s.state in ("waiting", "running")), None)
    if step is not None:
        name_job(
            session,
            now,
            "closing.step",
            {"close_id": close.id, "step": step.name},
            queue="default",
            key=f"{group_of(close.id)}:{step.name}:{step.tries}",
            group_key=group_of(close.id),
            request_id=request_id,
        )


@long_job("closing.step")
def run_step(run: JobRun, args: dict[str, Any]) -> None:
    """Do one step in one transaction, and name the next. A refusal is recorded on the step, with nothing of it done."""
    name = args["step"]
    try:
        with run.transaction() as session:
            close, step, mall, month = _held(session, args)
            if step.state not in ("done", "refused"):
                step.state = "running"
                if name in BODIES:
                    step.report = BODIES[name](session, run.clock(), mall, month).report
                    step.state, step.finished_at = "done", run.clock()
                    if name == "lock":
                        close.locked_at = run.clock()
                elif name == "statements":
                    _name_statements(session, run.clock(), close, mall, month)
                else:
                    _name_mails(session, run.clock(), close, mall, month, run.settings.mail_domain)
                session.flush()
            if step.state == "running":
                _name_watch(session, run.clock(), close, step)
            else:
                _name_step(session, run.clock(), close)
            run.finish(session)
            faults.point(f"close:{name}:before-commit")
    except StepRefused as refused:
        with run.transaction() as session:
            _close, step, _mall, _month = _held(session, args)
            step.state, step.report, step.mend = "refused", str(refused), refused.mend
            run.finish(session)
    faults.point(f"close:{name}:done")


def _held(session: Session, args: dict[str, Any]) -> tuple[MonthClose, CloseStep, Mall, Month]:
    close = session.scalars(
        select(MonthClose).where(MonthClose.id == args["close_id"]).with_for_update().execution_options(populate_existing=True)
    ).one()
    step = next(s for s in close.steps if s.name == args["step"])
    return close, step, session.get_one(Mall, close.mall_id), Month.of(close.first_day)


def _name_statements(session: Session, now: datetime, close: MonthClose, mall: Mall, month: Month) -> None:
    """A job for each dealer of the month: build, freeze, render."""
    dealers = [row.dealer_id for row in queries.dealer_rows(session, mall.id, month)]
    name_jobs(
        session,
        now,
        "statements.make",
        [(f"statement:{mall.id}:{d}:{month}", {"mall_id": mall.id, "dealer_id": d, "month": str(month)}) for d in dealers],
        queue="statements",
        group_key=group_of(close.id),
    )
    _step(close, "statements").progress_total = len(dealers)


def _name_mails(session: Session, now: datetime, close: MonthClose, mall: Mall, month: Month, mail_domain: str) -> None:
    """A mail for each statement whose dealer has an address that a letter can bear; the others are printed."""
    statements = session.scalars(
        select(Statement)
        .where(
            Statement.mall_id == mall.id,
            Statement.first_day == month.first_day,
            Statement.document_id.is_not(None),
            Statement.outbox_id.is_(None),
        )
        .order_by(Statement.number)
    ).all()
    for statement in statements:
        with suppress(Refusal):
            queue_statement_mail(session, now, statement, mail_domain=mail_domain, group_key=group_of(close.id))
    session.flush()
    _step(close, "mail").progress_total = (
        session.scalar(
            select(func.count(Statement.id)).where(
                Statement.mall_id == mall.id, Statement.first_day == month.first_day, Statement.outbox_id.is_not(None)
            )
        )
        or 0
    )


def _step(close: MonthClose, name: str) -> CloseStep:
    return next(s for s in close.steps if s.name == name)


def _name_watch(session: Session, now: datetime, close: MonthClose, step: CloseStep) -> None:
    name_job(
        session,
        now,
        "closing.watch",
        {"close_id": close.id, "step": step.name},
        queue="default",
        key=f"{group_of(close.id)}:{step.name}:{step.tries}:watch",
        group_key=group_of(close.id),
    )


@dataclass(frozen=True)
class _Standing:
    """How the many jobs of a step stand."""

    done: int
    pending: int
    report: str
    failed: bool


@long_job("closing.watch")
def watch_step(run: JobRun, args: dict[str, Any]) -> None:
    """See how the many jobs of a step stand; when all have ended, end the step and name the next. Else come back in a second."""
    with run.transaction() as session:
        close, step, mall, month = _held(session, args)
        standing = (_statements_standing if step.name == "statements" else _mail_standing)(session, close, mall, month)
        step.progress_done = standing.done
        waiting = standing.pending > 0
        if not waiting:
            step.report, step.finished_at = standing.report, run.clock()
            step.state = "refused" if standing.failed else "done"
            if step.name == "mail" and all(s.state == "done" for s in close.steps):
                close.finished_at = run.clock()
            # One dealer's failure does not keep the others from their mail.
            _name_step(session, run.clock(), close)
            run.finish(session)
            faults.point(f"close:{step.name}:watched")
    if waiting:
        raise Later(_WATCH_EVERY, f"{standing.pending} to go")


def _statements_standing(session: Session, close: MonthClose, mall: Mall, month: Month) -> _Standing:
    made = session.scalar(
        select(func.count(Statement.id)).where(
            Statement.mall_id == mall.id, Statement.first_day == month.first_day, Statement.document_id.is_not(None)
        )
    )
    jobs = select(Job).where(Job.group_key == group_of(close.id), Job.kind == "statements.make")
    pending = session.scalar(select(func.count()).select_from(jobs.where(Job.state.in_(("queued", "running"))).subquery()))
    failed = session.scalars(jobs.where(Job.state == "failed").order_by(Job.id)).all()
    report = f"{made:,} statements are made."
    if failed:
        codes = [session.get_one(Dealer, job.args["dealer_id"]).code for job in failed]
        report += f" Not made: {', '.join(codes)}. The first said: {failed[0].error}"
    return _Standing(made or 0, pending or 0, report, bool(failed))


def _mail_standing(session: Session, close: MonthClose, mall: Mall, month: Month) -> _Standing:
    of_month = (Statement.mall_id == mall.id, Statement.first_day == month.first_day)
    states = session.execute(
        select(Outbox.state, Outbox.attempts, Job.state)
        .join(Statement, Statement.outbox_id == Outbox.id)
        .outerjoin(Job, Job.key == literal(JOB_KEY) + cast(Outbox.id, String))
        .where(*of_month)
    ).all()
    sent = pending = put_off = failed = 0
    for state, attempts, job in states:
        if state == "sent":
            sent += 1
        elif state in ("failed", "given_up") or job == "failed":
            failed += 1
        # One that was tried and put off goes on being tried by itself: the month-end does not wait days for a mail server.
        elif state == "queued" and attempts:
            put_off += 1
        else:
            pending += 1
    printed = session.scalar(
        select(func.count(Statement.id)).where(*of_month, Statement.outbox_id.is_(None), Statement.document_id.is_not(None))
    )
    parts = [f"{sent:,} are sent"]
    if put_off:
        parts.append(f"{put_off:,} were put off by the mail server and go on being tried")
    if failed:
        parts.append(f"{failed:,} could not be delivered: see Letters")
    if printed:
        parts.append(f"{printed:,} dealers have no mail address that can be used: print theirs")
    return _Standing(sent, pending, "; ".join(parts) + ".", False)


@dataclass(frozen=True)
class DryStep:
    """What a step would say."""

    name: str
    state: str
    report: str


def rehearse_close(session: Session, now: datetime, mall: Mall, month: Month) -> list[DryStep]:
    """Do every step up to the lock in the caller's transaction, which the caller rolls back; what each said.

    A step that refuses does not keep the later ones from being tried.
    """
    said = []
    for name, body in BEFORE_LOCK.items():
        try:
            with session.begin_nested():
                said.append(DryStep(name, "done", body(session, now, mall, month).report))
        except (StepRefused, Refusal) as refused:
            said.append(DryStep(name, "refused", str(refused)))
    return said
