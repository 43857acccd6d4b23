"""A mall's plan changed: as a whole or by one space, each against the version it was made from; spaces retired and renamed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from sqlalchemy import delete, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from coop.core import audit
from coop.core.clock import local_date
from coop.core.errors import Refusal
from coop.core.geometry import format_length
from coop.core.periods import shown_day
from coop.floor.domain.areas import drawn_area_sqft100
from coop.floor.domain.draft import LONGEST_CODE, PartDraft, PlanChange, PlanDraft, SpaceDraft, draft_faults, plan_change
from coop.floor.domain.plan import LEAST_CLEAR_IN16, Outline, PlanFault
from coop.floor.models import AisleWidth, FloorPlan, Mall, PlanPart, Space, SpaceMeasure
from coop.floor.queries import PLAN_SUBJECT, as_outline, draft_of, find_space, last_change, parts_of, plan_row, spaces_of
from coop.floor.service import hold_mall


class PlanRefused(Refusal):
    """A draft that cannot be drawn: every fault, one a line of the message."""

    def __init__(self, faults: Sequence[PlanFault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = tuple(faults)


class PlanOutdated(Refusal):
    """A change made from an older version than there is now."""


# --- the whole plan ---------------------------------------------------------------------------------------------------------


def save_plan(
    session: Session, now: datetime, mall: Mall, draft: PlanDraft, *, version: int, user_id: int | None = None
) -> PlanChange:
    """Make the mall's plan what the draft says; what it does not name is taken away. Returns what changed.

    `version` is the plan's that the draft was made from, 0 where there was none. Raises PlanOutdated for another, PlanRefused
    for a draft that cannot be drawn, Refusal for a space taken away that a lease or an offer names. Findings stop nothing.
    """
    today = local_date(now, mall.timezone)
    row = _locked(session, mall, version)
    faults = draft_faults(draft)
    if faults:
        raise PlanRefused(faults)
    change = plan_change(draft_of(session, mall, today), draft)
    _save_spaces(session, mall, draft.spaces, today)
    _save_parts(session, mall, draft.parts)
    if row is None:
        row = FloorPlan(mall_id=mall.id)
        session.add(row)
    row.outline_in16 = [list(corner) for corner in draft.outline]
    row.required_clear_in16 = draft.required_clear_in16
    row.tolerance_percent = draft.tolerance_percent
    counts = f"{len(change.added)} added, {len(change.changed)} changed, {len(change.removed)} taken away"
    _changed(session, now, row, mall, "plan saved", counts, user_id)
    return change


def _held(session: Session, mall: Mall) -> FloorPlan | None:
    """The plan, held until the transaction ends and read anew. The mall's row is what is locked, for there may be no plan yet;
    sales, which only name the mall, go on.
    """
    hold_mall(session, mall.id)
    return session.scalar(select(FloorPlan).where(FloorPlan.mall_id == mall.id).execution_options(populate_existing=True))


def _locked(session: Session, mall: Mall, version: int) -> FloorPlan | None:
    row = _held(session, mall)
    there = row.version if row else 0
    if there != version:
        raise PlanOutdated(_outdated(session, mall))
    return row


def _outdated(session: Session, mall: Mall) -> str:
    change = last_change(session, mall.id)
    said = ""
    if change is not None:
        at = change.at.astimezone(ZoneInfo(mall.timezone))
        said = f" on {shown_day(at.date())} at {at:%H:%M}" + (f" by {change.by}" if change.by else "")
    return (
        f"The plan of {mall.name} was changed{said} after you opened it. Open it again and make your change there, "
        "or lay your change over it."
    )


def _changed(session: Session, now: datetime, row: FloorPlan, mall: Mall, action: str, detail: str, user_id: int | None) -> None:
    row.changed_at = now
    # Counts the version up also where nothing of the plan's own row is different.
    flag_modified(row, "changed_at")
    session.flush()
    audit.record(
        session, now, action, PLAN_SUBJECT, mall.id, user_id=user_id, detail=f"{mall.code} version {row.version}: {detail}"
    )


def _note(session: Session, now: datetime, mall: Mall, action: str, detail: str, user_id: int | None) -> None:
    """Log a change that needs no version; the plan, where there is one, is another from now on."""
    row = plan_row(session, mall.id)
    if row is not None:
        _changed(session, now, row, mall, action, detail, user_id)
    else:
        session.flush()
        audit.record(session, now, action, PLAN_SUBJECT, mall.id, user_id=user_id, detail=f"{mall.code}: {detail}")


def _save_parts(session: Session, mall: Mall, drafts: Sequence[PartDraft]) -> None:
    before = {part.code: part for part in parts_of(session, mall.id)}
    for gone in before.keys() - {draft.code for draft in drafts}:
        session.delete(before[gone])
    for draft in drafts:
        part = before.get(draft.code)
        if part is None:
            part = PlanPart(mall_id=mall.id, code=draft.code)
            session.add(part)
        part.kind = draft.kind
        part.height_in16 = draft.height_in16
        part.outline_in16 = [list(corner) for corner in draft.outline]


def _save_spaces(session: Session, mall: Mall, drafts: Sequence[SpaceDraft], today: date) -> None:
    before = {space.code: space for space in spaces_of(session, mall.id, today)}
    for gone in sorted(before.keys() - {draft.code for draft in drafts}):
        _delete_space(session, before[gone])
    for draft in drafts:
        space = before.get(draft.code)
        if space is None:
            _require_free(session, mall, draft.code)
            space = Space(mall_id=mall.id, code=draft.code, measured_area_sqft100=0, measured_on=None, measured_by="")
            session.add(space)
        space.kind, space.zone = draft.kind, draft.zone.strip()
        _draw(space, draft.outline)


def _draw(space: Space, outline: Outline) -> None:
    """Until somebody measures a space, its area is the drawn one."""
    space.outline_in16 = [list(corner) for corner in outline] or None
    if space.measured_on is None:
        space.measured_area_sqft100 = drawn_area_sqft100(outline)


def _require_free(session: Session, mall: Mall, code: str) -> None:
    space = find_space(session, mall.id, code)
    if space is not None:
        retired = f": it is retired since {shown_day(space.retired_on)}" if space.retired_on else ""
        raise Refusal(f"Space {code} is in {mall.name} already{retired}; choose another code.")


def _delete_space(session: Session, space: Space) -> None:
    """Whatever room above names a space, its foreign key says so: only what nothing names can go."""
    try:
        with session.begin_nested():
            session.execute(delete(SpaceMeasure).where(SpaceMeasure.space_id == space.id))
            session.execute(delete(Space).where(Space.id == space.id))
    except IntegrityError as error:
        raise Refusal(
            f"Space {space.code} cannot be taken off the plan: a lease or an offer names it, and what it was stays on record. "
            "Put it back, and retire it from a day on instead."
        ) from error


# --- one space --------------------------------------------------------------------------------------------------------------


def move_space(
    session: Session, now: datetime, space: Space, *, x_in16: int, y_in16: int, version: int, user_id: int | None = None
) -> None:
    """Set the upper left corner of a space's bounds; its shape stays. Raises PlanOutdated, and Refusal where it is not drawn."""
    outline = as_outline(space.outline_in16)
    if not outline:
        raise Refusal(f"Space {space.code} is not drawn yet: give it a width and a depth first.")
    dx, dy = x_in16 - min(x for x, _ in outline), y_in16 - min(y for _, y in outline)
    draw_space(
        session, now, space, tuple((x + dx, y + dy) for x, y in outline), version=version, user_id=user_id, action="space moved"
    )


