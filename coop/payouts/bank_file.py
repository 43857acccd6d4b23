"""The bank's terms for a file of transfers; a run's files, made by a worker once it is approved: transfers and remittance pages.

Whole account numbers are in the file of transfers and nowhere else. It is not stored: what is kept is the file with its accounts
masked, and the hash of the whole one, which is made again from what is sealed whenever somebody takes it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.books.domain.ach import AchError, Credit, Origin, ach_file, batches_of, trace_numbers
from coop.core import audit
from coop.core.documents import Document, keep_document
from coop.core.errors import Refusal
from coop.core.job_groups import retry_failed
from coop.core.jobs import Job, JobRun, long_job
from coop.core.pdf import PdfError, made_with
from coop.core.sealed_text import FieldKeys
from coop.dealers.models import Dealer, PayoutDetail
from coop.dealers.paying import account_of
from coop.payouts.models import AchOrigin, PayoutLine, PayoutRun
from coop.payouts.queries import codes_of, coop_today, coop_zone, lines_of, origin_of
from coop.payouts.remittance import RemittanceBook, remittance_name, remittance_pdf, remittances
from coop.payouts.runs import FILE_TAKEN, files_group

_FILE_NAME = "payouts-run-{}{}.ach"
_ACCOUNT = slice(12, 29)
"""Where an entry's record holds the account."""
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
class _BankFile:
    """A run's file of transfers, with whole account numbers: it is made of frozen rows, the same each time, and never stored."""

    text: str
    traces: dict[str, str]

    @property
    def masked(self) -> str:
        """The file as it is kept: of each account the last four digits."""
        return "".join(_masked(record) for record in self.text.splitlines(keepends=True))

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.text.encode("ascii")).hexdigest()

    @property
    def mark(self) -> str:
        """What is kept beside the masked file, by which the whole one is known again."""
        return f"coop; the whole file has SHA-256 {self.sha256}"


def _masked(record: str) -> str:
    if not record.startswith("6"):
        return record
    account = record[_ACCOUNT].rstrip()
    return record[: _ACCOUNT.start] + ("*" * (len(account) - 4) + account[-4:]).ljust(17) + record[_ACCOUNT.stop :]


@long_job("payouts.files", queue="statements")
def make_files(run: JobRun, args: dict[str, Any]) -> None:
    """Make an approved run's file of transfers and its remittance pages, rendered with no transaction open. `args`: run_id.

    Run twice, each is kept once. Raises Refusal, naming the run, when one cannot be made.
    """
    keys = FieldKeys.of(run.settings)
    pages: RemittanceBook | None = None
    transfers: _BankFile | None = None
    with run.transaction() as session:
        payouts = session.get_one(PayoutRun, args["run_id"])
        if payouts.state in ("approved", "paid"):
            if payouts.remittance_document_id is None:
                pages = remittances(session, payouts, coop_today(session, run.clock()))
            if payouts.ach_document_id is None:
                transfers = _bank_file(session, payouts, keys)
    content = b""
    if pages is not None:
        try:
            content = remittance_pdf(pages)
        except PdfError as error:
            raise Refusal(f"The remittance pages of run {pages.run} cannot be rendered: {error}") from error
    with run.transaction() as session:
        payouts = session.get_one(PayoutRun, args["run_id"], with_for_update=True)
        if transfers is not None and payouts.ach_document_id is None:
            name, kept = _FILE_NAME.format(payouts.number, "-masked"), transfers.masked.encode("ascii")
            payouts.ach_document_id = keep_document(
                session, run.clock(), file_name=name, media_type="text/plain", content=kept, made_with=transfers.mark
            ).id
            codes = codes_of(session)
            for line in lines_of(session, payouts):
                if line.method == "ach":
                    line.reference = transfers.traces[codes[line.dealer_id]]
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


