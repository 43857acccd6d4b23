"""A month-end as many small jobs: begun or taken up again by anybody, killed anywhere, the same in the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import String, cast, func, literal, select
from sqlalchemy.orm import Session

from coop.closing import queries
from coop.closing.models import CloseOverride, CloseStep, MonthClose
from coop.closing.queries import group_of as group_of
from coop.closing.steps import BEFORE_LOCK, BODIES, MAY_PASS, TITLES, StepRefused, do_step, require_turn
from coop.core import audit, faults
from coop.core.behind import waits_behind
from coop.core.db import insert_ignoring
from coop.core.errors import Refusal
from coop.core.job_groups import retry_failed
from coop.core.jobs import Job, JobRun, Later, long_job, name_job, name_jobs
from coop.core.mail import JOB_KEY, Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer, RoleGrant
from coop.floor.models import Mall
from coop.statements.figures import mall_middle
from coop.statements.models import Statement
from coop.statements.service import counted, making_key

MAIL = "mail"
"""The step that mails statements."""
_WATCH_EVERY = timedelta(seconds=1)
_WATCH_BEHIND_EVERY = timedelta(seconds=10)
"""Where the work that is watched waits behind everything else."""


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

    Refuses a month that is not over, and any but the one whose turn it is; one that is closed already stays as it is.
    """
    mall = session.get_one(Mall, mall_id)
    require_turn(session, now, mall, month)
    wanted = select(MonthClose).where(MonthClose.mall_id == mall.id, MonthClose.first_day == month.first_day)
    made = session.scalar(
        insert_ignoring(session, MonthClose)
        .values(mall_id=mall.id, first_day=month.first_day, started_by=user_id, started_at=now)
        .returning(MonthClose.id)
    )
    close = session.scalars(wanted.with_for_update()).one()
    if close.finished_at is None:
        _add_steps(session, now, close)
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
            _take_up_again(step)
    retry_failed(session, now, group_of(close.id))
    _name_step(session, now, close, request_id=request_id)
    session.flush()
    return close


def _add_steps(session: Session, now: datetime, close: MonthClose) -> None:
    """Every step in its place: all of them when it begins; in one begun by a program that had fewer, those it lacks."""
    there = {step.name: step for step in close.steps}
    late = close.locked_at is not None
    for position, name in enumerate(TITLES):
        step = there.get(name)
        if step is None:
            step = CloseStep(close_id=close.id, name=name)
            if late and name in BEFORE_LOCK:
                # What comes before the lock cannot be asked of a month that is locked.
                step.state, step.report, step.finished_at = "done", "The month was locked before this was asked.", now
            session.add(step)
        step.position = position
    session.flush()
    session.refresh(close)


def let_pass(
    session: Session, now: datetime, close: MonthClose, step_name: str, *, reason: str, user_id: int | None
) -> CloseOverride:
    """Let a step pass that was refused, as the manager, with the reason; the month-end then goes on when it is taken up again.

    Refuses a step that must hold, one that is not refused, no reason, and whoever is not a manager.
    """
    session.refresh(close, with_for_update=True)
    step = next((one for one in close.steps if one.name == step_name), None)
    title = TITLES.get(step_name, step_name)
    if step is None or step_name not in MAY_PASS:
        raise Refusal(f"The step {title!r} cannot be let pass: mend what it says.")
    if step.state != "refused":
        raise Refusal(f"The step {title!r} is not refused: there is nothing to let pass.")
    if queries.override_of(session, close.mall_id, Month.of(close.first_day), step_name) is not None:
        raise Refusal(f"The step {title!r} was let pass already: take the month-end up again.")
    return _override(session, now, close, step_name, reason, user_id)


def hand_out_on_paper(session: Session, now: datetime, close: MonthClose, *, reason: str, user_id: int | None) -> CloseOverride:
    """Mail none of a month's statements, for they are handed out on paper: its last step says so, with the manager's reason.

    Refuses once the mailing has begun, and what `let_pass` refuses of reason and person.
    """
    session.refresh(close, with_for_update=True)
    if _step(close, MAIL).state != "waiting":
        raise Refusal(f"The step {TITLES[MAIL]!r} has begun: it goes on.")
    return _override(session, now, close, MAIL, reason, user_id)


def _override(
    session: Session, now: datetime, close: MonthClose, step_name: str, reason: str, user_id: int | None
) -> CloseOverride:
    reason = reason.strip()
    if not 0 < len(reason) <= 400:
        raise Refusal("Say in at most 400 characters why it may pass.")
    manager = select(RoleGrant.id).where(RoleGrant.user_id == user_id, RoleGrant.role == "manager")
    if user_id is None or session.scalar(manager) is None:
        raise Refusal("Only a manager lets a step pass: sign in as one, or name one with --by.")
    override = CloseOverride(close_id=close.id, step=step_name, reason=reason, made_by=user_id, made_at=now)
    session.add(override)
    session.flush()
    mall = session.get_one(Mall, close.mall_id)
    audit.record(
        session, now, "step let pass", "month", f"{mall.code} {Month.of(close.first_day)}", user_id=user_id, detail=step_name
    )
    return override


