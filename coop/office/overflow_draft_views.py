"""A period's floor drafted, in the office: asked for, followed, stopped, looked at, published or dropped; those of before."""

from __future__ import annotations

from datetime import timedelta

from flask import abort, flash, redirect, render_template, request, url_for
from flask_wtf import FlaskForm

from coop.core.errors import Refusal
from coop.core.fields import DayField, Needed, NumberField, whole_number
from coop.core.web import Page, allow, db, now, roll_back, show_list
from coop.floor.models import Mall
from coop.office.mall_page import by, page_of, today_of, wanted_mall
from coop.office.overflow_outcome import (
    GIVEN,
    is_out_of_date,
    outcome_of,
    published,
    under_way,
    week_map,
    weeks_by_bay,
    widths_within,
)
from coop.office.overflow_views import overflow
from coop.office.views import READERS
from coop.overflow import drafting, publishing
from coop.overflow.drafting import MOST_SECONDS, MOST_WEEKS, SECONDS, WEEKS
from coop.overflow.models import OverflowDraft
from coop.overflow.queries import in_the_way, requests_waiting


class DraftForm(FlaskForm):  # type: ignore[misc]
    """The period that is drafted, how long may be looked for, and with which seed."""

    first_day = DayField("First day", validators=[Needed("Write the first day, like 2026-12-07.")])
    weeks = NumberField("Weeks", least=1, most=MOST_WEEKS, validators=[Needed("Write how many weeks.")])
    seconds = NumberField("Seconds at most", least=1, most=MOST_SECONDS, validators=[Needed("Write how many seconds.")])
    seed = NumberField("Seed", most=999_999_999)

    def refuse(self, refusal: Refusal) -> bool:
        """Stands at the field it is about; False where it is about none."""
        beginnings = {"The first day": self.first_day, "The weeks": self.weeks, "The seconds": self.seconds}
        field = next((one for start, one in beginnings.items() if str(refusal).startswith(start)), None)
        if field is not None:
            field.errors = [str(refusal)]
        return field is not None


class AgainForm(FlaskForm):  # type: ignore[misc]
    seconds = NumberField("Seconds at most", least=1, most=MOST_SECONDS, validators=[Needed("Write how many seconds.")])
    seed = NumberField("Seed", most=999_999_999)


# --- the draft there is -----------------------------------------------------------------------------------------------------


@overflow.get("/<mall_code>/draft")
@allow(*READERS)
def draft(mall_code: str) -> Page:
    return _page(wanted_mall(mall_code))


def _page(mall: Mall, form: DraftForm | None = None, again: AgainForm | None = None) -> Page:
    today = today_of(mall)
    it = under_way(db(), mall)
    shown = it.row if it and not it.is_going else None
    asked = DraftForm(formdata=None, first_day=today + timedelta(days=7 - today.weekday()), weeks=WEEKS, seconds=SECONDS)
    return _show(
        mall,
        shown,
        it=it,
        form=form or asked,
        again=again or AgainForm(formdata=None, seconds=SECONDS),
        refused=bool(form or again),
        waiting=len(requests_waiting(db(), mall.id)) if it is None else 0,
        out_of_date=bool(shown and shown.outcome) and is_out_of_date(db(), mall, it.row, today) if it else False,
        is_past=it is not None and it.row.first_day < today,
        of=None,
        before=published(db(), mall),
        dropped=drafting.last_dropped(db(), mall.id, today) if it is None else None,
    )


def _show(mall: Mall, row: OverflowDraft | None, refused: bool = False, **more: object) -> Page:
    """The page with the outcome of a draft, if there is one."""
    outcome = outcome_of(db(), mall, row) if row else None
    week = _week(row) if row else 0
    given = outcome.given if outcome else []
    return show_list(
        GIVEN.pick(given, {} if refused else request.args),
        "office/overflow/draft.html",
        f"overflow-draft-{mall.code}-{row.first_day if row else 'none'}",
        refused=refused,
        **page_of(mall),
        mistaken=refused,
        outcome=outcome,
        week=week,
        week_first=row.first_day + timedelta(weeks=week) if row else None,
        map=week_map(db(), mall, outcome, week, today_of(mall)) if outcome else None,
        drawn=weeks_by_bay(db(), mall, outcome) if outcome else [],
        spoiling={one.stay.id: why for one, why in in_the_way(db(), mall.id, today_of(mall))}
        if row and row.state == "draft"
        else {},
        widths=widths_within(db(), mall, row) if row else [],
        **more,
    )


