"""A filed return's paper: rendered once by a worker, kept for good."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.jobs import JobRun, long_job
from coop.core.pdf import PdfError, made_with
from coop.dealers.models import Cooperative
from coop.tax.documents import pdf_name, return_pdf
from coop.tax.domain.frozen import ReturnUnreadable, from_json
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
