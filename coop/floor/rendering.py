"""A plan's paper, rendered by a worker, never in a request: kept under a name that says version, day, scale and paper."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.job_groups import pending_in
from coop.core.jobs import JobRun, long_job, name_job
from coop.core.pdf import PdfError, made_with
from coop.floor.domain.draft import to_plan
from coop.floor.domain.findings import judge_plan
from coop.floor.domain.scale import PAPERS_IN
from coop.floor.models import Mall
from coop.floor.queries import draft_of, plan_row, widths_on
from coop.floor.sheets import PlanPaper, plan_pdf


def _stem(mall: Mall, version: int) -> str:
    return f"floor-plan-{mall.code}-v{version}-"


def _file_name(mall: Mall, version: int, on: date, scale: int, paper: str) -> str:
    return f"{_stem(mall, version)}{on}-1to{scale}-{paper}.pdf"


def _group(mall: Mall) -> str:
    return f"floor-plan:{mall.id}"


def start_plan_pdf(session: Session, now: datetime, mall: Mall, on: date, *, scale: int = 48, paper: str = "letter") -> None:
    """Have the plan rendered as it is on a day. One that is made, or being made, is not made again.

    Refuses a mall without a plan, and a paper not known.
    """
    row = plan_row(session, mall.id)
    if row is None:
        raise Refusal(f"{mall.name} has no plan yet: draw or import one first.")
    if paper not in PAPERS_IN:
        raise Refusal(f"Paper {paper!r} is not known; there is {', '.join(PAPERS_IN)}.")
    name = _file_name(mall, row.version, on, scale, paper)
    if _named(session, name) is None and not plan_pdf_pending(session, mall):
        args = {"mall_id": mall.id, "on": on.isoformat(), "scale": scale, "paper": paper}
        name_job(session, now, "floor.render", args, queue="statements", group_key=_group(mall))


def plan_pdf_pending(session: Session, mall: Mall) -> bool:
    """Whether a paper of this mall's plan is being made."""
    return pending_in(session, _group(mall))


def newest_plan_pdf(session: Session, mall: Mall, version: int) -> Document | None:
    """The newest paper of a version of the plan; None until one is made."""
    named = Document.file_name.startswith(_stem(mall, version), autoescape=True)
    return session.scalar(select(Document).where(named).order_by(Document.id.desc()).limit(1))


def plan_pdf_document(session: Session, mall: Mall, document_id: int) -> Document | None:
    """A paper of this mall's plan, of any version; None for any other document."""
    document = session.get(Document, document_id)
    return document if document is not None and document.file_name.startswith(f"floor-plan-{mall.code}-v") else None


def _named(session: Session, name: str) -> Document | None:
    return session.scalar(select(Document).where(Document.file_name == name).limit(1))


def plan_paper(session: Session, mall: Mall, on: date) -> PlanPaper:
    """The plan as it is on a day, judged. Refuses a mall without one."""
    row, draft = plan_row(session, mall.id), draft_of(session, mall, on)
    if row is None or draft is None:
        raise Refusal(f"{mall.name} has no plan yet: draw or import one first.")
    findings = judge_plan(to_plan(draft, widths_on(session, mall.id, on)))
    return PlanPaper(mall.name, row.version, on, draft, tuple(findings))


@long_job("floor.render", queue="statements")
def render_plan(run: JobRun, args: dict[str, Any]) -> None:
    """Render a mall's plan with no transaction open, and keep it once. `args`: mall_id, on, scale, paper."""
    on = date.fromisoformat(args["on"])
    with run.transaction() as session:
        mall = session.get_one(Mall, args["mall_id"])
        value = plan_paper(session, mall, on)
        name = _file_name(mall, value.version, on, args["scale"], args["paper"])
        made = _named(session, name) is not None
    content = b""
    if not made:
        try:
            content = plan_pdf(value, scale=args["scale"], paper=args["paper"])
        except PdfError as error:
            raise Refusal(f"The plan of {value.mall} was not rendered: {error}") from error
    with run.transaction() as session:
        if not made and _named(session, name) is None:
            keep_document(
                session, run.clock(), file_name=name, media_type="application/pdf", content=content, made_with=made_with()
            )
        run.finish(session)
