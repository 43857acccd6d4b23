"""Statements frozen, rendered and mailed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, undefer

from coop.core import clock, faults
from coop.core.documents import keep_document
from coop.core.errors import Refusal
from coop.core.jobs import BEHIND, Job, JobRun, long_job
from coop.core.mail import queue_mail
from coop.core.pdf import PdfError, made_with
from coop.core.periods import Month
from coop.dealers.models import Dealer, Member
from coop.floor.models import Mall
from coop.leases.leaving import end_stated_leases
from coop.statements.building import build_value
from coop.statements.documents import statement_file_name, statement_mail, statement_pdf
from coop.statements.domain import ChargeLine, StatementError, from_json, sha256, to_json
from coop.statements.figures import Middle
from coop.statements.models import Statement
from coop.statements.payday import Payday, payday_of
from coop.statements.turn_lines import turn_lines


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun: `1 charge`, `1,200 charges`; `many` where the plural takes more than an s."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def freeze_statement(
    session: Session,
    now: datetime,
    mall: Mall,
    dealer: Dealer,
    month: Month,
    *,
    middle: Middle | None = None,
    to_come: Sequence[ChargeLine] | None = None,
    payday: Payday | None = None,
) -> Statement:
    """The dealer's statement of a month: the one there is, or one built now and never changed again.

    Leases it is the final statement of end with it. Who freezes many hands in what is the same for all (`middle`), what each has
    to pay next (`to_come`) and how she is paid (`payday`).
    """
    statement = session.scalar(
        select(Statement).where(
            Statement.mall_id == mall.id, Statement.dealer_id == dealer.id, Statement.first_day == month.first_day
        )
    )
    if statement is None:
        payday = payday or payday_of(session, now, dealer.id, month)
        today = clock.local_date(now, mall.timezone)
        value = build_value(
            session,
            mall,
            dealer,
            month,
            made_on=today,
            pay_how=payday.how,
            held=payday.held,
            turns=turn_lines(session, mall, dealer, month),
            middle=middle,
            to_come=to_come,
        )
        text = to_json(value)
        statement = Statement(
            number=value.number,
            mall_id=mall.id,
            dealer_id=dealer.id,
            first_day=month.first_day,
            value_json=text,
            value_sha256=sha256(text),
            opening_cents=value.opening_cents,
            closing_cents=value.closing_cents,
            created_at=now,
        )
        session.add(statement)
        session.flush()
        end_stated_leases(session, now, mall.id, dealer.id, month)
    return statement


def making_key(mall_id: int, dealer_id: int, month: Month) -> str:
    """Under which the job that makes a statement and its paper is named, once."""
    return f"statement:{mall_id}:{dealer_id}:{month}"


def being_made(session: Session, statements: Iterable[Statement]) -> dict[int, bool]:
    """Those of these whose paper is not there and has a job that will make it: id -> whether that waits behind all other work.

    No query where every paper is there.
    """
    without = {
        making_key(one.mall_id, one.dealer_id, Month.of(one.first_day)): one.id for one in statements if not one.document_id
    }
    if not without:
        return {}
    going_on = select(Job.key, Job.queue).where(Job.key.in_(without), Job.state.in_(("queued", "running")))
    return {without[key]: queue == BEHIND for key, queue in session.execute(going_on) if key is not None}


@long_job("statements.make", queue="statements")
def make_statement(run: JobRun, args: dict[str, Any]) -> None:
    """Freeze one dealer's statement, render it with no transaction open, and keep the rendering.

    `args`: mall_id, dealer_id, month; middle (median cents or null, and of how many dealers), where it is known.
    Raises Refusal, naming the dealer, for a statement that cannot be made.
    """
    month = Month.parse(args["month"])
    with run.transaction() as session:
        mall, dealer = session.get_one(Mall, args["mall_id"]), session.get_one(Dealer, args["dealer_id"])
        try:
            middle = Middle(*args["middle"]) if "middle" in args else None
            statement = freeze_statement(session, run.clock(), mall, dealer, month, middle=middle)
        except StatementError as error:
            raise Refusal(f"{dealer.code}: {error}") from error
        statement_id, text, has_document = statement.id, statement.value_json, statement.document_id is not None
    faults.point("statement:frozen")
    content = b""
    value = from_json(text)
    if not has_document:
        try:
            content = statement_pdf(value)
        except PdfError as error:
            raise Refusal(f"{value.dealer_code}: the statement cannot be rendered: {error}") from error
    faults.point("statement:rendered")
    with run.transaction() as session:
        statement = session.scalars(
            select(Statement).where(Statement.id == statement_id).with_for_update().execution_options(populate_existing=True)
        ).one()
        if statement.document_id is None:
            statement.document_id = keep_document(
                session,
                run.clock(),
                file_name=statement_file_name(value),
                media_type="application/pdf",
                content=content,
                made_with=made_with(),
            ).id
        run.finish(session)
        faults.point("statement:before-commit")


def queue_statement_mail(session: Session, now: datetime, statement: Statement, *, mail_domain: str, group_key: str) -> bool:
    """Queue the mail of a statement whose document is there; False for a dealer without an address, who gets it printed."""
    dealer = session.get_one(Dealer, statement.dealer_id)
    if not dealer.member.email or statement.document_id is None:
        return False
    mall = session.get_one(Mall, statement.mall_id)
    subject, text, html = statement_mail(from_json(statement.value_json))
    outbox = queue_mail(
        session,
        now,
        key=f"statement/{mall.code}/{dealer.code}/{Month.of(statement.first_day)}",
        kind="statement",
        recipient=dealer.member.email,
        subject=subject,
        text_body=text,
        html_body=html,
        document_id=statement.document_id,
        mail_domain=mail_domain,
        group_key=group_key,
    )
    statement.outbox_id = outbox.id
    return True


@long_job("statements.mail", queue="mail")
def mail_statement(run: JobRun, args: dict[str, Any]) -> None:
    """Queue the mail of one statement, unless it has one or its dealer has no address that a letter can bear.

    `args`: statement_id, and group_key of the work it belongs to.
    """
    with run.transaction() as session:
        # With all that its letter speaks of, in one question; two workers at once write one letter.
        statement, _dealer, _member, _mall = session.execute(
            select(Statement, Dealer, Member, Mall)
            .join(Dealer, Dealer.id == Statement.dealer_id)
            .join(Member, Member.id == Dealer.member_id)
            .join(Mall, Mall.id == Statement.mall_id)
            .where(Statement.id == args["statement_id"])
            .options(undefer(Statement.value_json))
            .with_for_update(of=Statement)
        ).one()
        if statement.outbox_id is None:
            with suppress(Refusal):
                queue_statement_mail(
                    session, run.clock(), statement, mail_domain=run.settings.mail_domain, group_key=args["group_key"]
                )
        run.finish(session)
