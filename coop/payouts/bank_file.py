"""The bank's terms for a file of transfers; a run's files, made by a worker once it is approved: transfers and remittance pages.

Whole account numbers are in the file of transfers and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.domain.ach import AchError, Batch, Credit, Origin, ach_file, batches_of, trace_numbers
from coop.core import audit
from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.jobs import Job, JobRun, long_job, retry_failed
from coop.core.pdf import PdfError, made_with
from coop.core.sealed_text import FieldKeys
from coop.dealers.models import Dealer, PayoutDetail
from coop.dealers.paying import account_of
from coop.floor.models import Mall
from coop.payouts.models import AchOrigin, PayoutLine, PayoutRun
from coop.payouts.queries import codes_of, coop_today, lines_of, origin_of
from coop.payouts.remittance import RemittanceBook, remittance_name, remittance_pdf, remittances
from coop.payouts.runs import files_group

_FILE_NAME = "payouts-run-{}.ach"
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


# --- the bank's terms ---------------------------------------------------------------------------------------------------


def set_origin(
    session: Session,
    now: datetime,
    keys: FieldKeys,
    *,
    bank_routing: str,
    bank_name: str,
    company_id: str,
    company_name: str,
    balanced: bool,
    account: str = "",
    user_id: int | None = None,
) -> AchOrigin:
    """Set where the co-op's files of transfers come from, as its bank has it; the newest counts.

    The account of a balanced file stays the one there is where none is given. Refuses what the bank would send back.
    """
    before = origin_of(session)
    sealed, last4 = ("", "")
    if balanced and account.strip():
        account = account.strip()
        sealed, last4 = keys.seal(account), account[-4:]
    elif balanced and before is not None and before.account_sealed:
        sealed, last4 = before.account_sealed, before.account_last4
    if balanced and not sealed:
        raise Refusal("The bank wants the debit in the file: write the number of the co-op's own account.")
    try:
        own = account if balanced and account else ""
        Origin(bank_routing.strip(), bank_name.strip(), company_id.strip(), company_name.strip(), own)
    except AchError as error:
        raise Refusal(str(error)) from error
    row = AchOrigin(
        bank_routing=bank_routing.strip(),
        bank_name=bank_name.strip(),
        company_id=company_id.strip(),
        company_name=company_name.strip(),
        balanced=balanced,
        account_sealed=sealed,
        account_last4=last4,
        set_by=user_id,
        set_at=now,
    )
    session.add(row)
    session.flush()
    audit.record(session, now, "bank's terms for transfers set", "ach origin", row.id, user_id=user_id)
    return row


# --- a run's files ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Papers:
    """What a run's files are made of, read at once; a file that is made already is not there."""

    transfers: str
    traces: dict[str, str]
    pages: RemittanceBook | None


@long_job("payouts.files", queue="statements")
def make_files(run: JobRun, args: dict[str, Any]) -> None:
    """Make an approved run's file of transfers and its remittance pages, rendered with no transaction open. `args`: run_id.

    Run twice, each is kept once. Raises Refusal, naming the run, when one cannot be made.
    """
    keys = FieldKeys.of(run.settings)
    with run.transaction() as session:
        payouts = session.get_one(PayoutRun, args["run_id"])
        papers = _papers(session, run.clock(), payouts, keys)
    content = b""
    if papers.pages is not None:
        try:
            content = remittance_pdf(papers.pages)
        except PdfError as error:
            raise Refusal(f"The remittance pages of run {papers.pages.run} cannot be rendered: {error}") from error
    with run.transaction() as session:
        payouts = session.get_one(PayoutRun, args["run_id"], with_for_update=True)
        if papers.transfers and payouts.ach_document_id is None:
            payouts.ach_document_id = _keep(
                session, run.clock(), _FILE_NAME.format(payouts.number), "text/plain", papers.transfers
            )
            codes = codes_of(session)
            for line in lines_of(session, payouts):
                if line.method == "ach":
                    line.reference = papers.traces[codes[line.dealer_id]]
        if content and payouts.remittance_document_id is None:
            payouts.remittance_document_id = keep_document(
                session,
                run.clock(),
                file_name=remittance_name(payouts),
                media_type="application/pdf",
                content=content,
                made_with=made_with(),
            ).id
        run.finish(session)


