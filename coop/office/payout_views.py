"""Payouts in the office: runs from their preparing to the bank, and what came back."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from flask import Blueprint, abort, current_app, flash, redirect, render_template, request, url_for
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.bank_months import book_balance
from coop.books.reading import months_of_books
from coop.books.rules import rules_on
from coop.core.behind import waits_behind
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.job_groups import pending_in
from coop.core.listing import list_csv, wants_csv
from coop.core.periods import Month
from coop.core.sealed_text import FieldKeys
from coop.core.web import Page, allow, db, download, now, roll_back, send_document, site, visitor
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall
from coop.office.dealer_views import wanted_dealer
from coop.office.payout_forms import ApproveForm, DayForm, PaidForm, PrepareForm, ReturnForm, TakeForm
from coop.office.payout_list import read_runs
from coop.office.views import READERS
from coop.payouts import bank_file, paying_out, queries, runs
from coop.payouts.came_back import STALE
from coop.payouts.models import PayoutLine, PayoutRun
from coop.payouts.remittance import checks_csv

payouts = Blueprint("payouts", __name__, url_prefix="/office/payouts")
KEEPERS = ("manager", "bookkeeper")
Key = TypeVar("Key")
_ELSEWHERE = (("year.totals", "Year totals"), ("year.patronage", "Patronage"), ("releases.first", "Releases"))


@payouts.context_processor
def shared() -> dict[str, object]:
    """The pages of payouts, those of other rooms where they are there, and whether the visitor acts here."""
    ways = [("payouts.first", "Runs"), ("payouts.holds", "Holds"), ("payouts.stale", "Old checks"), ("payouts.bank", "Bank file")]
    ways += [(endpoint, words) for endpoint, words in _ELSEWHERE if endpoint in current_app.view_functions]
    return {"payout_pages": ways, "keeps": bool(visitor().roles & set(KEEPERS)), "methods": queries.METHODS}


def _run(number: int) -> PayoutRun:
    found = queries.run_by_number(db(), number)
    if found is None:
        abort(404)
    return found


def dealer_names() -> dict[int, tuple[str, str]]:
    """Each dealer's code and name, by id."""
    return {dealer.id: (dealer.code, dealer.member.name) for dealer in db().scalars(select(Dealer))}


def by_code(rows: Sequence[runs.Listed], names: dict[int, tuple[str, str]]) -> list[runs.Listed]:
    return sorted(rows, key=lambda row: names[row.dealer_id])


# --- the list -----------------------------------------------------------------------------------------------------------


@payouts.get("/")
@allow(*READERS)
def first() -> Page:
    if wants_csv(request.args):
        return download(list_csv(read_runs(db(), request.args)), "text/csv", "payout-runs.csv")
    return _first_page()


def _first_page(*, form: PrepareForm | None = None, wrong: str = "") -> str:
    session = db()
    month = queries.waiting_month(session)
    waiting = runs.listed(session, now(), month) if month else []
    still_open = month.next if month else this_month(session)
    return render_template(
        "office/payouts/first.html",
        month=month,
        ready=[row for row in waiting if row.is_paid],
        held=[row for row in waiting if row.payable.amount_cents > 0 and not row.is_paid],
        still_open=still_open,
        open_malls=queries.open_malls(session, still_open),
        listed=read_runs(session, request.args),
        list_at="payouts.first",
        unpaid=queries.unpaid_runs(session),
        form=form or prepare_form(month),
        wrong=wrong,
    )


def prepare_form(month: Month | None) -> PrepareForm:
    """The form with the months of the books to choose from, and one of them chosen."""
    form = PrepareForm(formdata=None, month=str(month or ""))
    form.month.months(months_of_books(db()))
    return form


def this_month(session: Session) -> Month:
    return Month.of(queries.coop_today(session, now()))


@payouts.post("/prepare")
@allow(*KEEPERS)
def prepare() -> Page:
    form = PrepareForm()
    form.month.months(months_of_books(db()))
    if not form.validate():
        return _first_page(form=form), 422
    session, month = db(), Month.parse(form.month.data)
    standing = session.scalar(select(PayoutRun).where(PayoutRun.first_day == month.first_day, PayoutRun.state == "prepared"))
    run = runs.prepare_run(session, now(), month, user_id=visitor().user_id)
    if run is None:
        malls = queries.open_malls(session, month)
        told(form.month, _why_none(month, malls, bool(queries.malls_in(session, month))))
        return _first_page(form=form), 422
    if standing is not None:
        flash(f"Run {run.number} for {month.name} is prepared already. Cancel it to prepare it anew.")
    return redirect(url_for("payouts.run", number=run.number), 303)


