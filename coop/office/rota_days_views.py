"""Days of a mall's turns in the office: who came in a month, what is decided of those who did not, and the mall's own lists."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for

from coop.books.queries import last_closed
from coop.core.errors import Refusal
from coop.core.fields import told
from coop.core.periods import Month
from coop.core.web import Page, allow, db, now, roll_back, show_list, visitor
from coop.dealers.models import Member
from coop.floor.models import Mall
from coop.office import queries as office_queries
from coop.office.mall_page import by, today_of, wanted_mall
from coop.office.rota_days_forms import ChecklistForm, SetRightForm
from coop.office.rota_days_list import day_of, listed_days
from coop.office.views import READERS
from coop.shifts import attending, checklists
from coop.shifts.accounts import set_right as set_account_right
from coop.shifts.models import Turn
from coop.shifts.month_end import unwritten
from coop.shifts.owing import workers_of
from coop.shifts.queries import said
from coop.shifts.rules import rules_on
from coop.shifts.substitutes import CAUTION
from coop.shifts.wording import balance_shown, turns_shown

rota_days = Blueprint("rota_days", __name__, url_prefix="/office/rota")


@rota_days.context_processor
def _shared() -> dict[str, object]:
    return {
        "caution": CAUTION,
        "turns_shown": turns_shown,
        "balance_shown": balance_shown,
    }


# --- who came ---------------------------------------------------------------------------------------------------------------


@rota_days.get("/<mall_code>/<month:month>/attendance")
@allow(*READERS)
def attendance(mall_code: str, month: Month) -> Page:
    return _page(wanted_mall(mall_code), month)


def _page(mall: Mall, month: Month, form: SetRightForm | None = None) -> Page:
    today = today_of(mall)
    seen = attending.turns_in(db(), mall, month)
    days = [day_of(one, mall, now()) for one in seen]
    unsaid = {one.turn.id for one in unwritten(seen)}
    workers = workers_of(db(), mall, month)
    refused, form = form is not None, form or SetRightForm(formdata=None)
    form.among([(worker.member_id, worker.name) for worker in workers])
    closed = last_closed(db(), mall.id)
    return show_list(
        listed_days(days, request.args if request.method == "GET" else {}),
        "office/rota/attendance.html",
        f"attendance-{mall.code}-{month}",
        refused=refused,
        mall=mall,
        month=month,
        rules=rules_on(db(), mall.id, month.first_day),
        turns=len(days),
        to_write=[day for day in days if day.state == "unwritten" and day.seen.turn.id in unsaid],
        kept=any(one.came for one in seen),
        to_decide=[day for day in days if day.seen.awaits_decision and day.seen.turn.state == "standing"],
        decided=[day for day in days if day.may_be_decided and day.decision],
        undone=checklists.unticked(db(), mall, month, today),
        kinds=checklists.KINDS,
        moment_now=now(),
        is_closed=closed is not None and month <= closed,
        form=form,
    )


def _wanted(mall_code: str, month: Month, turn_id: int) -> tuple[Mall, Turn]:
    mall, turn = wanted_mall(mall_code), db().get(Turn, turn_id)
    if turn is None or turn.mall_id != mall.id or turn.on_date not in month:
        abort(404)
    return mall, turn


def _back(mall: Mall, month: Month, anchor: str | None = None) -> Page:
    return redirect(url_for("rota_days.attendance", mall_code=mall.code, month=month, _anchor=anchor), 303)


@rota_days.post("/<mall_code>/<month:month>/attendance/<int:turn_id>/written")
@allow("manager")
def write_down(mall_code: str, month: Month, turn_id: int) -> Page:
    """Whether a turn was worked that nobody signed in to."""
    mall, turn = _wanted(mall_code, month, turn_id)
    came = request.form.get("came") == "yes"
    attending.write_down(db(), now(), turn, came, user_id=visitor().user_id)
    who = db().get_one(Member, turn.member_id).name if turn.member_id else "Nobody"
    flash(f"{who} {'worked' if came else 'did not come to'} {said(db(), turn)}: it is written down.")
    return _back(mall, month, "to-do")


@rota_days.post("/<mall_code>/<month:month>/attendance/all-worked")
@allow("manager")
def write_all(mall_code: str, month: Month) -> Page:
    """All turns that are over and that nobody signed in to were worked; but for the manager's own, which another writes down."""
    mall = wanted_mall(mall_code)
    own = visitor().member_id
    written = left = 0
    for one in unwritten(attending.turns_in(db(), mall, month)):
        if one.turn.ends_at > now():
            continue
        if own is not None and one.turn.member_id == own:
            left += 1
            continue
        attending.write_down(db(), now(), one.turn, True, user_id=visitor().user_id)
        written += 1
    own_left = f" {left} of your own {'is' if left == 1 else 'are'} left: a second person writes them down." if left else ""
    flash(f"{written} {'turn is' if written == 1 else 'turns are'} written down as worked.{own_left}")
    return _back(mall, month, "to-do")


