"""A reset's paper, rendered by a worker and never in a request: kept under a name that says reset, plan, day, scale and paper."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.job_groups import pending_in
from coop.core.jobs import Job, JobRun, long_job, name_job
from coop.core.pdf import PdfError, made_with
from coop.floor.models import Mall, Space
from coop.leases.pricing import named
from coop.resets.models import BoothSet
from coop.resets.planning import OPEN, group_of, helpers_of, newest_plan
from coop.resets.reset_models import Reset, ResetPlan
from coop.resets.sheets import ResetPaper, fits_one_sheet, require_paper, reset_pdf
from coop.resets.ticking import plan_numbered
from coop.resets.wording import EMPTY_BOOTH
from coop.resets.working import is_outdated

KIND = "resets.paper"


def paper_group(row: Reset) -> str:
    return f"reset-paper:{row.id}"


def _stem(row: Reset) -> str:
    return f"reset-{row.id}-"


def _file_name(session: Session, row: Reset, args: dict[str, Any]) -> str:
    space = session.get_one(Space, row.space_id)
    mall = session.get_one(Mall, space.mall_id)
    return f"{_plan_stem(row, args['plan'])}{mall.code}-{space.code}-{args['on']}-1to{args['scale']}-{args['size']}.pdf"


def _plan_stem(row: Reset, number: int) -> str:
    return f"{_stem(row)}plan{number}-"


def start_reset_pdf(session: Session, now: datetime, row: Reset, *, scale: int, size: str) -> None:
    """Have the newest plan of a reset rendered. One that is made, or being made, is not made again.

    Refuses a reset without an order, a plan made of what has changed since, and a scale or paper not known.
    """
    plan = newest_plan(session, row)
    if pending_in(session, group_of(row)):
        raise Refusal("The order of this reset is being worked out: ask for the paper when that is done.")
    if plan is None:
        raise Refusal("No order of this reset is worked out yet: have it worked out first.")
    require_paper(plan.number, plan.value, scale, size)
    if row.state in OPEN and is_outdated(session, row, plan):
        raise Refusal(
            f"Pieces, sets, the booth or the reset have changed since plan {plan.number} was worked out: "
            "have it worked out again before it is printed."
        )
    args = {"reset_id": row.id, "plan": plan.number, "on": row.on_date.isoformat(), "scale": scale, "size": size}
    if _named(session, _file_name(session, row, args)) is None and not reset_pdf_pending(session, row):
        name_job(session, now, KIND, args, queue="statements", group_key=paper_group(row))


def reset_pdf_pending(session: Session, row: Reset) -> bool:
    """Whether a paper of this reset is being made."""
    return pending_in(session, paper_group(row))


def last_paper_job(session: Session, row: Reset) -> Job | None:
    return session.scalar(select(Job).where(Job.group_key == paper_group(row)).order_by(Job.id.desc()).limit(1))


def papers_of(session: Session, row: Reset, plan: ResetPlan) -> Sequence[Document]:
    """The papers of one of a reset's plans, the newest first."""
    of = Document.file_name.startswith(_plan_stem(row, plan.number), autoescape=True)
    return session.scalars(select(Document).where(of).order_by(Document.id.desc())).all()


def reset_pdf_document(session: Session, row: Reset, document_id: int) -> Document | None:
    """A paper of this reset, of any of its plans; None for any other document."""
    document = session.get(Document, document_id)
    return document if document is not None and document.file_name.startswith(_stem(row)) else None


def usual_scale(plan: ResetPlan, size: str) -> int:
    """1:24 where the plan of the booth is one sheet at it, else 1:48."""
    return 24 if fits_one_sheet(plan.value, 24, size) else 48


def _named(session: Session, name: str) -> Document | None:
    return session.scalar(select(Document).where(Document.file_name == name).limit(1))


def reset_paper(session: Session, row: Reset, plan: ResetPlan) -> ResetPaper:
    """A plan with the names and hours that stand on its paper."""
    space = session.get_one(Space, row.space_id)
    return ResetPaper(
        mall=session.get_one(Mall, space.mall_id).name,
        booth=named(space),
        on=row.on_date,
        begins_minute=row.begins_minute,
        ends_minute=row.ends_minute,
        people=row.people,
        helpers=helpers_of(row),
        before=_set_name(session, row.from_set_id),
        after=_set_name(session, row.to_set_id),
        number=plan.number,
        value=plan.value,
    )


def _set_name(session: Session, set_id: int | None) -> str:
    return EMPTY_BOOTH if set_id is None else session.get_one(BoothSet, set_id).name


@long_job(KIND, queue="statements")
def _render(run: JobRun, args: dict[str, Any]) -> None:
    """Render a plan with no transaction open, and keep it once. `args`: reset_id, plan, on, scale, size.

    Nothing is made where the reset was changed since it was asked for: its plan is worked out again, and asked for anew.
    """
    with run.transaction() as session:
        row = session.get_one(Reset, args["reset_id"])
        plan = plan_numbered(session, row, args["plan"])
        name = _file_name(session, row, args)
        if plan is None or row.on_date.isoformat() != args["on"] or _named(session, name) is not None:
            run.finish(session)
            return
        value = reset_paper(session, row, plan)
    try:
        content = reset_pdf(value, scale=args["scale"], size=args["size"])
    except PdfError as error:
        raise Refusal(f"The paper of {value.booth} was not rendered: {error}") from error
    with run.transaction() as session:
        if _named(session, name) is None:
            keep_document(
                session, run.clock(), file_name=name, media_type="application/pdf", content=content, made_with=made_with()
            )
        run.finish(session)