def _why_none(month: Month, malls: list[Mall], has_books: bool) -> str:
    if malls:
        return f"{month.name} is still open at {', '.join(mall.name for mall in malls)}: close it first."
    if not has_books:
        return f"No mall has books of {month.name}."
    return f"Nobody is to be paid for {month.name}: see Holds for what keeps payouts back."


# --- a run --------------------------------------------------------------------------------------------------------------


@payouts.get("/runs/<count:number>")
@allow(*READERS)
def run(number: int) -> Page:
    return _run_page(number)


def _run_page(
    number: int,
    *,
    approving: ApproveForm | None = None,
    paying: PaidForm | None = None,
    wrong: str = "",
) -> str:
    session, found = db(), _run(number)
    month = Month.of(found.first_day)
    lines = queries.lines_of(session, found)
    unpaid = found.state in queries.UNPAID
    today = queries.coop_today(session, now())
    names = dealer_names()
    listed = by_code(runs.listed(session, now(), month, besides=found.id), names) if unpaid else []
    paid_ids = {line.dealer_id for line in lines}
    last_check = queries.last_check(session)
    users = {found.made_by, found.approved_by, found.paid_by} - {None}
    emails = dict(session.execute(select(UserAccount.id, UserAccount.email).where(UserAccount.id.in_(users))).all())
    return render_template(
        "office/payouts/run.html",
        run=found,
        month=month,
        lines=lines,
        names=names,
        malls={mall.id: mall for mall in session.scalars(select(Mall))},
        total=sum(line.amount_cents for line in lines),
        by_method=_sums((line.method, line.amount_cents) for line in lines),
        by_mall_sums=_sums((part.mall_id, part.amount_cents) for line in lines for part in line.parts),
        left=[row for row in listed if row.dealer_id not in paid_ids],
        changed=runs.changed_since(session, now(), found, listed) if unpaid else [],
        who=emails,
        pending=pending_in(session, runs.files_group(found)),
        behind=waits_behind(session, runs.files_group(found)),
        fault=bank_file.files_fault(session, found),
        checks=sum(line.method == "check" for line in lines),
        transfers=sum(line.method == "ach" for line in lines),
        approving=approving or ApproveForm(formdata=None, first_check=None if last_check is None else last_check + 1),
        last_check=last_check,
        paying=paying or PaidForm(formdata=None, on=today),
        taking=TakeForm(formdata=None),
        taken=runs.file_taken(session, found),
        bank_cents=book_balance(session, today) if unpaid else 0,
        unpaid=unpaid,
        rules=rules_on(session, month.last_day),
        wrong=wrong,
    )


def _sums(pairs: Iterable[tuple[Key, int]]) -> dict[Key, int]:
    sums: dict[Key, int] = {}
    for key, cents in pairs:
        sums[key] = sums.get(key, 0) + cents
    return sums


def _acted(number: int, act: Callable[[PayoutRun], object], said: str, **forms: object) -> Page:
    """Do something to a run and show it; what is refused stands on its page."""
    try:
        act(_run(number))
    except Refusal as refusal:
        roll_back()
        return _run_page(number, wrong=str(refusal), **forms), 422  # type: ignore[arg-type]
    flash(said)
    return redirect(url_for("payouts.run", number=number), 303)


@payouts.post("/runs/<count:number>/approve")
@allow(*KEEPERS)
def approve(number: int) -> Page:
    form = ApproveForm()
    if not form.validate():
        return _run_page(number, approving=form), 422
    return _acted(
        number,
        lambda found: runs.approve_run(db(), now(), found, user_id=visitor().user_id, first_check=form.first_check.data),
        f"Run {number} is approved. Its files are being made.",
        approving=form,
    )


@payouts.post("/runs/<count:number>/cancel")
@allow(*KEEPERS)
def cancel(number: int) -> Page:
    return _acted(
        number,
        lambda found: runs.cancel_run(db(), now(), found, user_id=visitor().user_id),
        f"Run {number} is cancelled. Nothing was posted.",
    )


@payouts.post("/runs/<count:number>/paid")
@allow(*KEEPERS)
def paid(number: int) -> Page:
    form = PaidForm()
    if not form.validate():
        return _run_page(number, paying=form), 422
    return _acted(
        number,
        lambda found: paying_out.mark_paid(
            db(), now(), found, on=form.on.data, sent_otherwise=form.otherwise.data, user_id=visitor().user_id
        ),
        f"Run {number} is in the books as paid.",
        paying=form,
    )


