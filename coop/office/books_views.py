"""The books in the office: accounts as a tree, a trial balance, one account, entries, one entry, a month's sheet, exports."""

from __future__ import annotations

import tempfile
from datetime import date

from flask import Blueprint, abort, render_template, request
from werkzeug.datastructures import MultiDict

from coop.books import reading
from coop.books.domain.export import WRITERS
from coop.books.domain.finding import read_sought
from coop.books.domain.tree import build_sheet, build_tree, total, trial_balance
from coop.books.journal import reversal_fault
from coop.books.queries import ledger_entries, ledger_head
from coop.books.sums import EVERYBODY, Whose, account_sums
from coop.core.db import dialect_name
from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.periods import Month
from coop.core.web import Page, allow, db, download, now, show_list, visitor
from coop.dealers.models import Dealer
from coop.office import queries as office_queries
from coop.office.books_forms import OWN, AccountForm, BalanceForm, ExportForm, first_of
from coop.office.books_list import entry_list
from coop.office.books_sold import MONTHS_BACK, MOST_SOLD, sold_by, sold_like
from coop.office.books_sources import source_of
from coop.office.tax_queries import today as office_today
from coop.office.views import READERS

WRITERS_BY_HAND = ("manager", "bookkeeper")
"""Who enters and approves."""
books = Blueprint("books", __name__, url_prefix="/office/books")


@books.context_processor
def _shared() -> dict[str, object]:
    return {"may_enter": bool(visitor().roles & set(WRITERS_BY_HAND))}


def _whose(code: str | None) -> Whose:
    """Whose entries an address names. A mall that is not there is nowhere."""
    if not code:
        return EVERYBODY
    mall = None if code == OWN else office_queries.mall_by_code(db(), code)
    if mall is None and code != OWN:
        abort(404)
    return Whose(mall, own=code == OWN)


# --- balances -----------------------------------------------------------------------------------------------------------


def _asked() -> tuple[BalanceForm, date, Whose]:
    """The day and whose; a day that cannot be read is today, with its sentence at the field."""
    form = BalanceForm(request.args)
    form.among(office_queries.malls(db()))
    form.validate()
    if form.on.data is None and not form.on.errors:
        form.on.data = office_today(db(), now())
        form.on.raw_data = None
    return form, form.on.data or office_today(db(), now()), _whose(form.mall.data)


@books.get("/")
@allow(*READERS)
def first() -> Page:
    form, on, whose = _asked()
    below = request.args.get("below", "")[:120]
    rows = build_tree(account_sums(db(), first_of(on), on, whose=whose), below=below)
    return render_template(
        "office/books/accounts.html",
        form=form,
        on=on,
        begin=first_of(on),
        whose=whose,
        below=below,
        rows=rows,
        waiting=reading.waiting_journals(db()),
    )


@books.get("/trial-balance")
@allow(*READERS)
def trial() -> Page:
    form, on, whose = _asked()
    found = trial_balance(account_sums(db(), first_of(on), on, whose=whose))
    return render_template("office/books/trial.html", form=form, on=on, whose=whose, trial=found)


@books.get("/months/<month:month>")
@allow(*READERS)
def sheet(month: Month) -> Page:
    """A month's balance sheet and income statement, fit for printing."""
    whose = _whose(request.args.get("mall"))
    today = office_today(db(), now())
    last = min(month.last_day, today) if month.first_day <= today else month.last_day
    made = build_sheet(account_sums(db(), month.first_day, last, whose=whose))
    return render_template(
        "office/books/sheet.html",
        month=month,
        last=last,
        whose=whose,
        sheet=made,
        total=total,
        months=reading.months_of_books(db()),
        malls=office_queries.malls(db()),
    )


