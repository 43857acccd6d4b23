"""The sheet to walk the aisles with as a file, rendered by a worker, never in a request: kept under mall, day and content."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.jobs import Job, JobRun, long_job, name_job
from coop.core.pdf import PdfError, made_with
from coop.core.words import natural
from coop.floor.models import Mall
from coop.floor.queries import draft_of, plan_row, widths_on
from coop.overflow.drawn import drawn_bays, drawn_pieces
from coop.overflow.queries import must_move
from coop.overflow.reading import bays_on
from coop.overflow.sheets import WalkPaper, walk_pdf
from coop.overflow.walking import walk_sheet

KIND = "overflow.sheet"
_OPEN = ("queued", "running")
_NO_PLAN = "{} has no plan yet: draw or import one first."


@dataclass(frozen=True)
class SheetState:
    """The sheet of a day as it is known now, where it is made; and the job that was asked last for one of that day."""

    document: Document | None
    job: Job | None

    @property
    def is_pending(self) -> bool:
        return self.job is not None and self.job.state in _OPEN


def _stem(mall: Mall) -> str:
    return f"overflow-{mall.code}-"


def _file_name(mall: Mall, paper: WalkPaper) -> str:
    return f"{_stem(mall)}{paper.on}-{hashlib.sha256(repr(paper).encode()).hexdigest()[:16]}.pdf"


def _group(mall: Mall, day: date) -> str:
    return f"overflow-sheet:{mall.id}:{day}"


def ask_sheet(session: Session, now: datetime, mall: Mall, day: date) -> SheetState:
    """Have the sheet of a day rendered. One that is made, or being made, is not made again.

    Refuses a mall without a plan.
    """
    if plan_row(session, mall.id) is None:
        raise Refusal(_NO_PLAN.format(mall.name))
    state = sheet_state(session, mall, day)
    if state.document is not None or state.is_pending:
        return state
    args = {"mall_id": mall.id, "on": day.isoformat()}
    name_job(session, now, KIND, args, queue="statements", group_key=_group(mall, day))
    return sheet_state(session, mall, day)


def sheet_state(session: Session, mall: Mall, day: date) -> SheetState:
    """Whether the sheet of a day is made, or being made; of a mall without a plan it never is."""
    paper = _paper(session, mall, day)
    document = None if paper is None else _named(session, _file_name(mall, paper))
    job = session.scalar(select(Job).where(Job.group_key == _group(mall, day)).order_by(Job.id.desc()).limit(1))
    return SheetState(document, job)


def sheet_document(session: Session, mall: Mall, document_id: int) -> Document | None:
    """A sheet of this mall, of any day; None for any other document."""
    document = session.get(Document, document_id)
    return document if document is not None and document.file_name.startswith(_stem(mall)) else None


def walk_paper(session: Session, mall: Mall, day: date) -> WalkPaper:
    """What is to stand where on a day, with the plan of that day. Refuses a mall without one."""
    paper = _paper(session, mall, day)
    if paper is None:
        raise Refusal(_NO_PLAN.format(mall.name))
    return paper


def _paper(session: Session, mall: Mall, day: date) -> WalkPaper | None:
    draft = draft_of(session, mall, day)
    if draft is None:
        return None
    stays = [row.standing for row in walk_sheet(session, mall, day)]
    moving = {one.stay.id for one, _ in must_move(session, mall.id, day)}
    bays = sorted(drawn_bays(bays_on(session, mall.id, day)), key=lambda one: natural(one.bay.code))
    widths = widths_on(session, mall.id, day)
    pieces = drawn_pieces(stays, day, moving)
    every = widths.get("", draft.required_clear_in16)
    aisles: dict[str, int | None] = {bay.aisle: None for bay in [*(one.bay for one in bays), *(one.bay for one in pieces)]}
    aisles |= {part.code: max(widths.get(part.code, 0), every) for part in draft.parts if part.kind == "aisle"}
    return WalkPaper(
        mall.name,
        day,
        draft,
        tuple(bays),
        pieces,
        tuple(sorted(aisles.items(), key=lambda aisle: natural(aisle[0]))),
    )


def _named(session: Session, name: str) -> Document | None:
    return session.scalar(select(Document).where(Document.file_name == name).limit(1))


@long_job(KIND, queue="statements")
def _render(run: JobRun, args: dict[str, Any]) -> None:
    """Render the sheet of a day with no transaction open, and keep it once. `args`: mall_id, on."""
    with run.transaction() as session:
        mall = session.get_one(Mall, args["mall_id"])
        paper = walk_paper(session, mall, date.fromisoformat(args["on"]))
        name = _file_name(mall, paper)
        is_made = _named(session, name) is not None
    content = b""
    if not is_made:
        try:
            content = walk_pdf(paper)
        except PdfError as error:
            raise Refusal(f"The sheet to walk with of {paper.mall} was not rendered: {error}") from error
    with run.transaction() as session:
        if not is_made and _named(session, name) is None:
            keep_document(
                session, run.clock(), file_name=name, media_type="application/pdf", content=content, made_with=made_with()
            )
        run.finish(session)