@rota_days.post("/<mall_code>/<month:month>/attendance/<int:turn_id>/decide")
@allow("manager")
def decide(mall_code: str, month: Month, turn_id: int) -> Page:
    """Whether one who did not come, or came late, is excused, owes the turn on, or is charged."""
    mall, turn = _wanted(mall_code, month, turn_id)
    decision, note = request.form.get("decision", ""), request.form.get("note", "")
    attending.decide(db(), now(), turn, decision, user_id=visitor().user_id, note=note)
    flash(f"{said(db(), turn)}: {attending.DECISIONS[decision]}.")
    return _back(mall, month, "to-do")


@rota_days.post("/<mall_code>/<month:month>/attendance/account")
@allow("manager")
def set_right(mall_code: str, month: Month) -> Page:
    mall, form = wanted_mall(mall_code), SetRightForm()
    form.among([(worker.member_id, worker.name) for worker in workers_of(db(), mall, month)])
    if not form.check():
        return _page(mall, month, form)
    turns = form.turns.data if form.how.data == "more" else -form.turns.data
    try:
        row = set_account_right(db(), now(), mall, int(form.member.data), turns, form.why.data, by=by())
    except Refusal as refusal:
        roll_back()
        told(form.turns, str(refusal))
        return _page(wanted_mall(mall_code), month, form)
    name = db().get_one(Member, row.member_id).name
    flash(f"The account of {name} is set right by {balance_shown(row.turns)}, in {Month.of(row.first_day).name}.")
    return _back(mall, month, "account")


# --- the mall's own lists ---------------------------------------------------------------------------------------------------


@rota_days.get("/<mall_code>/checklists")
@allow(*READERS)
def lists(mall_code: str) -> Page:
    return _lists_page(wanted_mall(mall_code))


def _lists_page(mall: Mall, kind: str = "", form: ChecklistForm | None = None) -> str:
    today = today_of(mall)
    lines = checklists.lines_on(db(), mall.id, today)
    forms = {
        each: form
        if form is not None and each == kind
        # A line that was ticked and then taken off stands until tonight: it is no line of the list any more.
        else ChecklistForm(
            formdata=None,
            prefix=each,
            words="\n".join(line.item.words for line in lines.get(each, []) if line.item.ended_on is None),
        )
        for each in checklists.KINDS
    }
    return render_template(
        "office/rota/checklists.html",
        mall=mall,
        malls=office_queries.malls(db()),
        kinds=checklists.KINDS,
        lists=lines,
        forms=forms,
        undone=checklists.unticked(db(), mall, Month.of(today), today),
        month=Month.of(today),
    )


@rota_days.post("/<mall_code>/checklists/<kind>")
@allow("manager")
def set_list(mall_code: str, kind: str) -> Page:
    mall = wanted_mall(mall_code)
    if kind not in checklists.KINDS:
        abort(404)
    form = ChecklistForm(prefix=kind)
    form.validate()
    try:
        items = checklists.set_list(db(), now(), mall, kind, form.lines, by=by())
    except Refusal as refusal:
        roll_back()
        told(form.words, str(refusal))
        return _lists_page(wanted_mall(mall_code), kind, form), 422
    flash(f"The list {checklists.KINDS[kind]} has {len(items)} {'line' if len(items) == 1 else 'lines'}.")
    return redirect(url_for("rota_days.lists", mall_code=mall.code), 303)
