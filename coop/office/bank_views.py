"""The bank in the office: its lines and what they are, its files, money taken there, months reconciled."""

from __future__ import annotations

import re

from flask import Blueprint, Response, abort, flash, redirect, render_template, request, url_for

from coop.books.bank_lines import LineRow, bring_file, files_of, ids_of, line_row, months_with_lines
from coop.books.bank_matching import (
    accept,
    is_settled,
    match_by_hand,
    match_proposed,
    matches_of,
    open_items,
    proposals,
    undo_match,
)
from coop.books.bank_months import (
    book_balance,
    is_over,
    last_known_balance,
    month_sheet,
    month_state,
    months_reconciled,
    reconcile_month,
)
from coop.books.banking import cancel_lines, settle_proposed_cards
from coop.books.domain.bank_export import ExportLine, lines_csv
from coop.books.domain.bank_file import MOST_BYTES
from coop.books.domain.matching import OpenItem, Proposal
from coop.books.models import BankLine, BankMatch
from coop.core.errors import Refusal
from coop.core.fields import told, whole_number
from coop.core.listing import Listed, wants_csv
from coop.core.money import format_dollars
from coop.core.periods import Month
from coop.core.web import Page, allow, db, download, now, roll_back, takes, visitor
from coop.dealers.models import UserAccount
from coop.office.bank_deeds import DEEDS, Deed, deeds_for
from coop.office.bank_forms import BankFileForm, ReconcileForm
from coop.office.bank_list import month_of, read_lines
from coop.office.tax_queries import today as office_today
from coop.office.views import READERS

ACTORS = ("manager", "bookkeeper")
NEAR = 60
"""Entries offered for a line, the nearest in amount and day first."""

_CARD_WORDS = re.compile(r"\b(cards?|settlement|merchant)\b", re.IGNORECASE)
"""What banks call the card company's payouts. Common practice, no source."""

bank = Blueprint("bank", __name__, url_prefix="/office/bank")


@bank.context_processor
def _shared() -> dict[str, object]:
    return {"may_act": bool(visitor().roles & set(ACTORS))}


# --- lines --------------------------------------------------------------------------------------------------------------


@bank.get("/")
@allow(*READERS)
def first() -> Page:
    months = months_with_lines(db())
    listed = read_lines(db(), months, request.args)
    if wants_csv(request.args):
        return _lines_file(listed)
    month, lines = month_of(listed), [row.line.id for row in listed.rows]
    found, today = proposals(db()), office_today(db(), now())
    here = ids_of(db(), month)
    within = [one for line_id, one in found.items() if line_id in here]
    return render_template(
        "office/bank/lines.html",
        months=months,
        month=month,
        listed=listed,
        proposals=found,
        matches=matches_of(db(), lines),
        to_match=sum(one.matches for one in within),
        to_settle=sum(one.kind == "cards" for one in within),
        today=today,
        book_cents=book_balance(db(), today),
        at_bank=last_known_balance(db()),
    )


@bank.get("/lines.csv")
@allow(*READERS)
def lines_as_csv() -> Page:
    return _lines_file(read_lines(db(), months_with_lines(db()), request.args.to_dict() | {"as": "csv"}))


def _lines_file(listed: Listed[LineRow]) -> Response:
    """The lines that are asked for, with their matches, their period and control totals."""
    month, rows = month_of(listed), listed.rows
    matches = matches_of(db(), [row.line.id for row in rows])
    days = sorted(row.line.on for row in rows)
    if month:
        period = f"{month.first_day} to {month.last_day}"
    else:
        period = f"{days[0]} to {days[-1]}" if days else "no line"
    narrowed = {one.filter.key: one.value for one in listed.asked if one.value and not one.fault and one.filter.key != "month"}
    which = ", not matched" if narrowed == {"which": "unmatched"} else ", not every line" if narrowed else ""
    text = lines_csv(
        period + which,
        [
            ExportLine(
                row.line.on,
                row.line.amount_cents,
                row.line.reference,
                row.line.words,
                row.state,
                row.matched_cents,
                [one.entry.id for one in matches.get(row.line.id, ())],
            )
            for row in rows
        ],
    )
    return download(text, "text/csv", f"bank-lines-{month or 'all'}.csv")


def _month_sent() -> Month | None:
    try:
        return Month.parse(request.form.get("month", ""))
    except ValueError:
        return None


