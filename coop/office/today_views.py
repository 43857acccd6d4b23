"""Today: what needs a decision, what the malls sold; for a new co-op, how it begins. And work that failed, with what to do."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for

from coop.core.failed import leave_undone, take_up_again
from coop.core.web import Page, allow, db, now, request_id, visitor
from coop.office import queries
from coop.office.failed_work import WORDS, failed_work, find_failed, in_words
from coop.office.first_steps import beginning_of
from coop.office.mall_page import today_of
from coop.office.on_turn import on_turn
from coop.office.tax_queries import today as office_today
from coop.office.trading import trading
from coop.office.views import READERS, office
from coop.office.waiting import waiting_things


@office.get("/")
@allow(*READERS)
def today() -> Page:
    malls = queries.malls(db())
    days = {mall.id: today_of(mall) for mall in malls}
    return render_template(
        "office/today.html",
        today=office_today(db(), now()),
        beginning=beginning_of(db(), visitor(), malls),
        waiting=waiting_things(db(), now(), malls) if malls else (),
        on_turn=on_turn(db(), now()),
        several=len(malls) > 1,
        trading=trading(db(), malls, days) if malls else None,
    )


# --- work that failed -----------------------------------------------------------------------------------------------------

_GONE = "It is not in this list any more."


@office.get("/failed")
@allow(*READERS)
def work() -> Page:
    """Work in the background that failed: what it was, and why."""
    return render_template("office/work.html", rows=failed_work(db()), words=WORDS)


@office.post("/failed/<int:job_id>/again")
@allow("manager")
def do_again(job_id: int) -> Page:
    found = find_failed(db(), job_id)
    if found is None:
        flash(_GONE)
    else:
        take_up_again(db(), now(), found, said=in_words(found), user_id=visitor().user_id, request_id=request_id())
        flash("It is taken up again. If it fails once more, it comes back to this list.")
    return redirect(url_for("office.work"), 303)


@office.post("/failed/<int:job_id>/leave")
@allow("manager")
def leave_work(job_id: int) -> Page:
    """Take a piece of work off the list without doing it: what it was and why it failed stay in the log."""
    found = find_failed(db(), job_id)
    if found is None:
        flash(_GONE)
    else:
        leave_undone(db(), now(), found, said=in_words(found), user_id=visitor().user_id, request_id=request_id())
        flash("It is left undone. What it was stays in the log.")
    return redirect(url_for("office.work"), 303)
