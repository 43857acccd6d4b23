"""A mall's bays worked out from its plan in the background, and what must move since the plan, a width or a rule is another.

The job reads what there is in one transaction, works without one, and writes in a last one, unless something changed meanwhile:
then it asks for another. A bay cut anew is another row of its code; what still stands within it goes over.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from functools import cached_property
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.clock import local_date
from coop.core.digest import digest
from coop.core.job_groups import pending_in
from coop.core.jobs import Job, JobRun, long_job, short_job
from coop.core.periods import shown_day
from coop.floor.domain.finding import length
from coop.floor.domain.plan import Plan
from coop.floor.domain.walkable import Walkable
from coop.floor.models import AisleWidth, FloorPlan, Mall
from coop.floor.queries import plan_of, widths_of
from coop.floor.service import hold_mall
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.bays import AisleSaid, Survey, work_out
from coop.overflow.domain.carrying import backed, goes_on_from, held_by, place_in, recoded
from coop.overflow.domain.clear import MustMove, Standing, must_move, spoiled
from coop.overflow.domain.keepouts import Opening
from coop.overflow.domain.lent import BayRules
from coop.overflow.models import BayRow, BaySurvey
from coop.overflow.openings import lost_openings, openings_of
from coop.overflow.reading import Standing as Stands
from coop.overflow.reading import bay_of, standing_between, there_between
from coop.overflow.rules import rules_on
from coop.overflow.survey_asking import KIND, group_of, lends_floor, survey_row
from coop.overflow.survey_asking import ask_survey as ask_survey

DAILY = "overflow.daily"
_CUT_BY = 3
"""Counts up when the same plan comes to other bays: then all are worked out anew."""
_NO_PLAN = digest(None)


@dataclass(frozen=True)
class Basis:
    """What a survey is made of. A standing piece's key is the id of its stay as text."""

    plan: Plan
    openings: tuple[Opening, ...]
    lost: tuple[str, ...]
    """Openings that were said and are left out, in sentences."""
    rules: BayRules
    standing: tuple[Standing, ...]

    @cached_property
    def cut_of(self) -> str:
        """A hash over all that says where bays are."""
        return digest([_CUT_BY, asdict(self.plan), [asdict(opening) for opening in self.openings], asdict(self.rules)])

    @cached_property
    def made_of(self) -> str:
        standing = [[one.key, one.name, one.outline, one.since] for one in self.standing]
        return digest([self.cut_of, self.lost, standing])


@dataclass(frozen=True)
class Ground:
    """What a survey is made of, and the bays there were."""

    basis: Basis
    cut: Survey | None
    """The bays there are, where they were worked out from the same; None where they are to be worked out."""
    there: tuple[Bay, ...]
    """Bays there are, and those that have ended in which something stands. Of a code the largest: it may be as large again."""
    used: tuple[Bay, ...]
    """Those of them in which something stands or is to stand."""
    before: tuple[Bay, ...]
    """The last there was of each code."""


@dataclass(frozen=True)
class Found:
    """What working out a mall's bays finds."""

    cut: Survey
    must_move: tuple[MustMove, ...]
    findings: tuple[str, ...]
    """What all pieces together spoil of the mall's ways, in sentences."""


@dataclass(frozen=True)
class SurveyFacts:
    """What was found last, for pages."""

    made_at: datetime | None
    is_current: bool
    """Nothing it was worked out from has changed since."""
    is_under_way: bool
    failed: str
    """Why working it out failed last, if it did."""
    note: str
    """Why there is nothing to work out, if so."""
    aisles: tuple[AisleSaid, ...]
    must_move: Mapping[int, str]
    """Why what stands must move, by the id of its stay."""
    findings: tuple[str, ...]
    openings: tuple[str, ...]
    """Openings that were said and are left out, in sentences."""


# --- what it is worked out from ---------------------------------------------------------------------------------------------