@bank.post("/match")
@allow(*ACTORS)
def match_all() -> Page:
    """Match what is proposed for a month, or for all."""
    month = _month_sent()
    count = match_proposed(db(), now(), month=month, user_id=visitor().user_id)
    flash("No line could be matched." if not count else "One line is matched." if count == 1 else f"{count} lines are matched.")
    return redirect(url_for("bank.first", month=month or "all"), 303)


@bank.post("/cards")
@allow(*ACTORS)
def settle_cards() -> Page:
    """Enter every batch of cards that is proposed for a month, or for all."""
    month = _month_sent()
    count = settle_proposed_cards(db(), now(), month=month, user_id=visitor().user_id)
    flash("No batch was entered." if not count else "One batch is entered." if count == 1 else f"{count} batches are entered.")
    return redirect(url_for("bank.first", month=month or "all"), 303)


# --- one line -----------------------------------------------------------------------------------------------------------


def _wanted(line_id: int) -> LineRow:
    found = line_row(db(), line_id)
    if found is None:
        abort(404)
    return found


def _nearest(row: LineRow) -> list[OpenItem]:
    """Entries the line could be: those of its direction first, then by how near they are in amount and day."""

    def apart(item: OpenItem) -> tuple[bool, bool, int, int]:
        other_way = (item.cents > 0) != (row.open_cents > 0)
        return other_way, item.cents != row.open_cents, abs((item.on - row.line.on).days), abs(item.cents - row.open_cents)

    return sorted(open_items(db(), pairs=True), key=apart)[:NEAR]


@bank.get("/lines/<int:line_id>")
@allow(*READERS)
def line(line_id: int) -> Page:
    return _line_page(line_id)


def _line_page(line_id: int, *, deed: str = "", form: object = None, wrong: str = "") -> str:
    row = _wanted(line_id)
    found = proposals(db()).get(line_id) if row.open_cents else None
    other = db().get(BankLine, found.other_line_id) if found and found.other_line_id else None
    return render_template(
        "office/bank/line.html",
        row=row,
        proposal=found,
        other=other,
        matches=matches_of(db(), [line_id]).get(line_id, []),
        items=_nearest(row) if row.open_cents else [],
        deeds=_forms(row, found, deed, form) if row.open_cents else [],
        cards_first=_like_cards(row, found),
        reconciled=_may_change(Month.of(row.line.on)),
        wrong=wrong,
    )


def _forms(row: LineRow, found: Proposal | None, tried: str, form: object) -> list[tuple[Deed, object]]:
    """Each thing the line may be entered as, with its form; of the one that was tried, as it was filled in."""
    return [
        (deed, form if deed.name == tried and form else deed.blank(db(), row.line, row.open_cents, found))
        for deed in deeds_for(row.open_cents)
    ]


def _may_change(month: Month) -> bool:
    """Whether a month is reconciled, and what is done to its lines makes it another."""
    return month_state(db(), month) in ("reconciled", "waits") and not is_settled(db(), month)


def _like_cards(row: LineRow, found: Proposal | None) -> bool:
    """Whether a line is likely to be card sales, whatever fits it: by what fits, or by the bank's words for it."""
    if found and (found.matches or found.kind == "cancels"):
        return False
    by_fit = found is not None and (found.kind == "cards" or (found.kind == "ambiguous" and not found.items))
    return by_fit or bool(_CARD_WORDS.search(row.line.words))


def _done(line_id: int, said: str) -> Page:
    flash(said)
    return redirect(url_for("bank.line", line_id=line_id), 303)