@books.get("/account")
@allow(*READERS)
def account() -> Page:
    found = reading.account_by_path(db(), request.args.get("path", ""))
    if found is None:
        abort(404)
    months = reading.months_of_books(db())
    form = AccountForm(request.args)
    form.month.months(months, "every month")
    form.validate()
    month = None if form.month.errors else form.month.month
    after = reading.read_mark(request.args.get("after", ""))
    return render_template(
        "office/books/account.html",
        account=found,
        dealer=db().get(Dealer, found.dealer_id) if found.dealer_id else None,
        form=form,
        month=month,
        page=reading.account_postings(db(), found, month=month, after=after),
        paged=after is not None,
    )


# --- entries ------------------------------------------------------------------------------------------------------------


@books.get("/entries")
@allow(*READERS)
def entries() -> Page:
    listing = entry_list(reading.months_of_books(db()), office_queries.malls(db()), reading.entry_kinds(db()))
    listed = listing.read(db(), reading.entries_query(), request.args, lambda row: reading.EntryRow(*row))
    return show_list(listed, "office/books/entries.html", "entries")


def _page_of(rows: list[reading.EntryRow]) -> dict[str, object]:
    return {
        "rows": rows[: reading.PAGE],
        "older": rows[reading.PAGE - 1].id if len(rows) > reading.PAGE else None,
        "paged": "before" in request.args,
    }


@books.get("/entries/<int:entry_id>")
@allow(*READERS)
def entry(entry_id: int) -> Page:
    view = reading.entry_view(db(), entry_id)
    if view is None:
        abort(404)
    return render_template(
        "office/books/entry.html",
        view=view,
        source=source_of(db(), view.entry),
        sold=sold_by(db(), view.entry),
        fault=reversal_fault(db(), view.entry),
    )


@books.get("/find")
@allow(*READERS)
def find() -> Page:
    sought = read_sought(request.args.get("find", ""))
    found = reading.find(db(), sought, before=whole_number(request.args.get("before")))
    return render_template(
        "office/books/find.html",
        sought=sought,
        found=found,
        sold=sold_like(db(), sought.words, office_today(db(), now())),
        most_sold=MOST_SOLD,
        months_back=MONTHS_BACK,
        most=reading.MOST_ACCOUNTS,
        asked={"find": sought.words},
        **_page_of(list(found.entries)),
    )


# --- exports ------------------------------------------------------------------------------------------------------------


def _export_form(args: MultiDict[str, str] | None = None) -> ExportForm:
    form = ExportForm(args)
    form.among(reading.months_of_books(db()), office_queries.malls(db()))
    return form


@books.get("/exports")
@allow(*READERS)
def exports() -> Page:
    return render_template("office/books/exports.html", form=_export_form(), wrong="")


@books.get("/export")
@allow(*READERS)
def export() -> Page:
    """The ledger as a file. Written beside first: a slow reader holds no lock, and what is cut short is known for it."""
    form = _export_form(request.args)
    if not form.validate():
        return render_template("office/books/exports.html", form=form, wrong=""), 422
    month, mall = form.month.month, office_queries.mall_by_code(db(), form.mall.data) if form.mall.data else None
    if dialect_name(db()) == "postgresql":
        # What has been read of this request ends here, and all that follows is one snapshot.
        db().commit()
        db().connection(execution_options={"isolation_level": "REPEATABLE READ"})
    head = ledger_head(db(), month=month, mall=mall)
    if head is None:
        raise Refusal("There is nothing to export: the books hold no entry up to then.")
    out = tempfile.TemporaryFile("w+b")  # noqa: SIM115  closed when the answer is sent
    try:
        for line in WRITERS[form.format.data](head, ledger_entries(db(), head, mall=mall)):
            out.write(line.encode("utf-8"))
    except BaseException:
        out.close()
        raise
    length = out.tell()
    out.seek(0)
    ending = {"csv": "csv", "beancount": "beancount", "journal": "journal"}[form.format.data]
    name = "-".join(filter(None, ["ledger", mall.code if mall else "", str(month) if month else "all"]))
    media_type = "text/csv" if ending == "csv" else "text/plain"
    response = download(iter(lambda: out.read(65536), b""), media_type, f"{name}.{ending}")
    response.content_length = length
    response.call_on_close(out.close)
    return response