def read_ground(session: Session, mall: Mall, today: date) -> Ground | None:
    """As it is on a day, with all that stands then and later; None while no plan is drawn."""
    standing = there_between(session, mall.id, today, date.max, today)
    basis = _read_basis(session, mall, today, standing)
    if basis is None:
        return None
    used = [one.bay for one in standing]
    return Ground(
        basis,
        cut=_cut_before(session, mall, basis.cut_of),
        there=_largest([*_open_rows(session, mall), *used]),
        used=_largest(used),
        before=tuple(bay_of(row) for row in _last_rows(session, mall).values()),
    )


def _read_basis(session: Session, mall: Mall, today: date, standing: Sequence[Stands]) -> Basis | None:
    plan = plan_of(session, mall, today)
    if plan is None:
        return None
    return Basis(
        plan=plan,
        openings=openings_of(session, mall.id),
        lost=tuple(lost_openings(session, mall.id)),
        rules=rules_on(session, mall.id, today).bays,
        standing=tuple(_standing(one) for one in standing),
    )


def _standing(one: Stands) -> Standing:
    return Standing(str(one.stay.id), _name(one), one.outline, one.stay.starts_on.toordinal(), one.bay.code)


def _cut_before(session: Session, mall: Mall, cut_of: str) -> Survey | None:
    value = session.scalar(select(BaySurvey.value).where(BaySurvey.mall_id == mall.id)) or {}
    if value.get("cut_of") != cut_of:
        return None
    return Survey(tuple(bay_of(row) for row in _open_rows(session, mall)), _aisles(value))


def _largest(rows: Iterable[BayRow]) -> tuple[Bay, ...]:
    """Of each code."""
    found: dict[str, Bay] = {}
    for bay in map(bay_of, rows):
        found[bay.code] = max(found.setdefault(bay.code, bay), bay, key=_floor_of)
    return tuple(found.values())


def _floor_of(bay: Bay) -> int:
    return bay.length_in16 * bay.depth_in16


def _open_rows(session: Session, mall: Mall) -> Sequence[BayRow]:
    return session.scalars(select(BayRow).where(BayRow.mall_id == mall.id, BayRow.ended_on.is_(None)).order_by(BayRow.id)).all()


def _last_rows(session: Session, mall: Mall) -> dict[str, BayRow]:
    rows = session.scalars(select(BayRow).where(BayRow.mall_id == mall.id).order_by(BayRow.id))
    return {row.code: row for row in rows}


def made_of(session: Session, mall: Mall, today: date) -> str:
    """A hash over plan, widths, openings, rules and stays of a day: another one means that bays are to be worked out anew."""
    basis = _read_basis(session, mall, today, there_between(session, mall.id, today, date.max, today))
    return _NO_PLAN if basis is None else basis.made_of


def ground_digest(ground: Ground | None) -> str:
    """The same of what was read."""
    return _NO_PLAN if ground is None else ground.basis.made_of


def survey(ground: Ground) -> Found:
    """The bays of a mall, what of that which stands must move, and what all of it together spoils."""
    basis, cut = ground.basis, ground.cut or _worked_out(ground)
    moving = must_move(basis.plan, basis.openings, basis.rules, basis.standing, cut.bays)
    found = spoiled(basis.plan, {one.key: one.outline for one in basis.standing}, cut.bays)
    return Found(cut, tuple(moving), tuple(one.sentence for one in found))


def _worked_out(ground: Ground) -> Survey:
    """Bays stay where they are as far as they may, those in which something stands before others. Where at least a smallest
    bay's floor more can be lent by moving those in which nothing stands, they are cut anew, unless a piece would lose its bay.
    A bay at the place of one there was has its code: what is said of it stays true.
    """
    basis, codes = ground.basis, {bay.code for bay in ground.before}
    used, outlines = {bay.code for bay in ground.used}, [one.outline for one in basis.standing]

    def cut_from(kept: Sequence[Bay]) -> Survey:
        return work_out(basis.plan, basis.openings, basis.rules, kept, codes, outlines)

    kept = tuple(sorted(ground.there, key=lambda bay: bay.code not in used))
    found = cut_from(kept)
    if len(ground.used) < len(ground.there):
        anew = cut_from(ground.used)
        more = basis.rules.least_depth_in16 * basis.rules.least_length_in16
        lends_more = sum(map(_floor_of, anew.bays)) >= sum(map(_floor_of, found.bays)) + more
        if lends_more and held_by(found.bays, outlines) <= held_by(anew.bays, outlines):
            kept, found = ground.used, anew
    fixed, walkable = {bay.code for bay in kept} & {bay.code for bay in found.bays}, Walkable(basis.plan)
    bays = [backed(walkable, bay) if bay.code in fixed else bay for bay in found.bays]
    place = {bay.code: n for n, bay in enumerate(ground.there)}
    bays.sort(key=lambda bay: place.get(bay.code, len(place)))
    return replace(found, bays=recoded(bays, ground.before, fixed))