@bank.post("/lines/<int:line_id>/accept")
@allow(*ACTORS)
def accept_proposal(line_id: int) -> Page:
    _wanted(line_id)
    try:
        accept(db(), now(), line_id, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _line_page(line_id, wrong=str(refusal)), 422
    return _done(line_id, "The line is matched.")


@bank.post("/lines/<int:line_id>/match")
@allow(*ACTORS)
def match(line_id: int) -> Page:
    """With the entries that are marked."""
    _wanted(line_id)
    try:
        left = match_by_hand(db(), now(), line_id, request.form.getlist("entry"), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _line_page(line_id, wrong=str(refusal)), 422
    return _done(line_id, f"It is matched; {format_dollars(left)} of the line is open still." if left else "The line is matched.")


@bank.post("/lines/<int:line_id>/as/<what>")
@allow(*ACTORS)
def enter(line_id: int, what: str) -> Page:
    """Make the entry a line gives rise to."""
    row, deed = _wanted(line_id), DEEDS.get(what)
    if deed is None:
        abort(404)
    form = deed.filled(db(), row.open_cents)
    if not deed.good(form):
        return _line_page(line_id, deed=what, form=form), 422
    try:
        deed.do(db(), now(), line_id, form, visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _line_page(line_id, deed=what, form=form, wrong=str(refusal)), 422
    return _done(line_id, "The entry is made, and the line matched with it.")


@bank.post("/lines/<int:line_id>/cancel")
@allow(*ACTORS)
def cancel(line_id: int) -> Page:
    """With the line by which the bank took it back."""
    _wanted(line_id)
    try:
        cancel_lines(db(), now(), line_id, whole_number(request.form.get("other")) or 0, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        return _line_page(line_id, wrong=str(refusal)), 422
    return _done(line_id, "The two lines cancel each other.")


@bank.post("/matches/<int:match_id>/undo")
@allow(*ACTORS)
def undo(match_id: int) -> Page:
    found = db().get(BankMatch, match_id)
    line_id, made = (found.line_id, found.how == "made") if found else (0, False)
    try:
        undo_match(db(), now(), match_id, user_id=visitor().user_id)
    except Refusal as refusal:
        if not line_id:
            raise
        roll_back()
        return _line_page(line_id, wrong=str(refusal)), 422
    return _done(line_id, "It is taken back, and the entry reversed." if made else "It is taken back.")


# --- files --------------------------------------------------------------------------------------------------------------


@bank.get("/files")
@allow(*READERS)
def files() -> Page:
    return _files_page(BankFileForm(formdata=None))


def _files_page(form: BankFileForm) -> str:
    return render_template("office/bank/files.html", files=files_of(db()), form=form, most_mib=MOST_BYTES // 2**20)


@bank.post("/files")
@allow(*ACTORS)
@takes(MOST_BYTES + 64 * 1024)
def bring() -> Page:
    form = BankFileForm()
    if not form.validate_on_submit():
        return _files_page(form), 422
    sent = form.file.data
    try:
        brought = bring_file(db(), now(), sent.filename or "file", sent.stream.read(MOST_BYTES + 1), user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        told(form.file, str(refusal))
        return _files_page(form), 422
    here = f" {brought.lines_here} were here already." if brought.lines_here else ""
    flash(f"{'One new line is' if brought.lines == 1 else f'{brought.lines} new lines are'} here.{here}")
    return redirect(url_for("bank.first", month=Month.of(brought.last_day)), 303)


# --- months -------------------------------------------------------------------------------------------------------------


@bank.get("/months")
@allow(*READERS)
def months() -> Page:
    return render_template("office/bank/months.html", rows=months_reconciled(db(), Month.of(office_today(db(), now()))))


@bank.get("/months/<month:month>")
@allow(*READERS)
def month(month: Month) -> Page:
    return _month_page(month)


def _month_page(month: Month, form: ReconcileForm | None = None, wrong: str = "") -> str:
    sheet = month_sheet(db(), month)
    if form is None:
        typed = sheet.made.bank_cents if sheet.made else sheet.suggested_cents
        form = ReconcileForm(formdata=None, bank=typed, explanation=sheet.made.explanation if sheet.made else "")
    made_by = db().get(UserAccount, sheet.made.made_by) if sheet.made and sheet.made.made_by else None
    return render_template(
        "office/bank/month.html",
        sheet=sheet,
        standing=sheet.standing,
        is_over=is_over(db(), now(), month),
        made_by=made_by,
        form=form,
        wrong=wrong,
    )


@bank.post("/months/<month:month>")
@allow(*ACTORS)
def reconcile(month: Month) -> Page:
    form = ReconcileForm()
    if not form.validate():
        return _month_page(month, form), 422
    try:
        reconcile_month(
            db(),
            now(),
            month,
            bank_cents=form.bank.data,
            explanation=form.explanation.data,
            user_id=visitor().user_id,
        )
    except Refusal as refusal:
        roll_back()
        return _month_page(month, form, str(refusal)), 422
    waits = month_sheet(db(), month).waits
    flash(f"{month.name} waits for a second person, who reconciles it too." if waits else f"{month.name} is reconciled.")
    return redirect(url_for("bank.month", month=month), 303)
