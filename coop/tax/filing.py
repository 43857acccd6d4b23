"""Returns drawn up, filed, amended; tax that passes to the dealers who owe it; money paid to an office.

A filed return is a frozen value under a hash and one entry. The jurisdictions' accounts go down by what was collected, the
office's account takes what is owed and what is paid, the allowance is income, interest and rounding go to accounts of their own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.books.accounts import bank_account, dealer_account, ensure_account
from coop.books.domain.entries import EntryDraft, netted
from coop.books.models import Account, Entry
from coop.books.service import post_entries, post_entry, posting_date
from coop.core import audit
from coop.core.errors import Refusal
from coop.core.jobs import name_job
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.dealers.models import Cooperative, Dealer
from coop.floor.models import Mall
from coop.tax.domain import returns as rules_of_returns
from coop.tax.domain.frozen import ReturnUnreadable, Worksheet, from_json, sha256, to_json
from coop.tax.domain.returns import FilingPeriod, build_return, owed_cents, prove_return, tie_return
from coop.tax.domain.returns import TaxReturn as Value
from coop.tax.filing_queries import (
    FILING,
    MOVE,
    PeriodSums,
    account_name,
    moved_to_dealers,
    office_moves,
    owed_by_dealers,
    paid_ahead,
    period_sums,
)
from coop.tax.models import Jurisdiction, TaxReturn
from coop.tax.offices import OfficeTerms, Settings, period_at, return_number, slug


class DayRefused(Refusal):
    """The day of filing cannot be."""


class PaidRefused(Refusal):
    """What is said to be paid with a return cannot be."""


# --- drawing up ---------------------------------------------------------------------------------------------------------


def draft_return(
    session: Session, office: str, period: FilingPeriod, *, filed_on: date, tickets_apart: Sequence[str] = ()
) -> Worksheet:
    """The return of a period as it would be filed on a day, held against its tickets and the books.

    `tickets_apart`: sentences of whoever knows the tickets, for those whose own tax differs from their rows. What was paid to
    the office by that day and not yet used counts as prepaid, from the day it was paid. Raises Refusal for a period that is
    none of the office's.
    """
    settings = Settings(session)
    terms = _terms(settings, office, period)
    sums = period_sums(session, settings, office, period)
    tax = sum(owed_cents(line, terms.rules.remits) for line in sums.lines)
    value = build_return(
        return_number(office, period),
        office,
        period,
        sums.lines,
        terms.rules,
        due_on=terms.due_on(period),
        filed_on=filed_on,
        prepaid=paid_ahead(session, office, filed_on, tax),
    )
    return _held(session, value, sums, tickets_apart)


def _terms(settings: Settings, office: str, period: FilingPeriod) -> OfficeTerms:
    terms = settings.terms(office, period.first_day)
    if terms is None or period_at(settings, office, period.first_day) != period:
        raise Refusal(f"{period.name} is no period of {office}: see the list of due dates, or set how often it is filed.")
    return terms


def _held(session: Session, value: Value, sums: PeriodSums, tickets_apart: Sequence[str]) -> Worksheet:
    apart = tie_return(value, sums.tickets, "its tickets") + tie_return(value, sums.books, "the books")
    if sums.unmoved_cents:
        apart.append(
            f"{format_dollars(sums.unmoved_cents)} that dealers owe themselves has not passed to their accounts yet: "
            "the month-end does that."
        )
    return Worksheet(
        coop_name=session.get_one(Cooperative, 1).name,
        value=value,
        tickets_cents=sum(sums.tickets.values()),
        books_cents=sum(sums.books.values()),
        late=sums.late,
        apart=(*prove_return(value), *apart, *tickets_apart),
    )


def draft_amendment(session: Session, number: str, *, filed_on: date, tickets_apart: Sequence[str] = ()) -> Worksheet | None:
    """What would replace a filed return, by its tickets as they are now; None when they still say what was filed.

    Raises Refusal for a return that is not there or was replaced already.
    """
    original = _last(session, number)
    before = read_return(original)
    settings = Settings(session)
    terms = _terms(settings, original.office, before.value.period)
    sums = period_sums(session, settings, original.office, before.value.period)
    try:
        value = rules_of_returns.amend_return(before.value, _amended_number(original), sums.lines, terms.rules, filed_on=filed_on)
    except ValueError:
        return None
    return _held(session, value, sums, tickets_apart)


def _amended_number(original: TaxReturn) -> str:
    base, _, count = original.number.partition(".A")
    return f"{base}.A{int(count or 0) + 1}"


def _last(session: Session, number: str) -> TaxReturn:
    found = session.scalar(select(TaxReturn).where(TaxReturn.number == number, TaxReturn.state == "filed"))
    if found is None:
        raise Refusal(f"There is no filed return {number}.")
    later = session.scalar(select(TaxReturn.number).where(TaxReturn.amends_id == found.id))
    if later is not None:
        raise Refusal(f"The return {number} was replaced by {later}: amend that one.")
    return found


def read_return(filed: TaxReturn) -> Worksheet:
    """What was filed. Raises ReturnUnreadable when the text is not what was filed."""
    return from_json(filed.value_json, filed.value_sha256)


# --- filing -------------------------------------------------------------------------------------------------------------


def file_return(
    session: Session,
    now: datetime,
    office: str,
    period: FilingPeriod,
    *,
    filed_on: date,
    user_id: int | None = None,
    paid_cents: int | None = None,
    reason: str = "",
    tickets_apart: Sequence[str] = (),
) -> TaxReturn:
    """File a period's return: frozen, and posted. `paid_cents` is what went from the bank with it (None: the net due).

    Refuses a period that is not over on `filed_on`, one filed before, one that does not add up, and one that does not tie to
    its tickets and the books unless `reason` says why.
    """
    number = return_number(office, period)
    if session.scalar(select(TaxReturn.id).where(TaxReturn.number == number)) is not None:
        raise Refusal(f"The return {number} is filed already: what has changed since makes an amended return.")
    if filed_on <= period.last_day:
        raise DayRefused(f"{period.name} is not over on {filed_on}: it can be filed from {period.last.next.first_day}.")
    _refuse_days_filed(session, office, period)
    # Two periods filed at once would both take off what was paid ahead.
    session.execute(select(Account.id).where(Account.path == account_name(office)).with_for_update())
    sheet = draft_return(session, office, period, filed_on=filed_on, tickets_apart=tickets_apart)
    return _file(session, now, sheet, None, user_id=user_id, paid_cents=paid_cents, reason=reason)


def _refuse_days_filed(session: Session, office: str, period: FilingPeriod) -> None:
    """Another return of the office, of a month or of the quarter around it, has some of these days."""
    overlaps = (TaxReturn.first_day <= period.last_day) & (TaxReturn.last_day >= period.first_day)
    other = session.scalar(select(TaxReturn).where(TaxReturn.office == office, overlaps).order_by(TaxReturn.id).limit(1))
    if other is not None:
        raise Refusal(
            f"The return {other.number} is filed for {other.first_day} to {other.last_day}: those days cannot be filed again "
            f"with {period.name}. Set how often {office} is filed to change after them."
        )


def amend_return(
    session: Session,
    now: datetime,
    number: str,
    *,
    filed_on: date,
    reason: str,
    user_id: int | None = None,
    paid_cents: int | None = None,
    tickets_apart: Sequence[str] = (),
) -> TaxReturn:
    """File what replaces a filed return, naming every figure it changes; only the difference is posted.

    Refuses when nothing has changed, when it was replaced already, and without a reason.
    """
    if not reason.strip():
        raise Refusal("The reason is empty: say why the return is amended, such as tickets that came late.")
    original = _last(session, number)
    before = read_return(original).value
    if filed_on < before.filed_on:
        raise DayRefused(f"{number} was filed on {before.filed_on}: what amends it cannot be filed before.")
    sheet = draft_amendment(session, number, filed_on=filed_on, tickets_apart=tickets_apart)
    if sheet is None:
        raise Refusal(f"The return {number} already says this: there is nothing to amend.")
    return _file(session, now, sheet, original, user_id=user_id, paid_cents=paid_cents, reason=reason)


def _file(
    session: Session,
    now: datetime,
    sheet: Worksheet,
    original: TaxReturn | None,
    *,
    user_id: int | None,
    paid_cents: int | None,
    reason: str,
) -> TaxReturn:
    value = sheet.value
    wrong = prove_return(value)
    if wrong:
        raise Refusal(f"The return {value.number} does not add up: {' '.join(wrong)} Tell whoever keeps the program.")
    if sheet.apart and not reason.strip():
        raise Refusal(
            f"The return {value.number} does not tie: {' '.join(sheet.apart)} "
            "Mend it first, or give the reason to file it as it is."
        )
    paid = max(0, value.net_due_cents) if paid_cents is None else paid_cents
    if not 0 <= paid <= max(0, value.net_due_cents):
        raise PaidRefused(
            f"Paid is {format_dollars(paid)}: it lies between nothing and the net due of {format_dollars(value.net_due_cents)}."
        )
    text = to_json(replace(sheet, reason=reason.strip()))
    filed = TaxReturn(
        number=value.number,
        office=value.office,
        mall_id=None,
        first_day=value.period.first_day,
        last_day=value.period.last_day,
        due_on=value.due_on,
        state="draft",
        value_json=text,
        value_sha256=sha256(text),
        amends_id=original.id if original else None,
        created_at=now,
    )
    session.add(filed)
    try:
        session.flush()
    except IntegrityError as error:
        raise Refusal(f"The return {value.number} was filed a moment ago by somebody else: open it.") from error
    filed.entry_id = _post(session, now, value, read_return(original).value if original else None, paid)
    filed.state, filed.filed_at, filed.filed_by = "filed", now, user_id
    session.flush()
    done = "tax return amended" if original else "tax return filed"
    audit.record(session, now, done, "tax return", value.number, user_id=user_id, detail=reason.strip()[:400])
    name_job(session, now, "tax.render", {"number": value.number}, queue="statements", key=f"tax.render:{value.number}")
    return filed


def _post(session: Session, now: datetime, value: Value, before: Value | None, paid_cents: int) -> int | None:
    """The entry of a filing, or of what an amendment changes; None where no account moves."""
    accounts = dict(session.execute(select(Jurisdiction.id, Jurisdiction.account_id)).all())
    postings: list[tuple[int, int]] = []
    for sign, one in ((1, value), (-1, before)):
        if one is None:
            continue
        postings += [(accounts[line.jurisdiction_id], sign * line.collected_cents) for line in one.lines]
        postings.append((_allowance_account(session), -sign * one.allowance_cents))
        postings.append((_rounding_account(session), -sign * one.rounding_cents))
    postings.append((_interest_account(session), value.interest_cents))
    # An amendment's net due is only what it adds; what was prepaid was used by the original.
    used = value.prepaid_cents if before is None else 0
    postings.append((office_account(session, value.office), paid_cents - value.net_due_cents - used))
    postings.append((bank_account(session), -paid_cents))
    posted = netted(postings)
    if not posted:
        return None
    draft = EntryDraft(
        mall_id=None,
        business_date=posting_date(session, None, value.filed_on),
        kind="tax filed",
        source_kind=FILING,
        source_id=value.number,
        purpose="filing",
        postings=posted,
        memo=f"Sales-tax return {value.number}",
    )
    return post_entry(session, now, draft)


def office_account(session: Session, office: str) -> int:
    """What is still owed to an office of what was filed; on the other side what was paid ahead, or is its credit."""
    return ensure_account(session, account_name(office), "tax office")


def _allowance_account(session: Session) -> int:
    return ensure_account(session, "Income:Timely-filing-allowance", "income")


def _interest_account(session: Session) -> int:
    return ensure_account(session, "Expenses:Tax-interest", "expense")


def _rounding_account(session: Session) -> int:
    return ensure_account(session, "Expenses:Tax-rounding", "expense")


def office_balance(session: Session, office: str) -> int:
    """Cents paid to an office and not used by a return; negative: filed and not yet paid."""
    return sum(move.cents for move in office_moves(session, office))


def pay_office(
    session: Session, now: datetime, office: str, *, amount_cents: int, on: date, reference: str, user_id: int | None = None
) -> int:
    """Post money paid to an office: ahead, so that the next return counts it as prepaid, or for one that was filed unpaid."""
    if amount_cents <= 0:
        raise Refusal(f"The amount paid to {office} must be above zero, not {format_dollars(amount_cents)}.")
    source = f"{slug(office)}.{reference.strip()}"
    paid = select(Entry.id).where(Entry.source_kind == FILING, Entry.source_id == source, Entry.purpose == "payment")
    if not reference.strip() or len(source) > 120 or session.scalar(paid) is not None:
        raise Refusal(f"The reference {reference!r} is empty, too long or used already: give the payment's own number.")
    draft = EntryDraft(
        mall_id=None,
        business_date=posting_date(session, None, on),
        kind="tax paid",
        source_kind=FILING,
        source_id=source,
        purpose="payment",
        postings=netted([(office_account(session, office), amount_cents), (bank_account(session), -amount_cents)]),
        memo=f"Paid to {office}"[:200],
    )
    audit.record(session, now, "tax paid", "tax office", slug(office), user_id=user_id, detail=reference.strip())
    try:
        return post_entry(session, now, draft)
    except IntegrityError as error:
        raise Refusal(f"The payment {reference.strip()} was noted a moment ago by somebody else.") from error


# --- who owes it --------------------------------------------------------------------------------------------------------


def move_tax_to_dealers(session: Session, now: datetime, mall: Mall, month: Month) -> int:
    """Pass a month's tax to the dealers who owe it themselves, named by jurisdiction; how many entries were posted.

    Where the co-op remits nothing moves. Done again it posts only what came in since. Tax on sales without a dealer stays with
    the co-op, which returns it.
    """
    moved = moved_to_dealers(session, mall.id, month)
    dealers = {dealer.id: dealer for dealer in session.scalars(select(Dealer))}
    jurisdictions = {one.id: one for one in session.scalars(select(Jurisdiction))}
    sums: dict[tuple[int, int], int] = defaultdict(int)
    for owed in owed_by_dealers(session, mall.id, month):
        sums[owed.dealer_id, owed.jurisdiction_id] += owed.amount_cents
    drafts = []
    for (dealer_id, key), amount in sums.items():
        jurisdiction = jurisdictions[key]
        source = f"{mall.code}.{dealers[dealer_id].code}.{month}.{jurisdiction.code}"
        count, before = moved.get(source, (0, 0))
        if amount == before:
            continue
        drafts.append(
            EntryDraft(
                mall_id=mall.id,
                business_date=month.last_day,
                kind="tax to dealer",
                source_kind=MOVE,
                source_id=source,
                purpose=f"move {count + 1}",
                postings=netted(
                    [
                        (jurisdiction.account_id, amount - before),
                        (dealer_account(session, mall, dealers[dealer_id]), before - amount),
                    ]
                ),
                memo=f"Sales tax for {jurisdiction.name}, yours to file"[:200],
            )
        )
    return len(post_entries(session, now, drafts))


# --- checks -------------------------------------------------------------------------------------------------------------


def check_returns(session: Session) -> list[str]:
    """Everything kept returns can say of themselves: hash, sums, entry. A sentence for each that does not hold."""
    faults: list[str] = []
    posted = dict(
        session.execute(select(Entry.source_id, Entry.id).where(Entry.source_kind == FILING, Entry.purpose == "filing")).all()
    )
    for filed in session.scalars(select(TaxReturn).order_by(TaxReturn.first_day, TaxReturn.id)):
        try:
            value = read_return(filed).value
        except ReturnUnreadable as error:
            faults.append(f"{filed.number}: {error}")
            continue
        faults += [f"{filed.number}: {sentence}" for sentence in prove_return(value)]
        if (filed.number, filed.office, filed.first_day, filed.due_on) != (
            value.number,
            value.office,
            value.period.first_day,
            value.due_on,
        ):
            faults.append(f"{filed.number}: its row and what was filed name different returns.")
        if filed.entry_id != posted.pop(filed.number, None):
            faults.append(f"{filed.number}: its entry is not the one in the books.")
    return faults + [f"The books have an entry of the return {number}, which is not kept." for number in posted]