# --- the job ----------------------------------------------------------------------------------------------------------------


@long_job(KIND, "rota")
def _work_out(run: JobRun, args: dict[str, Any]) -> None:
    with run.transaction() as session:
        mall = session.get_one(Mall, args["mall_id"])
        ground = read_ground(session, mall, local_date(run.clock(), mall.timezone))
        if survey_row(session, mall.id).made_of == ground_digest(ground):
            run.finish(session)
            return
    found = None if ground is None else survey(ground)
    with run.transaction() as session:
        keep_survey(session, run.clock(), session.get_one(Mall, args["mall_id"]), ground, found)
        run.finish(session)


def keep_survey(session: Session, now: datetime, mall: Mall, ground: Ground | None, found: Found | None) -> None:
    """Let the mall's bays be those that were found, from today on. Where the ground is another by now, another survey is asked
    for instead; where another has written this one down, nothing is done.
    """
    hold_mall(session, mall.id)
    today, row = local_date(now, mall.timezone), survey_row(session, mall.id)
    made = made_of(session, mall, today)
    if made != ground_digest(ground):
        ask_survey(session, now, mall)
    elif made != row.made_of:
        row.value = _write(session, mall, today, ground, found)
        # Corners of what goes over to another bay are rounded anew.
        row.made_of, row.made_at = made_of(session, mall, today), now
    session.flush()


def _write(session: Session, mall: Mall, today: date, ground: Ground | None, found: Found | None) -> dict[str, Any]:
    if ground is None or found is None:
        return {"note": f"{mall.name} has no plan yet. Draw the plan first: bays come from its aisles."}
    _cut(session, mall, today, found.cut.bays)
    left = _carry(session, mall, today)
    note = "" if found.cut.aisles else f"The plan of {mall.name} has no aisles. Draw them first: bays come from them."
    return {
        "cut_of": ground.basis.cut_of,
        "note": note,
        "aisles": [[aisle.code, aisle.sentence] for aisle in found.cut.aisles],
        "must_move": _moving(session, mall, today, found.must_move, left),
        "findings": list(found.findings),
        "openings": list(ground.basis.lost),
    }


def _cut(session: Session, mall: Mall, today: date, bays: Sequence[Bay]) -> None:
    """Let the mall's bays be these: one as it was stays the same row, one cut anew is another, one that is gone ends today."""
    new = {bay.code: bay for bay in bays}
    last, there = _last_rows(session, mall), {bay_of(row): row for row in _open_rows(session, mall)}
    same = set()
    for old, row in there.items():
        bay = new.get(row.code)
        if bay is not None and (bay.aisle, bay.corners) == (old.aisle, old.corners):
            row.backing, row.before = bay.backing, bay.before
            same.add(row.code)
        else:
            row.ended_on = today
    session.flush()
    for bay in bays:
        if bay.code not in same:
            named = last.get(bay.code)
            shared = goes_on_from(bay, there) if named is None else None
            session.add(_row(mall, today, bay, named or (there[shared] if shared else None)))
    session.flush()


def _row(mall: Mall, today: date, bay: Bay, before: BayRow | None) -> BayRow:
    return BayRow(
        mall_id=mall.id,
        code=bay.code,
        aisle=bay.aisle,
        corners_in16=[list(corner) for corner in bay.corners],
        length_in16=bay.length_in16,
        depth_in16=bay.depth_in16,
        backing=bay.backing,
        before=bay.before,
        is_lent=before is None or before.is_lent,
        palette=[] if before is None else before.palette,
        note="" if before is None else before.note,
        starts_on=today,
    )


