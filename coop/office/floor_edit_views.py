"""A mall's plan edited: as rows of figures before any script, as a drawing with it; both go through one service."""

from __future__ import annotations

from typing import Any

from flask import flash, jsonify, redirect, render_template, request, url_for

from coop.core.checked_json import parse_json
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_FOOT
from coop.core.web import Page, allow, db, now, roll_back, takes, visitor
from coop.floor import planning
from coop.floor import queries as floor_queries
from coop.floor.domain.draft import PlanChange, PlanDraft, draft_of_json, draft_value
from coop.floor.domain.finding import Finding
from coop.floor.models import Mall
from coop.office import floor_queries as queries
from coop.office.floor_forms import KINDS, PlanForm, PlanRow, bounds, plan_form, read_plan
from coop.office.floor_views import floor
from coop.office.mall_page import today_of, wanted_mall
from coop.overflow.survey_asking import plan_changed

MOST_BYTES = 2 * 1024 * 1024
"""Of a plan sent by the editor or by its form: a hall of two thousand parts."""
TINY_IN16 = 2 * IN16_PER_FOOT
"""A booth of less is taken for a slip: inches that were meant as feet."""
MOST_NAMED = 5


@floor.get("/<mall_code>/edit")
@allow("manager")
def edit(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    version = floor_queries.plan_version(db(), mall.id)
    return _edit_page(mall, plan_form(queries.whole_draft(db(), mall, today_of(mall)), version))


def _edit_page(mall: Mall, form: PlanForm, conflict: str = "") -> str:
    return render_template(
        "office/floor/edit.html",
        mall=mall,
        form=form,
        kinds=KINDS,
        blank=PlanRow("__row__"),
        conflict=conflict,
        there=floor_queries.plan_version(db(), mall.id),
    )


@floor.post("/<mall_code>/edit")
@allow("manager")
@takes(MOST_BYTES)
def save_rows(mall_code: str) -> Page:
    """Save the plan as it is typed in the rows."""
    mall = wanted_mall(mall_code)
    form = read_plan(request.form)
    # Asked for in so many words, after being told that somebody else has changed the plan.
    over = request.form.get("over", "")
    version = int(over) if over.isascii() and over.isdigit() else form.version
    if form.draft is None:
        return _edit_page(mall, form), 422
    try:
        change = planning.save_plan(db(), now(), mall, form.draft, version=version, user_id=visitor().user_id)
    except planning.PlanRefused as refused:
        form.tell(refused.faults)
    except planning.PlanOutdated as outdated:
        roll_back()
        return _edit_page(wanted_mall(mall_code), form, conflict=str(outdated)), 409
    except Refusal as refusal:
        form.others.append(str(refusal))
    else:
        plan_changed(db(), now(), mall)
        flash(said_of(change, form.draft))
        return redirect(url_for("floor.edit", mall_code=mall.code), 303)
    roll_back()
    return _edit_page(wanted_mall(mall_code), form), 422


def said_of(change: PlanChange, draft: PlanDraft) -> str:
    """What a saving changed, in a sentence; and which booths of it are so small that feet may have been meant."""
    counts = ((change.added, "added"), (change.changed, "changed"), (change.removed, "taken away"))
    said = ", ".join(f"{len(names)} {word}" for names, word in counts if names)
    saved = f"The plan is saved: {said}." if said else "The plan is saved: nothing of it had changed."
    return f"{saved} {_said_of_tiny(change, draft)}".strip()


def _said_of_tiny(change: PlanChange, draft: PlanDraft) -> str:
    """Of the booths that were added or changed; empty where none is that small."""
    named = {*change.added, *(name.rpartition(" (")[0] for name in change.changed)}
    tiny = [
        space.code
        for space in draft.spaces
        if space.kind == "booth"
        and f"booth {space.code}" in named
        and space.outline
        and min(bounds(space.outline)[2:]) < TINY_IN16
    ]
    if not tiny:
        return ""
    codes = ", ".join(tiny[:MOST_NAMED]) + (f" and {len(tiny) - MOST_NAMED} more" if len(tiny) > MOST_NAMED else "")
    which = f"Booth {codes} is" if len(tiny) == 1 else f"Booths {codes} are"
    return f"{which} less than 2 ft across: a number alone is read as inches, so write 10' for ten feet."


# --- for the drawing ----------------------------------------------------------------------------------------------------------


def _sent() -> tuple[dict[str, Any], PlanDraft]:
    """What the editor sent. Raises ValueError with a sentence."""
    value = parse_json(request.get_data(as_text=True))
    if not isinstance(value, dict) or not isinstance(value.get("version", 0), int):
        raise ValueError("This is no plan.")
    return value, draft_of_json(value.get("draft"))


def _faults(*sentences: str) -> tuple[Any, int]:
    return jsonify(faults=[{"sentence": sentence} for sentence in sentences]), 422


@floor.post("/<mall_code>/check")
@allow("manager")
@takes(MOST_BYTES)
def check(mall_code: str) -> Any:
    """What is wrong with a draft, as JSON. Nothing is saved."""
    mall = wanted_mall(mall_code)
    try:
        draft = _sent()[1]
    except ValueError as error:
        return _faults(str(error))
    faults, findings = queries.judged(db(), mall, today_of(mall), draft)
    if faults:
        return _faults(*(str(fault) for fault in faults))
    return jsonify(findings=[_finding(found) for found in findings])


def _finding(found: Finding) -> dict[str, Any]:
    parts = [{"kind": part.kind, "code": part.code} for part in found.parts]
    return {"kind": found.kind, "sentence": found.sentence, "parts": parts, "at": found.at, "closed": found.closed}


@floor.post("/<mall_code>/save")
@allow("manager")
@takes(MOST_BYTES)
def save(mall_code: str) -> Any:
    """Save a draft against its version: 200 with the new version; 409 with the plan there is; 422 with what is wrong."""
    mall = wanted_mall(mall_code)
    try:
        value, draft = _sent()
        change = planning.save_plan(db(), now(), mall, draft, version=value.get("version", 0), user_id=visitor().user_id)
    except ValueError as error:
        return _faults(str(error))
    except planning.PlanOutdated as outdated:
        roll_back()
        mall = wanted_mall(mall_code)
        theirs = queries.whole_draft(db(), mall, today_of(mall))
        version = floor_queries.plan_version(db(), mall.id)
        return jsonify(sentence=str(outdated), version=version, draft=draft_value(theirs)), 409
    except planning.PlanRefused as refused:
        roll_back()
        return _faults(*(str(fault) for fault in refused.faults))
    except Refusal as refusal:
        roll_back()
        return _faults(str(refusal))
    plan_changed(db(), now(), mall)
    return jsonify(version=floor_queries.plan_version(db(), mall.id), sentence=said_of(change, draft))
