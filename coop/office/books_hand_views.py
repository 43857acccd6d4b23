"""Entries by hand in the office: those that wait, a new one, its approval or refusal, its paper; a reversal."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, request, url_for

from coop.books import journal as service
from coop.books import reading
from coop.books.hand_accounts import suggested_accounts
from coop.books.models import Journal
from coop.books.rules import rules_on
from coop.core.documents import Document
from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.web import Page, allow, db, now, roll_back, send_document, show_list, takes, visitor
from coop.office import queries as office_queries
from coop.office.books_forms import JournalForm, RefuseForm, ReversalForm
from coop.office.books_list import HAND
from coop.office.books_views import WRITERS_BY_HAND, books
from coop.office.tax_queries import today as office_today
from coop.office.views import READERS

MOST_FORM_BYTES = service.MOST_PAPER_BYTES + 512 * 1024


@books.get("/by-hand")
@allow(*READERS)
def hand() -> Page:
    listed = HAND.read(db(), reading.journals_query(waiting=False), request.args, reading.journal_row)
    return show_list(listed, "office/books/hand.html", "entries-by-hand", waiting=reading.waiting_journals(db()))


@books.get("/by-hand/new")
@allow(*WRITERS_BY_HAND)
def new() -> Page:
    return _new_page(JournalForm(formdata=None, on=office_today(db(), now())))


def _new_page(form: JournalForm, wrong: str = "") -> str:
    form.among(office_queries.malls(db()))
    return render_template(
        "office/books/new.html",
        form=form,
        wrong=wrong,
        accounts=suggested_accounts(db()),
        limit_cents=rules_on(db(), office_today(db(), now())).journal_limit_cents,
        most_mib=service.MOST_PAPER_BYTES // (1024 * 1024),
    )


@books.post("/by-hand/new")
@allow(*WRITERS_BY_HAND)
@takes(MOST_FORM_BYTES)
def enter() -> Page:
    form = JournalForm()
    form.among(office_queries.malls(db()))
    if form.more.data:
        form.add_rows()
        return _new_page(form)
    if not form.check():
        return _new_page(form), 422
    mall = office_queries.mall_by_code(db(), form.mall.data) if form.mall.data else None
    try:
        made = service.enter_journal(
            db(),
            now(),
            key=form.key.made(),
            mall=mall,
            on=form.on.data,
            lines=form.hand_lines(),
            reason=form.reason.data,
            document=form.paper,
            new_accounts=form.new_accounts.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        return _new_page(form, form.tell(refusal)), 422
    _said(made)
    return redirect(url_for("books.by_hand", journal_id=made.id), 303)


def _said(made: Journal) -> None:
    if made.state == "posted":
        flash(f"Journal entry {made.id} is posted.")
    else:
        flash(f"Journal entry {made.id} is kept. It waits for a second person to approve it.")


# --- one of them --------------------------------------------------------------------------------------------------------


@books.get("/by-hand/<int:journal_id>")
@allow(*READERS)
def by_hand(journal_id: int) -> Page:
    return _page(journal_id)


def _page(journal_id: int, *, form: RefuseForm | None = None, wrong: str = "") -> str:
    view = reading.journal_view(db(), journal_id)
    if view is None:
        abort(404)
    document = db().get(Document, view.journal.document_id) if view.journal.document_id else None
    return render_template(
        "office/books/by_hand.html",
        view=view,
        document=document,
        form=form or RefuseForm(formdata=None),
        wrong=wrong,
        mine=view.journal.entered_by == visitor().user_id,
    )


@books.post("/by-hand/<int:journal_id>/approve")
@allow(*WRITERS_BY_HAND)
def approve(journal_id: int) -> Page:
    try:
        made = service.approve_journal(db(), now(), journal_id, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _page(journal_id, wrong=str(refusal)), 422
    flash(f"Journal entry {made.id} is approved and posted.")
    return redirect(url_for("books.by_hand", journal_id=journal_id), 303)


@books.post("/by-hand/<int:journal_id>/refuse")
@allow(*WRITERS_BY_HAND)
def refuse(journal_id: int) -> Page:
    form = RefuseForm()
    if not form.validate():
        return _page(journal_id, form=form), 422
    try:
        service.refuse_journal(db(), now(), journal_id, form.reason.data, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _page(journal_id, form=form, wrong=str(refusal)), 422
    flash(f"Journal entry {journal_id} is not posted. It is kept with the reason.")
    return redirect(url_for("books.by_hand", journal_id=journal_id), 303)


@books.get("/by-hand/<int:journal_id>/document")
@allow(*READERS)
def paper(journal_id: int) -> Page:
    found = db().get(Journal, journal_id)
    return send_document(db().get(Document, found.document_id) if found and found.document_id else None)


# --- reversed -----------------------------------------------------------------------------------------------------------


@books.get("/entries/<int:entry_id>/reverse")
@allow(*WRITERS_BY_HAND)
def reversal(entry_id: int) -> Page:
    return _reversal_page(entry_id, ReversalForm(formdata=None, on=office_today(db(), now())))


def _reversal_page(entry_id: int, form: ReversalForm, wrong: str = "") -> str:
    view = reading.entry_view(db(), entry_id)
    if view is None:
        abort(404)
    fault = service.reversal_fault(db(), view.entry)
    return render_template("office/books/reverse.html", view=view, form=form, fault=fault, wrong="" if wrong == fault else wrong)


@books.post("/entries/<int:entry_id>/reverse")
@allow(*WRITERS_BY_HAND)
def reverse(entry_id: int) -> Page:
    form = ReversalForm()
    if not form.validate():
        return _reversal_page(entry_id, form), 422
    try:
        made = service.reverse_by_hand(
            db(),
            now(),
            entry_id,
            key=form.key.made(),
            on=form.on.data,
            reason=form.reason.data,
            user_id=visitor().user_id,
        )
    except service.DayRefused as refusal:
        roll_back()
        told(form.on, str(refusal))
        return _reversal_page(entry_id, form), 422
    except Refusal as refusal:
        roll_back()
        return _reversal_page(entry_id, form, str(refusal)), 422
    _said(made)
    return redirect(url_for("books.by_hand", journal_id=made.id), 303)