def _name_step(session: Session, now: datetime, close: MonthClose, *, request_id: str = "") -> None:
    """Name the job of the first step that has yet to end; when all are done, the month-end is finished."""
    step = next((s for s in close.steps if s.state in ("waiting", "running")), None)
    if step is None:
        if close.finished_at is None and all(s.state == "done" for s in close.steps):
            close.finished_at = now
    else:
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
                    step.report = do_step(session, run.clock(), name, mall, month).report
                    step.state, step.finished_at = "done", run.clock()
                    if name == "lock":
                        close.locked_at = run.clock()
                elif name == "statements":
                    _name_statements(session, run.clock(), close, mall, month)
                elif (paper := queries.override_of(session, mall.id, month, MAIL)) is not None:
                    step.report = f"None is mailed: {paper.reason}"
                    step.state, step.finished_at = "done", run.clock()
                else:
                    _name_mails(session, run.clock(), close)
                session.flush()
            if step.state == "running":
                _name_watch(session, run.clock(), close, step)
            else:
                _name_step(session, run.clock(), close)
            run.finish(session)
            faults.point(f"close:{name}:before-commit")
    except Refusal as refused:
        with run.transaction() as session:
            _close, step, _mall, _month = _held(session, args)
            step.state, step.report = "refused", str(refused)
            step.mend = refused.mend if isinstance(refused, StepRefused) else ""
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
    middle = mall_middle(session, mall.id, month)
    of_all = {"mall_id": mall.id, "month": str(month), "middle": [middle.median_cents, middle.dealers]}
    name_jobs(
        session,
        now,
        "statements.make",
        [(making_key(mall.id, d, month), {**of_all, "dealer_id": d}) for d in dealers],
        queue="statements",
        group_key=group_of(close.id),
    )
    _step(close, "statements").progress_total = len(dealers)


def _unnamed_mails(session: Session, close: MonthClose) -> list[tuple[str, int]]:
    """Each statement that is made, has no mail, and whose mail this try of the step has not asked for: (key of its job, id).

    None where they are handed out on paper.
    """
    if queries.override_of(session, close.mall_id, Month.of(close.first_day), MAIL) is not None:
        return []
    key = literal("statement-mail:") + cast(Statement.id, String) + literal(f":{_step(close, 'mail').tries}")
    rows = session.execute(
        select(key, Statement.id)
        .outerjoin(Job, Job.key == key)
        .where(
            Statement.mall_id == close.mall_id,
            Statement.first_day == close.first_day,
            Statement.document_id.is_not(None),
            Statement.outbox_id.is_(None),
            Job.id.is_(None),
        )
        .order_by(Statement.number)
    )
    return [(job_key, statement_id) for job_key, statement_id in rows]


def _name_mails(session: Session, now: datetime, close: MonthClose) -> int:
    """A job for the mail of each statement that has none yet; how many."""
    group = group_of(close.id)
    named = [(key, {"statement_id": statement_id, "group_key": group}) for key, statement_id in _unnamed_mails(session, close)]
    name_jobs(session, now, "statements.mail", named, queue="mail", group_key=group)
    return len(named)


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
    total: int
    report: str
    failed: bool
    mend: str = ""


@long_job("closing.watch")
def watch_step(run: JobRun, args: dict[str, Any]) -> None:
    """See how the many jobs of a step stand; when all have ended, end the step and name the next. Else come back in a second."""
    with run.transaction() as session:
        close, step, mall, month = _held(session, args)
        standing = (_statements_standing if step.name == "statements" else _mail_standing)(session, close, mall, month)
        step.progress_done, step.progress_total = standing.done, standing.total
        pending = standing.pending
        # Statements made anew while the mails go out have theirs in this try too.
        if step.name == "mail" and not pending:
            pending = _statements_pending(session, close) or _name_mails(session, run.clock(), close)
        if not pending:
            step.report, step.mend, step.finished_at = standing.report, standing.mend, run.clock()
            step.state = "refused" if standing.failed else "done"
            mail = _step(close, "mail")
            if step.name == "statements" and mail.state == "done" and _unnamed_mails(session, close):
                _take_up_again(mail)
            # One dealer's failure does not keep the others from their mail.
            _name_step(session, run.clock(), close)
            run.finish(session)
            faults.point(f"close:{step.name}:watched")
        every = _WATCH_BEHIND_EVERY if pending and waits_behind(session, group_of(close.id)) else _WATCH_EVERY
    if pending:
        raise Later(every, f"{pending} to go")


