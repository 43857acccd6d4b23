"""Runs of payouts: everybody's of a month, prepared by one person (or by the month-end), approved by another.

A run is prepared once every mall has closed the month. What a prepared or approved run gives is on its way: no other run gives it
again, and it is looked at once more when the run is approved.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.audit import AuditLog
from coop.core.errors import Refusal
from coop.core.jobs import name_job
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.templating import joined
from coop.dealers.membership import hold_coop
from coop.dealers.models import Cooperative, Dealer, PayoutDetail, UserAccount
from coop.dealers.paying import details_of
from coop.dealers.second_person import require_second
from coop.payouts.domain.days import pay_day, settling_day
from coop.payouts.domain.payable import Payable
from coop.payouts.holding import HoldReason, hold_reasons, is_held
from coop.payouts.models import PayoutLine, PayoutPart, PayoutRun
from coop.payouts.queries import UNPAID, codes_of, coop_today, lines_of, malls_in, open_malls, origin_of, payables

MOST_CHECK = 99_999_999
FILE_TAKEN = "bank file taken"
"""What the log says when somebody takes a run's file of transfers."""


@dataclass(frozen=True)
class Listed:
    """A dealer with something owed to her, or by her, for a month: what she would be paid, and what holds it."""

    dealer_id: int
    payable: Payable
    reasons: tuple[HoldReason, ...]

    @property
    def is_paid(self) -> bool:
        return self.payable.amount_cents > 0 and not is_held(self.reasons)


def listed(session: Session, now: datetime, month: Month, *, besides: int | None = None) -> list[Listed]:
    """Every dealer a run of the month would look at, by id. `besides` is a run whose own amounts do not count as given."""
    owed = payables(session, month, besides=besides)
    reasons = hold_reasons(session, now, month, owed=owed)
    return [Listed(dealer, one, reasons.get(dealer, ())) for dealer, one in owed.items()]


def prepare_run(session: Session, now: datetime, month: Month, *, user_id: int | None = None) -> PayoutRun | None:
    """Write down what everybody is paid for a month. The run that is prepared already, if there is one.

    None while a mall with books in the month has yet to close it, and when nobody is to be paid.
    """
    # One at a time: runs look at what the others give.
    hold_coop(session)
    if not malls_in(session, month) or open_malls(session, month):
        return None
    there = select(PayoutRun).where(PayoutRun.first_day == month.first_day, PayoutRun.state == "prepared")
    standing = session.scalar(there)
    if standing is not None:
        return standing
    paid = [one for one in listed(session, now, month) if one.is_paid]
    if not paid:
        return None
    details = details_of(session)
    coop = session.get_one(Cooperative, 1)
    run = PayoutRun(
        number=(session.scalar(select(func.max(PayoutRun.number))) or 0) + 1,
        first_day=month.first_day,
        pay_on=pay_day(month, coop.payout_day, coop_today(session, now)),
        state="prepared",
        made_by=user_id,
        made_at=now,
    )
    session.add(run)
    session.flush()
    lines = [_line(run, one, details.get(one.dealer_id)) for one in paid]
    session.add_all(lines)
    session.flush()
    session.add_all(
        PayoutPart(line_id=line.id, mall_id=part.mall_id, amount_cents=part.amount_cents)
        for line, one in zip(lines, paid, strict=True)
        for part in one.payable.parts
    )
    session.flush()
    audit.record(session, now, "payouts prepared", "payout run", run.number, user_id=user_id, detail=str(month))
    return run


def _line(run: PayoutRun, one: Listed, detail: PayoutDetail | None) -> PayoutLine:
    """What a dealer is paid, as she is paid now; one with nothing on file gets a check."""
    return PayoutLine(
        run_id=run.id,
        dealer_id=one.dealer_id,
        amount_cents=one.payable.amount_cents,
        method=detail.method if detail else "check",
        detail_id=detail.id if detail else None,
    )


def changed_since(session: Session, now: datetime, run: PayoutRun, rows: Iterable[Listed] | None = None) -> list[str]:
    """What is not any more as it was when a run was prepared, a sentence each: it must not be approved so.

    `rows` is what is listed beside the run, where the caller has it.
    """
    if rows is None:
        rows = listed(session, now, Month.of(run.first_day), besides=run.id)
    by_dealer = {one.dealer_id: one for one in rows}
    details = details_of(session)
    codes = codes_of(session)
    said = []
    for line in lines_of(session, run):
        code = codes[line.dealer_id]
        one = by_dealer.get(line.dealer_id)
        most = one.payable.amount_cents if one else 0
        if line.amount_cents > most:
            said.append(f"{code} is owed {format_dollars(max(0, most))} by now, less than {format_dollars(line.amount_cents)}.")
        elif one is not None and is_held(one.reasons):
            why = joined([reason.words for reason in one.reasons if reason.pays is not True])
            said.append(f"{code} is held by now: {why}.")
        detail = details.get(line.dealer_id)
        if (detail.id if detail else None) != line.detail_id:
            said.append(f"{code} is paid in another way by now.")
    return said