def _bank_file(session: Session, run: PayoutRun, keys: FieldKeys) -> _BankFile | None:
    """The file of an approved run, by the bank's terms of that moment; None where nobody is paid by transfer."""
    lines = [line for line in lines_of(session, run) if line.method == "ach"]
    if not lines or run.approved_at is None:
        return None
    row = session.scalar(select(AchOrigin).where(AchOrigin.set_at <= run.approved_at).order_by(AchOrigin.id.desc()).limit(1))
    if row is None:
        raise Refusal("The bank's terms for transfers are not set: set them first, on the page Bank file of Payouts.")
    made_at = run.approved_at.astimezone(ZoneInfo(coop_zone(session)))
    try:
        own = keys.open(row.account_sealed) if row.balanced else ""
        origin = Origin(row.bank_routing, row.bank_name, row.company_id, row.company_name, own)
        batches = batches_of(_credits(session, lines, keys))
        letter = _letter(session, run, made_at)
        text = ach_file(origin, batches, pay_on=run.pay_on, made_at=made_at, modifier=letter)
        return _BankFile(text, trace_numbers(origin, batches))
    except AchError as error:
        raise Refusal(f"The bank file of run {run.number} cannot be made. {error}") from error


def _credits(session: Session, lines: Sequence[PayoutLine], keys: FieldKeys) -> list[Credit]:
    details = session.scalars(select(PayoutDetail).where(PayoutDetail.id.in_([line.detail_id for line in lines])))
    by_id = {detail.id: detail for detail in details}
    wanted = select(Dealer).where(Dealer.id.in_([line.dealer_id for line in lines]))
    dealers = {dealer.id: dealer for dealer in session.scalars(wanted)}
    return [_credit(dealers[line.dealer_id], by_id[line.detail_id or 0], line.amount_cents, keys) for line in lines]


def _credit(dealer: Dealer, detail: PayoutDetail, amount_cents: int, keys: FieldKeys) -> Credit:
    name = dealer.trade_name if detail.holder == "business" and dealer.trade_name else dealer.member.name
    return Credit(dealer.code, name, detail.holder, detail.routing, account_of(keys, detail), detail.account_kind, amount_cents)


def _letter(session: Session, run: PayoutRun, made_at: datetime) -> str:
    """Tells the files of one day apart: by how many runs were approved before on that day."""
    midnight = datetime.combine(made_at.date(), time(), made_at.tzinfo)
    before = select(func.count(PayoutRun.id)).where(PayoutRun.approved_at >= midnight, PayoutRun.approved_at < run.approved_at)
    return _LETTERS[(session.scalar(before) or 0) % len(_LETTERS)]


def taken_bank_file(
    session: Session, now: datetime, run: PayoutRun, keys: FieldKeys, *, again: bool = False, user_id: int | None = None
) -> tuple[str, bytes]:
    """The name and bytes of the file of transfers, for whoever sends it to the bank: that it was taken is logged.

    Of a run that is paid only where it is said that it is wanted `again`. Refuses one that is not made, and one that does not
    come out as it was made: a dealer's name or a key has changed since.
    """
    if run.ach_document_id is None:
        raise Refusal(f"Run {run.number} has no file of transfers, or it is being made.")
    if run.state == "paid" and not again:
        raise Refusal(f"Run {run.number} is paid: sending its bank file again pays twice. Say that you want it all the same.")
    made = _bank_file(session, run, keys)
    kept = session.get_one(Document, run.ach_document_id)
    if made is None or made.mark != kept.made_with:
        raise Refusal(
            f"The bank file of run {run.number} does not come out as it was made: a name has changed since. Send the file "
            "that was taken before, or cancel the run and prepare it again."
        )
    detail = "again, after it was paid" if run.state == "paid" else ""
    audit.record(session, now, FILE_TAKEN, "payout run", run.number, user_id=user_id, detail=detail)
    return _FILE_NAME.format(run.number, ""), made.text.encode("ascii")


def files_fault(session: Session, run: PayoutRun) -> str:
    """Why a run's files were not made; empty where they were, or are being made."""
    failed = select(Job.error).where(Job.group_key == files_group(run), Job.state == "failed")
    return session.scalar(failed.limit(1)) or ""


def make_files_again(session: Session, now: datetime, run: PayoutRun, *, user_id: int | None = None) -> None:
    """Have the files of a run made once more where that failed. Refuses where it did not."""
    if not retry_failed(session, now, files_group(run)):
        raise Refusal(f"The files of run {run.number} are made, or are being made.")
    audit.record(session, now, "payout files asked for again", "payout run", run.number, user_id=user_id)
