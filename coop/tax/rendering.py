"""A return's paper, rendered by a worker: of a filed one once and for good; of a worksheet as often as it has changed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.job_groups import pending_in
from coop.core.jobs import JobRun, long_job, name_job
from coop.core.pdf import PdfError, made_with
from coop.dealers.models import Cooperative
from coop.tax.documents import file_stem, pdf_name, return_pdf
from coop.tax.domain.frozen import ReturnUnreadable, Worksheet, from_json, sha256, to_json
from coop.tax.models import TaxReturn


def document_of(session: Session, number: str) -> Document | None:
    """The rendering of a filed return; None until it is made."""
    return session.scalar(select(Document).where(Document.file_name == pdf_name(number)).order_by(Document.id).limit(1))


@long_job("tax.render", queue="statements")
def render_return(run: JobRun, args: dict[str, Any]) -> None:
    """Render a filed return with no transaction open, and keep the rendering. `args`: number. Raises Refusal, naming it."""
    number: str = args["number"]
    with run.transaction() as session:
        filed = session.scalars(select(TaxReturn).where(TaxReturn.number == number)).one()
        text, digest, paper = filed.value_json, filed.value_sha256, session.get_one(Cooperative, 1).paper
        made = document_of(session, number) is not None
    content = b""
    if not made:
        try:
            content = return_pdf(from_json(text, digest), filed=True, paper=paper)
        except (PdfError, ReturnUnreadable) as error:
            raise Refusal(f"The return {number} was not rendered: {error}") from error
    with run.transaction() as session:
        if not made and document_of(session, number) is None:
            keep_document(
                session,
                run.clock(),
                file_name=pdf_name(number),
                media_type="application/pdf",
                content=content,
                made_with=made_with(),
            )
        run.finish(session)


# --- drafts -------------------------------------------------------------------------------------------------------------


def _draft_stem(number: str) -> str:
    """How the names of a return's drafts begin. No filed return's document is called so."""
    return f"{file_stem(number)}-draft-"


def start_draft(session: Session, now: datetime, sheet: Worksheet) -> None:
    """Have a worksheet rendered as a draft, as it is at this moment. One that says the same is rendered once."""
    text = to_json(sheet)
    number, digest = sheet.value.number, sha256(text)
    name = f"{_draft_stem(number)}{digest[:12]}.pdf"
    made = any(draft.file_name == name for draft in drafts_of(session, number))
    if not made and not draft_pending(session, number):
        args = {"text": text, "sha256": digest, "file_name": name}
        name_job(session, now, "tax.draft", args, queue="statements", group_key=_drafts_group(number))


def _drafts_group(number: str) -> str:
    return f"tax-draft:{number}"[:80]


def draft_pending(session: Session, number: str) -> bool:
    """Whether a draft of this return is being rendered."""
    return pending_in(session, _drafts_group(number))


def drafts_of(session: Session, number: str) -> Sequence[Document]:
    """The drafts of a return that were rendered, the newest first."""
    named = Document.file_name.startswith(_draft_stem(number), autoescape=True)
    return session.scalars(select(Document).where(named).order_by(Document.id.desc())).all()


def draft_document(session: Session, number: str, document_id: int) -> Document | None:
    """A draft of this return; None for any other document."""
    return next((draft for draft in drafts_of(session, number) if draft.id == document_id), None)


@long_job("tax.draft", queue="statements")
def render_draft(run: JobRun, args: dict[str, Any]) -> None:
    """Render a worksheet as it was asked for, marked as a draft. `args`: text, sha256, file_name. Run twice, it is kept once."""
    name: str = args["file_name"]
    there = select(Document.id).where(Document.file_name == name).limit(1)
    with run.transaction() as session:
        made = session.scalar(there) is not None
        paper = session.get_one(Cooperative, 1).paper
    content = b""
    if not made:
        try:
            content = return_pdf(from_json(args["text"], args["sha256"]), filed=False, paper=paper)
        except (PdfError, ReturnUnreadable) as error:
            raise Refusal(f"The draft {name} was not rendered: {error}") from error
    with run.transaction() as session:
        if not made and session.scalar(there) is None:
            keep_document(
                session, run.clock(), file_name=name, media_type="application/pdf", content=content, made_with=made_with()
            )
        run.finish(session)
