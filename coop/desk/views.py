"""The desk: members sign in and out of their turns, tick the mall's lists, and see whom to call."""

from __future__ import annotations

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from sqlalchemy import select

from coop.core.errors import Refusal
from coop.core.web import Page, allow, db, now, roll_back, visitor
from coop.dealers.models import Member
from coop.desk import queries
from coop.floor.models import Mall
from coop.leases.holding import today_at
from coop.shifts import attending, checklists
from coop.shifts.models import Turn, TurnHelper

desk = Blueprint("desk", __name__, url_prefix="/desk")
WHO = ("desk", "manager")


def _wanted_mall(code: str) -> Mall:
    mall = db().scalar(select(Mall).where(Mall.code == code))
    if mall is None:
        abort(404)
    return mall


def _malls() -> list[Mall]:
    return list(db().scalars(select(Mall).order_by(Mall.code)))


def _wanted_turn(mall: Mall, turn_id: int) -> attending.Seen:
    found = attending.turns_seen(db(), Turn.id == turn_id, Turn.mall_id == mall.id)
    if not found:
        abort(404)
    return found[0]


def _back(mall_code: str, anchor: str | None = None, over: int | None = None) -> Page:
    return redirect(url_for("desk.day", mall_code=mall_code, over=over, _anchor=anchor), 303)


@desk.get("/")
@allow(*WHO)
def first() -> Page:
    malls = _malls()
    if len(malls) == 1:
        return redirect(url_for("desk.day", mall_code=malls[0].code), 303)
    return render_template("desk/malls.html", malls=malls)


@desk.get("/<mall_code>")
@allow(*WHO)
def day(mall_code: str) -> Page:
    """A mall's day: who is on, who is to come, whom to call, and its lists."""
    mall = _wanted_mall(mall_code)
    today = queries.day_of(db(), mall, now())
    return render_template(
        "desk/day.html",
        mall=mall,
        malls=_malls(),
        day=today,
        handed_over=_handed_over(mall, today),
        lists=checklists.lines_on(db(), mall.id, today.today),
        kinds=checklists.KINDS,
    )


def _handed_over(mall: Mall, today: queries.DeskDay) -> queries.DeskTurn | None:
    """The turn that was signed out of just now, where a drawer is counted at its end and is not yet."""
    asked = request.args.get("over", "")
    turn = next((one for one in today.of("gone") if str(one.id) == asked), None)
    if turn is None or turn.seen.attendance is None or turn.seen.attendance.drawer_count_id is not None:
        return None
    return turn if queries.wants_count(db(), mall, today.today) else None


# --- one turn ---------------------------------------------------------------------------------------------------------------


@desk.get("/<mall_code>/turns/<int:turn_id>")
@allow(*WHO)
def turn(mall_code: str, turn_id: int) -> Page:
    """Who stands at a turn: its member, a helper, or somebody in the place of who did not come."""
    mall = _wanted_mall(mall_code)
    seen = _wanted_turn(mall, turn_id)
    return render_template(
        "desk/turn.html",
        mall=mall,
        turn=queries.turn_of(db(), mall, seen, now(), calls=not seen.came),
        helpers=queries.helpers_for(db(), seen),
        others=queries.others_for(db(), mall, seen),
    )


@desk.post("/<mall_code>/turns/<int:turn_id>/in")
@allow(*WHO)
def sign_in(mall_code: str, turn_id: int) -> Page:
    mall = _wanted_mall(mall_code)
    seen = _wanted_turn(mall, turn_id)
    member_id, helper_id = _who_stands(seen)
    if member_id is None:
        flash("Nobody is signed in yet: choose who stands.")
        return redirect(url_for("desk.turn", mall_code=mall.code, turn_id=turn_id), 303)
    try:
        came = attending.sign_in(db(), now(), seen.turn, member_id, helper_id=helper_id, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return redirect(url_for("desk.turn", mall_code=mall_code, turn_id=turn_id), 303)
    who = _wanted_turn(mall, turn_id).who
    flash(f"{who} is signed in to {queries.said_of(seen, mall)}{', late' if came.late else ''}.")
    return _back(mall.code)


def _who_stands(seen: attending.Seen) -> tuple[int | None, int | None]:
    """Member and helper that the form names: `member:5`, `helper:3`, or `other` with a member chosen from the list.

    Nobody where an older page names who had the turn and has it no more, or nobody there is.
    """
    how, _, number = request.form.get("who", "").partition(":")
    if how == "other":
        number = request.form.get("other", "")
    if not (number.isascii() and number.isdigit() and len(number) < 10):
        return None, None
    if how == "helper":
        helper = db().get(TurnHelper, int(number))
        return (helper.member_id, helper.id) if helper is not None and helper.member_id == seen.turn.member_id else (None, None)
    has_it = seen.member is not None and seen.member.id == int(number)
    if (how == "member" and not has_it and not seen.came) or db().get(Member, int(number)) is None:
        return None, None
    return int(number), None


@desk.post("/<mall_code>/turns/<int:turn_id>/out")
@allow(*WHO)
def sign_out(mall_code: str, turn_id: int) -> Page:
    mall = _wanted_mall(mall_code)
    seen = _wanted_turn(mall, turn_id)
    try:
        attending.sign_out(db(), now(), seen.turn, user_id=visitor().user_id)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _back(mall_code)
    flash(f"{seen.who} is signed out of {queries.said_of(seen, mall)}.")
    return _back(mall.code, over=turn_id)


# --- the mall's own lists -----------------------------------------------------------------------------------------------------


@desk.post("/<mall_code>/lists/<kind>")
@allow(*WHO)
def tick(mall_code: str, kind: str) -> Page:
    """Tick lines of a list of today, as whoever of those on did them."""
    mall = _wanted_mall(mall_code)
    if kind not in checklists.KINDS:
        abort(404)
    wanted = [int(one) for one in request.form.getlist("line") if one.isascii() and one.isdigit() and len(one) < 10]
    who = request.form.get("by", "")
    on = {
        seen.member.id
        for seen in attending.turns_on(db(), mall, today_at(db(), now(), mall.id))
        if seen.came and seen.member is not None
    }
    by = int(who) if who.isascii() and who.isdigit() and len(who) < 10 and int(who) in on else None
    try:
        ticked = checklists.tick(db(), now(), mall, wanted, user_id=visitor().user_id, member_id=by)
    except Refusal as refusal:
        roll_back()
        flash(str(refusal))
        return _back(mall_code, kind)
    flash(
        f"{ticked} {'line is' if ticked == 1 else 'lines are'} ticked." if ticked else "Nothing is ticked: choose a line first."
    )
    return _back(mall.code, kind)
