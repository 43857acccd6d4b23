"""Reads of malls' plans: as drawn, as judged on a day, and areas that disagree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from coop.core.audit import AuditLog
from coop.dealers.models import Member, UserAccount
from coop.floor.domain.areas import area_difference, drawn_area_sqft100
from coop.floor.domain.draft import TOLERANCE_PERCENT, PartDraft, PlanDraft, SpaceDraft, to_plan
from coop.floor.domain.findings import Finding, judge_plan
from coop.floor.domain.plan import Outline, Plan
from coop.floor.models import AisleWidth, FloorPlan, Mall, PlanPart, Space, SpaceMeasure

PLAN_SUBJECT = "floor plan"
"""What the log calls a plan; its subject id is the mall's."""


def plan_row(session: Session, mall_id: int) -> FloorPlan | None:
    """The mall's plan; None while none is drawn."""
    return session.scalar(select(FloorPlan).where(FloorPlan.mall_id == mall_id))


def plan_version(session: Session, mall_id: int) -> int:
    """What a change is made against; 0 while no plan is drawn."""
    return session.scalar(select(FloorPlan.version).where(FloorPlan.mall_id == mall_id)) or 0


def parts_of(session: Session, mall_id: int) -> Sequence[PlanPart]:
    return session.scalars(select(PlanPart).where(PlanPart.mall_id == mall_id).order_by(PlanPart.id)).all()


def spaces_of(session: Session, mall_id: int, on: date) -> Sequence[Space]:
    """Spaces that are not retired on a day, drawn or not."""
    standing = or_(Space.retired_on.is_(None), Space.retired_on > on)
    return session.scalars(select(Space).where(Space.mall_id == mall_id, standing).order_by(Space.id)).all()


def find_space(session: Session, mall_id: int, code: str) -> Space | None:
    return session.scalar(select(Space).where(Space.mall_id == mall_id, Space.code == code))


def as_outline(corners: Sequence[Sequence[int]] | None) -> Outline:
    """What a JSON column holds, as corners."""
    return tuple((int(x), int(y)) for x, y in corners or ())


def draft_of(session: Session, mall: Mall, on: date) -> PlanDraft | None:
    """The plan as it would be saved again, with the spaces of a day; None while no plan is drawn."""
    row = plan_row(session, mall.id)
    if row is None:
        return None
    return PlanDraft(
        outline=as_outline(row.outline_in16),
        parts=tuple(PartDraft(p.code, p.kind, as_outline(p.outline_in16), p.height_in16) for p in parts_of(session, mall.id)),
        spaces=tuple(SpaceDraft(s.code, s.kind, s.zone, as_outline(s.outline_in16)) for s in spaces_of(session, mall.id, on)),
        required_clear_in16=row.required_clear_in16,
        tolerance_percent=row.tolerance_percent,
    )


def widths_on(session: Session, mall_id: int, on: date) -> dict[str, int]:
    """The required clear widths in force on a day by the code of the aisle; "" is every aisle's."""
    rows = session.execute(
        select(AisleWidth.aisle, AisleWidth.required_clear_in16)
        .where(AisleWidth.mall_id == mall_id, AisleWidth.starts_on <= on)
        .order_by(AisleWidth.starts_on)
    )
    return {row.aisle: row.required_clear_in16 for row in rows}


def widths_of(session: Session, mall_id: int) -> Sequence[AisleWidth]:
    """Every required width with its first day and who said so, the newest first."""
    newest = (AisleWidth.starts_on.desc(), AisleWidth.aisle)
    return session.scalars(select(AisleWidth).where(AisleWidth.mall_id == mall_id).order_by(*newest)).all()


def narrower_later(session: Session, width: AisleWidth) -> AisleWidth | None:
    """The next width of the same aisle after this one, if less is asked from then on."""
    same = AisleWidth.mall_id == width.mall_id, AisleWidth.aisle == width.aisle, AisleWidth.starts_on > width.starts_on
    later = session.scalar(select(AisleWidth).where(*same).order_by(AisleWidth.starts_on).limit(1))
    return later if later is not None and later.required_clear_in16 < width.required_clear_in16 else None