def _carry(session: Session, mall: Mall, today: date) -> list[Stands]:
    """Put what stands in a bay that has ended into the one in which it stands now; what stands in none."""
    rows = _open_rows(session, mall)
    left = []
    for one in there_between(session, mall.id, today, date.max, today):
        stay, old = one.stay, bay_of(one.bay)
        if one.bay.ended_on is None:
            continue
        for row in sorted(rows, key=lambda row: row.code != old.code):
            begins = place_in(bay_of(row), old, stay.from_in16, stay.to_in16, stay.depth_in16)
            if begins is not None:
                stay.bay_id, stay.from_in16, stay.to_in16 = row.id, begins, begins + stay.to_in16 - stay.from_in16
                break
        else:
            left.append(one)
    session.flush()
    return left


def _moving(session: Session, mall: Mall, today: date, moving: Sequence[MustMove], left: Sequence[Stands]) -> dict[str, str]:
    """Why each piece must move, by the id of its stay."""
    left_over = {str(one.stay.id): f"{_name(one)} stands wholly within no bay there is now: move it into one." for one in left}
    return left_over | why_move(session, mall, today, moving)


def why_move(session: Session, mall: Mall, day: date, moving: Sequence[MustMove]) -> dict[str, str]:
    """Why each piece must move on a day, by its key: with the day since which its aisle is to be so wide, if it stood then."""
    began = {str(one.stay.id): one.stay.starts_on for one in standing_between(session, mall.id, day, date.max)}
    widths = [row for row in widths_of(session, mall.id) if row.starts_on <= day]
    said = {}
    for one in moving:
        since = _since(widths, one.aisle, began[one.key]) if one.aisle and one.key in began else ""
        said[one.key] = f"{one.reason} {since}".strip()
    return said


def _since(widths: Sequence[AisleWidth], aisle: str, began: date) -> str:
    """Since when an aisle must keep what it must, of the widths that hold or held, where that is after a piece came to stand."""
    in_force: dict[str, AisleWidth] = {}
    for row in widths:
        if row.aisle in ("", aisle):
            in_force.setdefault(row.aisle, row)
    width = max(in_force.values(), key=lambda row: row.required_clear_in16, default=None)
    if width is None or width.starts_on <= began:
        return ""
    says = f", says {width.said_by}" if width.said_by else ""
    return f"Aisle {aisle} must keep {length(width.required_clear_in16)} clear since {shown_day(width.starts_on)}{says}."


def _name(one: Stands) -> str:
    return f"{one.piece.name} ({one.dealer.code})"


@short_job(DAILY)
def _look(session: Session, now: datetime, args: dict[str, Any]) -> None:
    """Widths and rules begin on their days, and stays end: where something is another today, bays are worked out anew."""
    for mall in session.scalars(select(Mall).join(FloorPlan, FloorPlan.mall_id == Mall.id).order_by(Mall.id)):
        if lends_floor(session, mall.id):
            made = made_of(session, mall, local_date(now, mall.timezone))
            if survey_row(session, mall.id).made_of != made:
                ask_survey(session, now, mall)


def _aisles(value: Mapping[str, Any]) -> tuple[AisleSaid, ...]:
    return tuple(AisleSaid(code, sentence) for code, sentence in value.get("aisles", ()))


# --- for pages --------------------------------------------------------------------------------------------------------------


def survey_of(session: Session, mall: Mall, today: date) -> SurveyFacts | None:
    """What working out a mall's bays found last; None where nobody ever asked for it."""
    row = session.scalar(select(BaySurvey).where(BaySurvey.mall_id == mall.id))
    if row is None:
        return None
    job = None if row.job_id is None else session.get(Job, row.job_id)
    value = row.value
    return SurveyFacts(
        made_at=row.made_at,
        is_current=row.made_of == made_of(session, mall, today),
        is_under_way=pending_in(session, group_of(mall.id)),
        failed=job.error if job is not None and job.state == "failed" else "",
        note=value.get("note", ""),
        aisles=_aisles(value),
        must_move={int(stay): sentence for stay, sentence in value.get("must_move", {}).items()},
        findings=tuple(value.get("findings", ())),
        openings=tuple(value.get("openings", ())),
    )