def _take_up_again(step: CloseStep) -> None:
    step.state, step.report, step.mend, step.tries = "waiting", "", "", step.tries + 1
    step.finished_at = None


def _statements_standing(session: Session, close: MonthClose, mall: Mall, month: Month) -> _Standing:
    made = (
        session.scalar(
            select(func.count(Statement.id)).where(
                Statement.mall_id == mall.id, Statement.first_day == month.first_day, Statement.document_id.is_not(None)
            )
        )
        or 0
    )
    pending, failed = _standing_of(session, close, "statements.make")
    report = f"{counted(made, 'statement')} {'is' if made == 1 else 'are'} made."
    if failed:
        codes = [session.get_one(Dealer, job.args["dealer_id"]).code for job in failed]
        report += f" Not made: {', '.join(codes)}. The first said: {failed[0].error}"
    return _Standing(made, pending, made + pending + len(failed), report, bool(failed))


def _standing_of(session: Session, close: MonthClose, kind: str) -> tuple[int, Sequence[Job]]:
    """How many of a month-end's jobs of a kind have yet to end, and those that failed."""
    jobs = select(Job).where(Job.group_key == group_of(close.id), Job.kind == kind)
    pending = session.scalar(select(func.count()).select_from(jobs.where(Job.state.in_(("queued", "running"))).subquery()))
    return pending or 0, session.scalars(jobs.where(Job.state == "failed").order_by(Job.id)).all()


def _statements_pending(session: Session, close: MonthClose) -> int:
    """Whether statements are being made again: the jobs of that step, not of those of its dealers, that have yet to end."""
    step = _step(close, "statements")
    if step.state not in ("waiting", "running"):
        return 0
    key = f"{group_of(close.id)}:{step.name}:{step.tries}"
    return (
        session.scalar(select(func.count(Job.id)).where(Job.key.in_((key, f"{key}:watch")), Job.state.in_(("queued", "running"))))
        or 0
    )


def _mail_standing(session: Session, close: MonthClose, mall: Mall, month: Month) -> _Standing:
    of_month = (Statement.mall_id == mall.id, Statement.first_day == month.first_day)
    states = session.execute(
        select(Outbox.state, Outbox.attempts, Job.state)
        .join(Statement, Statement.outbox_id == Outbox.id)
        .outerjoin(Job, Job.key == literal(JOB_KEY) + cast(Outbox.id, String))
        .where(*of_month)
    ).all()
    sent = put_off = failed = going = 0
    for state, attempts, job in states:
        if state == "sent":
            sent += 1
        elif state in ("failed", "given_up") or job == "failed":
            failed += 1
        # One that was tried and put off goes on being tried by itself: the month-end does not wait days for a mail server.
        elif state == "queued" and attempts:
            put_off += 1
        else:
            going += 1
    unwritten, failures = _standing_of(session, close, "statements.mail")
    printed = session.scalar(
        select(func.count(Statement.id)).where(*of_month, Statement.outbox_id.is_(None), Statement.document_id.is_not(None))
    )
    faulty = {job.args["statement_id"]: job for job in failures}
    parts = [f"{sent:,} {'is' if sent == 1 else 'are'} sent"]
    if put_off:
        were, go = ("was", "goes") if put_off == 1 else ("were", "go")
        parts.append(f"{put_off:,} {were} put off by the mail server and {go} on being tried")
    if failed:
        parts.append(f"{failed:,} could not be delivered: see Letters")
    if faulty:
        parts.append(f"{len(faulty):,} could not be written; the first said: {failures[0].error.rstrip('.')}")
    printed = (printed or 0) - len(faulty)
    if printed > 0:
        parts.append(
            "1 dealer has no mail address that can be used: print that statement"
            if printed == 1
            else f"{printed:,} dealers have no mail address that can be used: print theirs"
        )
    total = len(states) + unwritten + len(faulty)
    mend = "/office/letters" if failed else ""
    return _Standing(sent, going + unwritten, total, "; ".join(parts) + ".", bool(faulty), mend)


@dataclass(frozen=True)
class DryStep:
    """What a step would say."""

    name: str
    state: str
    report: str
    mend: str = ""
    """The path of the page where it is mended."""


def rehearse_close(session: Session, now: datetime, mall: Mall, month: Month) -> list[DryStep]:
    """Do every step up to the lock in the caller's transaction, which the caller rolls back; what each said.

    A step that refuses does not keep the later ones from being tried.
    """
    said = []
    for name in BEFORE_LOCK:
        try:
            with session.begin_nested():
                said.append(DryStep(name, "done", do_step(session, now, name, mall, month).report))
        except Refusal as refused:
            said.append(DryStep(name, "refused", str(refused), refused.mend if isinstance(refused, StepRefused) else ""))
    return said