def _week(row: OverflowDraft) -> int:
    """The week of the period that the address asks for, from 0."""
    return min(max(whole_number(request.args.get("week")) or 1, 1), row.weeks) - 1


@overflow.get("/<mall_code>/drafts/<int:draft_id>")
@allow(*READERS)
def published_draft(mall_code: str, draft_id: int) -> Page:
    """A draft that was published, or dropped, as it said then."""
    mall = wanted_mall(mall_code)
    row = _of(mall, draft_id)
    if row.state == "draft":
        abort(404)
    return _show(mall, row, of=row, it=None, before=[], waiting=0)


def _of(mall: Mall, draft_id: int) -> OverflowDraft:
    row = db().get(OverflowDraft, draft_id)
    if row is None or row.mall_id != mall.id:
        abort(404)
    return row


@overflow.get("/<mall_code>/draft/progress")
@allow(*READERS)
def draft_progress(mall_code: str) -> Page:
    """How far a draft is, for the page that shows it as it goes."""
    mall = wanted_mall(mall_code)
    return render_template("office/overflow/draft_progress.html", mall=mall, it=under_way(db(), mall))


def _to(mall_code: str) -> Page:
    return redirect(url_for("overflow.draft", mall_code=mall_code), 303)


def _wanted(mall_code: str) -> tuple[Mall, OverflowDraft]:
    mall = wanted_mall(mall_code)
    row = drafting.draft_of(db(), mall.id)
    if row is None:
        raise Refusal(f"No draft of {mall.name} waits any more: ask for one.")
    return mall, row


# --- worked out -------------------------------------------------------------------------------------------------------------


@overflow.post("/<mall_code>/draft")
@allow("manager")
def ask_draft(mall_code: str) -> Page:
    mall, form = wanted_mall(mall_code), DraftForm()
    if not form.validate():
        return _page(mall, form)
    try:
        drafting.ask_draft(
            db(),
            now(),
            mall,
            first_day=form.first_day.data,
            weeks=form.weeks.data,
            seconds=form.seconds.data,
            seed=form.seed.data,
            by=by(),
        )
    except Refusal as refusal:
        roll_back()
        if form.refuse(refusal):
            return _page(wanted_mall(mall_code), form)
        flash(str(refusal))
    return _to(mall_code)


@overflow.post("/<mall_code>/draft/again")
@allow("manager")
def draft_again(mall_code: str) -> Page:
    mall, row = _wanted(mall_code)
    form = AgainForm()
    if not form.validate():
        return _page(mall, again=form)
    drafting.redraft(db(), now(), row, seconds=form.seconds.data, seed=form.seed.data, by=by())
    return _to(mall_code)


@overflow.post("/<mall_code>/draft/stop")
@allow("manager")
def stop_draft(mall_code: str) -> Page:
    """Let a draft end with the best it has."""
    _, row = _wanted(mall_code)
    drafting.stop_draft(db(), now(), row, by=by())
    flash("It is being stopped: the best that is found so far is kept.")
    return _to(mall_code)


# --- published or dropped -----------------------------------------------------------------------------------------------------


@overflow.post("/<mall_code>/draft/publish")
@allow("manager")
def publish(mall_code: str) -> Page:
    """What the page that was sent showed; another draft made meanwhile is looked at first."""
    _, row = _wanted(mall_code)
    if whole_number(request.form.get("version")) != row.version:
        raise Refusal("This draft was worked out anew since you opened it: look at it as it is now, and publish that.")
    pieces = publishing.publish(db(), now(), row, by=by())
    flash(
        f"It is published: {'one piece gets' if pieces == 1 else f'{pieces} pieces get'} floor, and everybody who asked is told."
    )
    return redirect(url_for("overflow.published_draft", mall_code=mall_code, draft_id=row.id), 303)


@overflow.post("/<mall_code>/draft/drop")
@allow("manager")
def drop_draft(mall_code: str) -> Page:
    mall, row = _wanted(mall_code)
    drafting.drop_draft(db(), now(), row, by=by())
    return _to(mall.code)


@overflow.post("/<mall_code>/drafts/<int:draft_id>/again")
@allow("manager")
def take_up_draft(mall_code: str, draft_id: int) -> Page:
    """Undo a drop."""
    row = _of(wanted_mall(mall_code), draft_id)
    drafting.take_up_draft(db(), now(), row, by=by())
    return _to(mall_code)