def draw_space(
    session: Session,
    now: datetime,
    space: Space,
    outline: Outline,
    *,
    version: int,
    user_id: int | None = None,
    action: str = "space drawn",
) -> None:
    """Give one space another outline. Raises PlanOutdated, PlanRefused, and Refusal where the mall has no plan."""
    mall = session.get_one(Mall, space.mall_id)
    row = _locked(session, mall, version)
    if row is None:
        raise Refusal(f"{mall.name} has no plan yet: draw or import one first.")
    drawn = SpaceDraft(space.code, space.kind, space.zone, outline)
    faults = draft_faults(PlanDraft(as_outline(row.outline_in16), spaces=(drawn,)))
    if faults:
        raise PlanRefused(faults)
    _draw(space, outline)
    _changed(session, now, row, mall, action, f"{space.kind} {space.code}", user_id)


def rename_space(session: Session, now: datetime, space: Space, code: str, *, user_id: int | None = None) -> None:
    """Give a space another code; its leases and its past stay its own. Refuses one that is taken."""
    code = code.strip()
    if not code or len(code) > LONGEST_CODE or not code.isprintable():
        raise Refusal(f"Space {space.code}: its new code must be 1 to {LONGEST_CODE} characters.")
    if code == space.code:
        return
    mall = session.get_one(Mall, space.mall_id)
    _held(session, mall)
    _require_free(session, mall, code)
    was, space.code = space.code, code
    _note(session, now, mall, "space renamed", f"{was} is {code}", user_id)