def _keep(session: Session, now: datetime, name: str, media_type: str, text: str) -> int:
    content = text.encode("ascii")
    return keep_document(session, now, file_name=name, media_type=media_type, content=content, made_with="coop").id


def _papers(session: Session, now: datetime, run: PayoutRun, keys: FieldKeys) -> _Papers:
    if run.state not in ("approved", "paid"):
        return _Papers("", {}, None)
    pages = remittances(session, run, coop_today(session, now)) if run.remittance_document_id is None else None
    lines = [line for line in lines_of(session, run) if line.method == "ach"]
    if not lines or run.ach_document_id is not None:
        return _Papers("", {}, pages)
    try:
        origin = _origin(session, keys)
        batches = batches_of(_credits(session, lines, keys))
        made_at = now.astimezone(ZoneInfo(_zone(session)))
        letter = _letter(session, made_at)
        text = ach_file(origin, batches, pay_on=run.pay_on, made_at=made_at, modifier=letter)
        return _Papers(text, _traces(origin, batches), pages)
    except AchError as error:
        raise Refusal(f"The bank file of run {run.number} cannot be made. {error}") from error


def _traces(origin: Origin, batches: Sequence[Batch]) -> dict[str, str]:
    return dict(trace_numbers(origin, batches))


def _origin(session: Session, keys: FieldKeys) -> Origin:
    row = origin_of(session)
    if row is None:
        raise Refusal("The bank's terms for transfers are not set: set them first, on the page Bank file of Payouts.")
    own = keys.open(row.account_sealed) if row.balanced else ""
    return Origin(row.bank_routing, row.bank_name, row.company_id, row.company_name, own)


def _credits(session: Session, lines: Sequence[PayoutLine], keys: FieldKeys) -> list[Credit]:
    details = session.scalars(select(PayoutDetail).where(PayoutDetail.id.in_([line.detail_id for line in lines])))
    by_id = {detail.id: detail for detail in details}
    wanted = select(Dealer).where(Dealer.id.in_([line.dealer_id for line in lines]))
    dealers = {dealer.id: dealer for dealer in session.scalars(wanted)}
    return [_credit(dealers[line.dealer_id], by_id[line.detail_id or 0], line.amount_cents, keys) for line in lines]


def _credit(dealer: Dealer, detail: PayoutDetail, amount_cents: int, keys: FieldKeys) -> Credit:
    name = dealer.trade_name if detail.holder == "business" and dealer.trade_name else dealer.member.name
    return Credit(dealer.code, name, detail.holder, detail.routing, account_of(keys, detail), detail.account_kind, amount_cents)


def _zone(session: Session) -> str:
    return session.scalar(select(Mall.timezone).order_by(Mall.id).limit(1)) or "UTC"


def _letter(session: Session, made_at: datetime) -> str:
    """Tells the files of one day apart."""
    midnight = datetime.combine(made_at.date(), time(), made_at.tzinfo)
    before = select(func.count(PayoutRun.id)).join(Document, Document.id == PayoutRun.ach_document_id)
    return _LETTERS[(session.scalar(before.where(Document.created_at >= midnight)) or 0) % len(_LETTERS)]


def files_fault(session: Session, run: PayoutRun) -> str:
    """Why a run's files were not made; empty where they were, or are being made."""
    failed = select(Job.error).where(Job.group_key == files_group(run), Job.state == "failed")
    return session.scalar(failed.limit(1)) or ""


def make_files_again(session: Session, now: datetime, run: PayoutRun, *, user_id: int | None = None) -> None:
    """Have the files of a run made once more where that failed. Refuses where it did not."""
    if not retry_failed(session, now, files_group(run)):
        raise Refusal(f"The files of run {run.number} are made, or are being made.")
    audit.record(session, now, "payout files asked for again", "payout run", run.number, user_id=user_id)


def taken_bank_file(session: Session, now: datetime, run: PayoutRun, *, user_id: int | None = None) -> Document:
    """The file of transfers, for whoever sends it to the bank: that it was taken is logged. Refuses one that is not made."""
    if run.ach_document_id is None:
        raise Refusal(f"Run {run.number} has no file of transfers, or it is being made.")
    audit.record(session, now, "bank file taken", "payout run", run.number, user_id=user_id)
    return session.get_one(Document, run.ach_document_id)