def approve_run(
    session: Session,
    now: datetime,
    run: PayoutRun,
    *,
    user_id: int | None,
    first_check: int | None = None,
) -> None:
    """Approve a prepared run as a second person: its checks get their numbers, and its files are made.

    Refuses whoever prepared it; one who is paid by it, where nobody but the month-end prepared it; a run that is not as it was;
    checks without a number, or with one that was written; bank transfers while the bank's terms are not set; and whoever
    entered the bank details that it pays to for the first time.
    """
    hold_run(session, run)
    _require_state(run, "prepared")
    require_second(run.made_by, user_id, f"the payout run {run.number}")
    lines = lines_of(session, run)
    if run.made_by is None and user_id is not None and _pays(session, run, user_id):
        raise Refusal(
            f"You are paid by the payout run {run.number} yourself, and nobody prepared it by hand: "
            "a second person has to approve it."
        )
    changed = changed_since(session, now, run)
    if changed:
        raise Refusal(f"{' '.join(changed)} Cancel run {run.number} and prepare it again.")
    if any(line.method == "ach" for line in lines) and origin_of(session) is None:
        raise Refusal("The bank's terms for transfers are not set: set them first, on the page Bank file of Payouts.")
    _number_checks(session, run, [line for line in lines if line.method == "check"], first_check)
    by_bank = any(line.method == "ach" for line in lines)
    _require_other_details(session, lines, user_id)
    run.pay_on = settling_day(run.pay_on, coop_today(session, now), by_bank=by_bank)
    run.state, run.approved_by, run.approved_at = "approved", user_id, now
    session.flush()
    name_job(
        session,
        now,
        "payouts.files",
        {"run_id": run.id},
        queue="statements",
        key=f"payout-files:{run.number}",
        group_key=files_group(run),
    )
    audit.record(session, now, "payouts approved", "payout run", run.number, user_id=user_id)


def _require_other_details(session: Session, lines: Sequence[PayoutLine], user_id: int | None) -> None:
    """Refuse to let whoever entered a dealer's bank details approve the first payment to them."""
    used = [line.detail_id for line in lines if line.method == "ach"]
    proven = (
        select(PayoutLine.detail_id)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .where(PayoutRun.state == "paid", PayoutLine.returned_on.is_(None), PayoutLine.detail_id.in_(used))
    )
    own = session.scalars(
        select(Dealer.code)
        .join(PayoutDetail, PayoutDetail.dealer_id == Dealer.id)
        .where(PayoutDetail.id.in_(used), PayoutDetail.changed_by == user_id, PayoutDetail.id.not_in(proven))
        .order_by(Dealer.code)
    ).all()
    if own:
        raise Refusal(
            f"You entered the bank details of {joined(own)} yourself, and nothing was paid to them yet: "
            "somebody else has to approve the first payment to them."
        )


def _pays(session: Session, run: PayoutRun, user_id: int) -> bool:
    """Whether a run pays the member who is this user."""
    own = (
        select(PayoutLine.id)
        .join(Dealer, Dealer.id == PayoutLine.dealer_id)
        .join(UserAccount, UserAccount.member_id == Dealer.member_id)
        .where(PayoutLine.run_id == run.id, UserAccount.id == user_id)
    )
    return session.scalar(own.limit(1)) is not None


def files_group(run: PayoutRun) -> str:
    """The job that makes a run's files."""
    return f"payout-files:{run.number}"


def file_taken(session: Session, run: PayoutRun) -> AuditLog | None:
    """When a run's file of transfers was taken last, by the log; None: never since it was approved."""
    newest = (
        select(AuditLog)
        .where(AuditLog.subject_kind == "payout run", AuditLog.subject_id == str(run.number), AuditLog.action == FILE_TAKEN)
        .order_by(AuditLog.id.desc())
        .limit(1)
    )
    taken = session.scalar(newest)
    return taken if taken is not None and run.approved_at is not None and taken.at >= run.approved_at else None


def _number_checks(session: Session, run: PayoutRun, checks: list[PayoutLine], first_check: int | None) -> None:
    if not checks:
        return
    if first_check is None:
        raise Refusal(f"Run {run.number} has checks: write the number of the first one.")
    if not 0 < first_check <= MOST_CHECK - len(checks):
        raise Refusal(f"The number of the first check lies between 1 and {MOST_CHECK - len(checks):,}.")
    numbers = {str(first_check + n): line for n, line in enumerate(checks)}
    taken = session.execute(
        select(PayoutRun.number, PayoutLine.reference)
        .join(PayoutRun, PayoutRun.id == PayoutLine.run_id)
        .where(PayoutLine.method == "check", PayoutLine.reference.in_(numbers), PayoutRun.state.in_(("approved", "paid")))
        .order_by(PayoutLine.id)
    ).first()
    if taken is not None:
        raise Refusal(f"Check {taken.reference} was written in run {taken.number}: begin with a number after it.")
    for number, line in numbers.items():
        line.reference = number
    run.first_check = first_check


def cancel_run(session: Session, now: datetime, run: PayoutRun, *, user_id: int | None = None) -> None:
    """Drop a run that is not paid: what it gave may be given by another. Refuses one that is paid or dropped already."""
    hold_run(session, run)
    if run.state not in UNPAID:
        raise Refusal(f"Run {run.number} is {run.state} already and stays so.")
    was, run.state = run.state, "cancelled"
    session.flush()
    audit.record(session, now, "payouts cancelled", "payout run", run.number, user_id=user_id, detail=f"was {was}")


def hold_run(session: Session, run: PayoutRun) -> None:
    """Hold a run, and all of them with it, and read it anew: of two at once the second sees what the first did."""
    hold_coop(session)
    session.refresh(run, with_for_update=True)


def _require_state(run: PayoutRun, state: str) -> None:
    if run.state != state:
        raise Refusal(f"Run {run.number} is {run.state} already.")