def retire_space(session: Session, now: datetime, space: Space, retired_on: date | None, *, user_id: int | None = None) -> None:
    """From this day a space is not rented and not on the plan; None puts it back. The caller sees that no lease runs on."""
    mall = session.get_one(Mall, space.mall_id)
    _held(session, mall)
    space.retired_on = retired_on
    detail = f"{space.kind} {space.code} " + (f"retired from {retired_on}" if retired_on else "not retired")
    _note(session, now, mall, "space retired", detail, user_id)


# --- aisles -----------------------------------------------------------------------------------------------------------------


def set_aisle_width(
    session: Session,
    now: datetime,
    mall: Mall,
    aisle: str,
    starts_on: date,
    required_clear_in16: int,
    *,
    said_by: str = "",
    user_id: int | None = None,
) -> AisleWidth:
    """What an aisle ("" for all of the mall) must keep clear from a day on. Said again for the same day, the later word holds.

    Refuses less than 36 in. and an aisle that is not on the plan.
    """
    aisle = aisle.strip()
    named = f"Aisle {aisle}" if aisle else "Every aisle"
    if required_clear_in16 < LEAST_CLEAR_IN16:
        raise Refusal(f"{named}: its clear width must be 36 in. or more (2010 ADA Standards 403.5.1).")
    _held(session, mall)
    known = PlanPart.mall_id == mall.id, PlanPart.kind == "aisle", PlanPart.code == aisle
    if aisle and session.scalar(select(PlanPart.id).where(*known)) is None:
        raise Refusal(f"Aisle {aisle} is not on the plan of {mall.name}: draw it first, or leave it empty for every aisle.")
    same = AisleWidth.mall_id == mall.id, AisleWidth.aisle == aisle, AisleWidth.starts_on == starts_on
    width = session.scalar(select(AisleWidth).where(*same))
    if width is None:
        width = AisleWidth(mall_id=mall.id, aisle=aisle, starts_on=starts_on)
        session.add(width)
    width.required_clear_in16, width.said_by = required_clear_in16, said_by.strip()[:120]
    session.flush()
    _note(session, now, mall, "aisle width set", _width_words(width), user_id)
    return width


def take_width_back(session: Session, now: datetime, mall: Mall, width: AisleWidth, *, user_id: int | None = None) -> None:
    """A width is not asked after all: what was said before it holds. Refuses one that was asked before today."""
    _held(session, mall)
    if width.starts_on < local_date(now, mall.timezone):
        raise Refusal(
            f"The width of {width.aisle or 'every aisle'} was asked from {shown_day(width.starts_on)} on and stays written down: "
            "set another from today on."
        )
    session.delete(width)
    session.flush()
    _note(session, now, mall, "aisle width taken back", _width_words(width), user_id)


def _width_words(width: AisleWidth) -> str:
    return f"{width.aisle or 'every aisle'} from {width.starts_on}: {format_length(width.required_clear_in16)}"