@payouts.post("/runs/<count:number>/files")
@allow(*KEEPERS)
def files(number: int) -> Page:
    """Have the files made once more, where that failed."""
    return _acted(
        number,
        lambda found: bank_file.make_files_again(db(), now(), found, user_id=visitor().user_id),
        "The files are being made.",
    )


@payouts.post("/runs/<count:number>/bank-file")
@allow(*KEEPERS)
def take_bank_file(number: int) -> Page:
    """The file of transfers, with whole account numbers: that it was taken is in the log."""
    keys = FieldKeys.of(site().settings)
    again = TakeForm().again.data
    try:
        name, content = bank_file.taken_bank_file(db(), now(), _run(number), keys, again=again, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _run_page(number, wrong=str(refusal)), 422
    return download(content, "text/plain", name)


@payouts.get("/runs/<count:number>/remittances.pdf")
@allow(*READERS)
def remittances(number: int) -> Page:
    document_id = _run(number).remittance_document_id
    return send_document(db().get(Document, document_id) if document_id else None)


@payouts.get("/runs/<count:number>/checks.csv")
@allow(*READERS)
def checks(number: int) -> Page:
    found = _run(number)
    if found.first_check is None:
        abort(404)
    return download(checks_csv(db(), found), "text/csv", f"checks-run-{number}.csv")


# --- one payment ----------------------------------------------------------------------------------------------------------


def _line(number: int, code: str) -> PayoutLine:
    found = next((line for line in queries.lines_of(db(), _run(number)) if line.dealer_id == wanted_dealer(code).id), None)
    if found is None:
        abort(404)
    return found


@payouts.get("/runs/<count:number>/<code>")
@allow(*READERS)
def payment(number: int, code: str) -> Page:
    return _payment_page(number, code)


def _payment_page(number: int, code: str, *, returning: ReturnForm | None = None, wrong: str = "") -> str:
    session, line = db(), _line(number, code)
    today = queries.coop_today(session, now())
    return render_template(
        "office/payouts/payment.html",
        run=line.run,
        month=Month.of(line.run.first_day),
        line=line,
        dealer=wanted_dealer(code),
        malls={mall.id: mall for mall in session.scalars(select(Mall))},
        stale=line.return_reason == STALE,
        again=paying_out.owed_again(session, line) if line.return_reason == STALE else None,
        returning=returning or ReturnForm(formdata=None, on=today),
        dated=DayForm(formdata=None, on=today),
        wrong=wrong,
    )


def _noted(number: int, code: str, act: Callable[[PayoutLine], object], said: str, form: ReturnForm | None = None) -> Page:
    try:
        act(_line(number, code))
    except Refusal as refusal:
        roll_back()
        return _payment_page(number, code, returning=form, wrong=str(refusal)), 422
    flash(said)
    return redirect(url_for("payouts.payment", number=number, code=code), 303)


@payouts.post("/runs/<count:number>/<code>/returned")
@allow(*KEEPERS)
def returned(number: int, code: str) -> Page:
    form = ReturnForm()
    if not form.validate():
        return _payment_page(number, code, returning=form), 422
    return _noted(
        number,
        code,
        lambda line: paying_out.return_payment(
            db(),
            now(),
            line,
            on=form.on.data,
            reason=form.reason.data,
            mail_domain=site().settings.mail_domain,
            user_id=visitor().user_id,
        ),
        "It is noted that the payment came back: it is owed again.",
        form,
    )


@payouts.post("/runs/<count:number>/<code>/stale")
@allow(*KEEPERS)
def found_stale(number: int, code: str) -> Page:
    return _on_a_day(number, code, paying_out.mark_stale, "The check is stale: its money is kept for the dealer.")


@payouts.post("/runs/<count:number>/<code>/again")
@allow(*KEEPERS)
def owe_again(number: int, code: str) -> Page:
    return _on_a_day(number, code, paying_out.owe_again, "It is owed again: the dealer’s next run pays it.")


def _on_a_day(number: int, code: str, deed: Callable[..., None], said: str) -> Page:
    """Do what needs a day alone to one dealer's payment."""
    form = DayForm()
    if not form.validate():
        return _payment_page(number, code, wrong=" ".join(form.on.errors)), 422
    return _noted(number, code, lambda line: deed(db(), now(), line, on=form.on.data, user_id=visitor().user_id), said)


@payouts.get("/checks")
@allow(*READERS)
def stale() -> Page:
    """Checks that may be stale."""
    today = queries.coop_today(db(), now())
    return render_template(
        "office/payouts/stale.html", lines=paying_out.stale_checks(db(), today), names=dealer_names(), rules=rules_on(db(), today)
    )
