"""All statements of a mall's month in one file for printing, or those alone that go by no mail.

The file is bound from the kept renderings, each beginning on the front of a sheet: one with an odd number of pages is followed by
a blank one. Bound for paper, it is not tagged; whoever reads on a screen has the statement itself.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pypdf
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.jobs import Job, JobRun, long_job, name_job
from coop.core.mail import Outbox
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.statements.exporting import contents
from coop.statements.models import Statement, StatementBook

_AT_ONCE = 20
"""Documents read in one transaction."""
NOT_SENT = ("failed", "given_up")
"""States of a mail that did not arrive."""


@dataclass(frozen=True)
class Bound:
    """A statement to be bound: its number and its document."""

    number: str
    document_id: int


def statements_to_bind(session: Session, mall: Mall, month: Month, *, without_mail: bool) -> list[Bound]:
    """The month's rendered statements by number; `without_mail`: of those who have no address or whose mail did not arrive.

    Refuses when there is none, and when some are still being made.
    """
    rows = session.execute(
        select(Statement.number, Statement.document_id, Statement.outbox_id, Member.email, Outbox.state)
        .join(Dealer, Dealer.id == Statement.dealer_id)
        .join(Member, Member.id == Dealer.member_id)
        .outerjoin(Outbox, Outbox.id == Statement.outbox_id)
        .where(Statement.mall_id == mall.id, Statement.first_day == month.first_day)
        .order_by(Statement.number)
    ).all()
    if not rows:
        raise Refusal(f"No statement of {month.name} has been made at {mall.code}: close the month first.")
    making = [number for number, document_id, *_ in rows if document_id is None]
    if making:
        raise Refusal(
            f"{len(making)} of the statements of {month.name} at {mall.code} have no PDF yet, {making[0]} the first: "
            "wait until the month-end has made them."
        )
    # Before the first mail is queued, no mail says nothing of a dealer who has an address.
    mailed = any(outbox_id is not None for _, _, outbox_id, *_ in rows)
    found = [
        Bound(number, document_id)
        for number, document_id, outbox_id, email, state in rows
        if document_id is not None and (not without_mail or not email or state in NOT_SENT or (mailed and outbox_id is None))
    ]
    if not found:
        raise Refusal(f"Every statement of {month.name} at {mall.code} goes by mail: none is left to print.")
    return found


def bind(papers: Iterable[tuple[str, bytes]], *, title: str) -> bytes:
    """PDFs with their names as one, each beginning on an odd page, with a bookmark each."""
    writer = pypdf.PdfWriter()
    for name, content in papers:
        reader = pypdf.PdfReader(io.BytesIO(content))
        writer.append(reader, outline_item=name, import_outline=False)
        if len(reader.pages) % 2:
            writer.add_blank_page(*reader.pages[-1].mediabox[2:])
    writer.add_metadata({"/Title": title, "/Producer": f"pypdf {pypdf.__version__}"})
    writer.root_object[pypdf.generic.NameObject("/Lang")] = pypdf.generic.TextStringObject("en")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def book_name(mall_code: str, month: Month, *, without_mail: bool) -> str:
    """`statements-MAIN.2010-12.pdf`, or `statements-MAIN.2010-12-without-mail.pdf`."""
    code = "".join(c if c.isascii() and c.isalnum() else "-" for c in mall_code)
    return f"statements-{code}.{month}{'-without-mail' if without_mail else ''}.pdf"


def make_book(
    run_transaction: Callable[[], AbstractContextManager[Session]], mall_id: int, month: Month, *, without_mail: bool
) -> tuple[bytes, int]:
    """The file, and how many statements are in it. Opens short transactions by `run_transaction`; none while it binds."""
    with run_transaction() as session:
        mall = session.get_one(Mall, mall_id)
        bound = statements_to_bind(session, mall, month, without_mail=without_mail)
        title = f"Statements of {month.name}, {mall.name}"
    papers: list[tuple[str, bytes]] = []
    for start in range(0, len(bound), _AT_ONCE):
        some = bound[start : start + _AT_ONCE]
        with run_transaction() as session:
            read = contents(session, [one.document_id for one in some])
        papers += [(one.number, read[one.document_id]) for one in some]
    return bind(papers, title=title), len(bound)


def ask_for_book(
    session: Session, now: datetime, mall: Mall, month: Month, *, without_mail: bool, user_id: int | None = None
) -> None:
    """Have the file made by a worker; asked again before it is there, it is made once. Refuses as `statements_to_bind`."""
    statements_to_bind(session, mall, month, without_mail=without_mail)
    which = (StatementBook.mall_id == mall.id, StatementBook.first_day == month.first_day)
    made = session.scalar(select(func.count(StatementBook.id)).where(*which, StatementBook.without_mail == without_mail))
    key = f"statement-book:{mall.id}:{month}:{int(without_mail)}:{made}"
    args = {"mall_id": mall.id, "month": str(month), "without_mail": without_mail}
    name_job(session, now, "statements.book", args, queue="statements", key=key)
    failed = session.scalar(select(Job).where(Job.key == key, Job.state == "failed").with_for_update())
    if failed is not None:
        failed.key = None
        session.flush()
        name_job(session, now, "statements.book", args, queue="statements", key=key)
    what = f"{mall.code} {month}"
    audit.record(session, now, "statements asked for in one file", "month", what, user_id=user_id)


@long_job("statements.book", queue="statements")
def _bind_book(run: JobRun, args: dict[str, Any]) -> None:
    """`args`: mall_id, month, without_mail."""
    month, without_mail = Month.parse(args["month"]), bool(args["without_mail"])
    content, statements = make_book(run.transaction, args["mall_id"], month, without_mail=without_mail)
    with run.transaction() as session:
        mall = session.get_one(Mall, args["mall_id"])
        document = keep_document(
            session,
            run.clock(),
            file_name=book_name(mall.code, month, without_mail=without_mail),
            media_type="application/pdf",
            content=content,
            made_with=f"pypdf {pypdf.__version__}",
        )
        session.add(
            StatementBook(
                mall_id=mall.id,
                first_day=month.first_day,
                without_mail=without_mail,
                statements=statements,
                document_id=document.id,
                made_at=run.clock(),
            )
        )
        run.finish(session)


def newest_books(session: Session, mall_id: int, month: Month) -> Sequence[StatementBook]:
    """The newest of each kind of a month: of all first, then of those without mail."""
    newest = (
        select(func.max(StatementBook.id))
        .where(StatementBook.mall_id == mall_id, StatementBook.first_day == month.first_day)
        .group_by(StatementBook.without_mail)
    )
    return session.scalars(select(StatementBook).where(StatementBook.id.in_(newest)).order_by(StatementBook.without_mail)).all()


def book_document(session: Session, mall_id: int, month: Month, *, without_mail: bool) -> Document | None:
    """The newest file of a kind; None before the first."""
    for book in newest_books(session, mall_id, month):
        if book.without_mail == without_mail:
            return session.get(Document, book.document_id)
    return None
