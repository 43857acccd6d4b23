"""The portal: the moves of a reset, shown one by one and ticked off in the booth, with a network or without."""

from __future__ import annotations

from datetime import datetime

from flask import Response, flash, jsonify, make_response, redirect, render_template, request, url_for

from coop.core import paths
from coop.core.checked_json import FLAG, check, closed, parse_json
from coop.core.errors import Refusal
from coop.core.fields import whole_number
from coop.core.web import Page, allow, db, now, visitor
from coop.portal import reset_day_queries as queries
from coop.portal.reset_day_views import reset_here
from coop.portal.reset_views import resets
from coop.resets import ticking
from coop.resets.domain.caution import LIFT_CAUTION
from coop.resets.move_drawing import move_svg, states_of
from coop.resets.planning import plan_to_tick
from coop.resets.reset_models import Reset, ResetPlan
from coop.resets.ticking import Tick, plan_numbered

_MOST = 100_000
_NUMBER = {"type": "integer", "minimum": 1, "maximum": _MOST, "examples": [4]}
_TICK = closed(
    {"move": _NUMBER, "done": FLAG, "at": {"type": "string", "examples": ["2026-11-30T10:15:00.000Z"]}}, ("move", "done", "at")
)
TICKS = closed(
    {"plan": _NUMBER, "ticks": {"type": "array", "maxItems": 2000, "items": _TICK}}, ("plan", "ticks"), "Moves ticked off"
)


@resets.get("/days/<int:reset_id>/moves")
@allow("dealer")
def moves(reset_id: int) -> Page:
    it = queries.reset_desk(db(), reset_here(reset_id), to_tick=True)
    value = it.plan.value if it.plan else None
    drawn = [(move, move_svg(value, move, standing)) for move, standing in states_of(value)] if value else []
    return render_template("portal/resets/moves.html", it=it, drawn=drawn, lift_caution=LIFT_CAUTION, at=now().isoformat())


def _plan(row: Reset, number: int) -> ResetPlan:
    found = plan_numbered(db(), row, number)
    if found is None:
        raise Refusal(f"This reset has no plan {number}: open its moves again.")
    return found


@resets.post("/days/<int:reset_id>/tick")
@allow("dealer")
def tick(reset_id: int) -> Page:
    """One move, without a script."""
    row = reset_here(reset_id)
    number, plan = _number("move"), _number("plan")
    if number is None or plan is None:
        raise Refusal("No move is named: press the button beside the move.")
    is_done = request.form.get("done") != "no"
    ticking.take_ticks(db(), now(), row, _plan(row, plan), [Tick(number, is_done, now())], user_id=visitor().user_id)
    flash(f"Move {number} is {'done' if is_done else 'not ticked any more'}.")
    return redirect(url_for("resets.moves", reset_id=row.id, _anchor=f"move-of-{number}"), 303)


def _number(name: str) -> int | None:
    found = whole_number(request.form.get(name))
    return found if found is not None and found <= _MOST else None


@resets.post("/days/<int:reset_id>/ticks")
@allow("dealer")
def take_ticks(reset_id: int) -> Page:
    """Ticks as a page sends them, at once or when there is a network again; answered with all that is done."""
    row = reset_here(reset_id)
    try:
        sent = parse_json(request.get_data(as_text=True))
        check(sent, TICKS)
        ticks = [Tick(one["move"], one["done"], _moment(one["at"])) for one in sent["ticks"]]
        plan = _plan(row, sent["plan"])
        done = ticking.take_ticks(db(), now(), row, plan, ticks, user_id=visitor().user_id)
    except (Refusal, ValueError) as error:
        return make_response(jsonify(refused=str(error)), 422)
    shown = plan_to_tick(db(), row)
    return jsonify(done=sorted(done), at=now().isoformat(), newer=shown is not None and shown.number > plan.number)


def _moment(text: str) -> datetime:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is no moment: send it like 2026-11-30T10:15:00.000Z.") from None
    if found.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone: end it with Z.")
    return found


@resets.get("/offline.js")
@allow("dealer")
def offline() -> Page:
    """The worker that keeps pages of moves on a phone; at this address, for it may serve what lies below it alone."""
    response = Response((paths.static() / "reset-worker.js").read_bytes(), mimetype="text/javascript")
    response.headers["Cache-Control"] = "no-cache"
    return response