def plan_of(session: Session, mall: Mall, on: date) -> Plan | None:
    """The plan with the spaces and the required widths of a day; None while no plan is drawn. Undrawn spaces are not in it."""
    draft = draft_of(session, mall, on)
    return None if draft is None else to_plan(draft, widths_on(session, mall.id, on))


def judge(session: Session, mall: Mall, on: date) -> list[Finding]:
    """Everything wrong with the plan on a day; nothing while none is drawn."""
    plan = plan_of(session, mall, on)
    return [] if plan is None else judge_plan(plan)


@dataclass(frozen=True)
class LastChange:
    """When a plan was last changed, and the name of who did it (empty for the command line)."""

    at: datetime
    by: str


def last_change(session: Session, mall_id: int) -> LastChange | None:
    """The newest line of the log about a mall's plan."""
    found = session.execute(
        select(AuditLog.at, Member.name, UserAccount.email)
        .outerjoin(UserAccount, UserAccount.id == AuditLog.user_id)
        .outerjoin(Member, Member.id == UserAccount.member_id)
        .where(AuditLog.subject_kind == PLAN_SUBJECT, AuditLog.subject_id == str(mall_id))
        .order_by(AuditLog.id.desc())
        .limit(1)
    ).first()
    return None if found is None else LastChange(found[0], found[1] or found[2] or "")


# --- areas ------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SpaceAreas:
    """A space's areas in hundredths of a square foot. `measured_*` are None until somebody measured it.

    The differences are from the leased area; None where there is no such area. `beyond` when one is more than the tolerance.
    """

    space_id: int
    code: str
    kind: str
    leased_sqft100: int
    drawn_sqft100: int | None
    measured_sqft100: int | None
    measured_on: date | None
    measured_by: str
    drawn_difference_sqft100: int | None
    measured_difference_sqft100: int | None
    beyond: bool


def areas_of(session: Session, mall: Mall, on: date, leased_sqft100: Mapping[int, int]) -> list[SpaceAreas]:
    """The drawn, measured and leased areas of the spaces that are leased on a day. `leased_sqft100` is by the space's id."""
    row = plan_row(session, mall.id)
    tolerance = row.tolerance_percent if row else TOLERANCE_PERCENT
    found = []
    for space in spaces_of(session, mall.id, on):
        if space.id not in leased_sqft100:
            continue
        leased = leased_sqft100[space.id]
        drawn = drawn_area_sqft100(as_outline(space.outline_in16)) if space.outline_in16 else None
        measured = space.measured_area_sqft100 if space.measured_on else None
        differences = [None if area is None else area_difference(area, leased, tolerance) for area in (drawn, measured)]
        found.append(
            SpaceAreas(
                space_id=space.id,
                code=space.code,
                kind=space.kind,
                leased_sqft100=leased,
                drawn_sqft100=drawn,
                measured_sqft100=measured,
                measured_on=space.measured_on,
                measured_by=space.measured_by,
                drawn_difference_sqft100=differences[0].difference_sqft100 if differences[0] else None,
                measured_difference_sqft100=differences[1].difference_sqft100 if differences[1] else None,
                beyond=any(difference.beyond for difference in differences if difference),
            )
        )
    return found


def area_differences(session: Session, mall: Mall, on: date, leased_sqft100: Mapping[int, int]) -> list[SpaceAreas]:
    """Those of `areas_of` whose drawn or measured area is beyond the tolerance from the leased one."""
    return [areas for areas in areas_of(session, mall, on, leased_sqft100) if areas.beyond]


def measures_of(session: Session, space_id: int) -> Sequence[SpaceMeasure]:
    """Every measuring of a space, the newest first."""
    newest = (SpaceMeasure.measured_on.desc(), SpaceMeasure.id.desc())
    return session.scalars(select(SpaceMeasure).where(SpaceMeasure.space_id == space_id).order_by(*newest)).all()
