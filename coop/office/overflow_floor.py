"""What the office's pages of lent floor read: a day's floor with what stands there, a bay's weeks, what stood in it before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from flask import url_for
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.money import round_half_up
from coop.core.periods import Month, shown_days
from coop.floor.models import Mall
from coop.floor.queries import draft_of as plan_draft_of
from coop.office.overflow_list import StandingRow, bay_lines, standing_rows
from coop.overflow import drafting
from coop.overflow.bay_drawing import Span, WeeksDrawing, bay_weeks
from coop.overflow.charging import of_month
from coop.overflow.drawing import MapDrawing, map_of
from coop.overflow.drawn import drawn_pieces, late_words, state_of
from coop.overflow.marks import SOON_DAYS
from coop.overflow.models import BayRow, OverflowDraft, Stay, Walk
from coop.overflow.queries import Waiting, beyond_lease, in_the_way, last_found, last_walk, waiting_counts
from coop.overflow.reading import Standing, bay_of, bays_on, is_overdue, standing_in, standings, there_between
from coop.overflow.rules import OverflowRules, rules_on
from coop.overflow.surveying import SurveyFacts, survey_of

WEEKS = 12
"""So many weeks to come are drawn of a bay."""
_BEFORE = 30
"""So many of those that stood in a bay before are listed."""
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class FloorOn:
    """A mall's lent floor on a day."""

    mall: Mall
    today: date
    day: date
    rules: OverflowRules
    """Of today."""
    has_plan: bool
    survey: SurveyFacts | None
    bays: Sequence[BayRow]
    """Of the day."""
    map: MapDrawing | None
    """None while no plan is drawn, or there are no bays."""
    rows: Sequence[StandingRow]
    """What stands there on the day, and what comes within a week."""
    moving: Sequence[tuple[Standing, str]]
    """What must move today and was not asked back yet, and why."""
    leaving: Sequence[tuple[Standing, str]]
    """What may not stand there either and is asked back already."""
    beyond_lease: Sequence[Standing]
    """What has floor on days on which its dealer leases nothing here any more."""
    waiting: Waiting
    draft: OverflowDraft | None
    is_drafted_now: bool
    walk: Walk | None
    brings_cents: int
    """What all floor of this month comes to."""

    @property
    def first_step(self) -> str:
        """What is to be done first: `plan`, `bays`, `rules`, `ask`; empty where floor is lent already."""
        if not self.has_plan:
            return "plan"
        if not self.rules.are_set:
            return "rules"
        if not self.bays:
            return "bays"
        return "" if self.rows or self.waiting.requests else "ask"

    @property
    def free_bays(self) -> int:
        return sum(not row.is_lent for row in self.bays)

    @property
    def floor_in16(self) -> int:
        """Length of all bays that are lent."""
        return sum(row.length_in16 for row in self.bays if row.is_lent)

    @property
    def lent_in16(self) -> int:
        """How much of it has something standing on it on the day; what a changed plan left outside of the bays is not on it."""
        there = [one.drawn for one in self.rows if one.drawn.starts_on <= self.day]
        return self.floor_in16 - sum(line.free_in16 for line in bay_lines(self.bays, there) if line.row.is_lent)

    @property
    def lent_percent(self) -> int:
        return round_half_up(Fraction(100 * self.lent_in16, self.floor_in16)) if self.floor_in16 else 0

    @property
    def draft_said(self) -> str:
        """`Nov 9 to Dec 6, 2026: being drafted`; empty where there is none."""
        if self.draft is None:
            return ""
        days = shown_days(self.draft.first_day, drafting.last_day_of(self.draft))
        if self.is_drafted_now:
            return f"{days}: being drafted"
        return f"{days}: ready to be looked at and published" if self.draft.outcome else f"{days}: it was not drafted"


def mall_lending(session: Session, malls: Sequence[Mall]) -> Mall | None:
    """The first of them that has bays, or else the first; None of none."""
    have = set(session.scalars(select(BayRow.mall_id).where(BayRow.ended_on.is_(None)).distinct()))
    return next((mall for mall in malls if mall.id in have), malls[0] if malls else None)


def floor_on(session: Session, mall: Mall, today: date, day: date) -> FloorOn:
    """In a number of queries that does not grow with what stands there."""
    bays = bays_on(session, mall.id, day)
    spoiling = in_the_way(session, mall.id, today)
    survey = survey_of(session, mall, today)
    why = dict(survey.must_move) if survey else {}
    standing = there_between(session, mall.id, day, day + timedelta(days=SOON_DAYS), today)
    plan = plan_draft_of(session, mall, day)
    walk = last_walk(session, mall.id)
    draft = drafting.draft_of(session, mall.id)
    drawn = drawn_pieces(standing, day, why, today=today, bays=bays)
    return FloorOn(
        mall=mall,
        today=today,
        day=day,
        rules=rules_on(session, mall.id, today),
        has_plan=plan is not None,
        survey=survey,
        bays=bays,
        map=map_of(
            plan,
            bays,
            standing,
            day=day,
            today=today,
            must_move=why,
            link_bay={row.id: _bay_page(mall, row) for row in bays}.__getitem__,
            link_piece=lambda stay_id: stay_page(mall, stay_id),
            title=f"Bays of {mall.name}",
        )
        if plan is not None and bays
        else None,
        rows=standing_rows(drawn, standing, last_found(session, standing, today), why),
        moving=[(one, why) for one, why in spoiling if one.stay.recalled_at is None],
        leaving=[(one, why) for one, why in spoiling if one.stay.recalled_at is not None],
        beyond_lease=beyond_lease(session, mall.id, today),
        waiting=waiting_counts(session, mall.id, today),
        draft=draft,
        is_drafted_now=draft is not None and drafting.is_drafted_now(session, draft),
        walk=walk,
        brings_cents=of_month(session, mall, Month.of(today)),
    )


def _bay_page(mall: Mall, row: BayRow) -> str:
    return url_for("overflow.bay", mall_code=mall.code, code=row.code)


def stay_page(mall: Mall, stay_id: int) -> str:
    return url_for("overflow.stay", mall_code=mall.code, stay_id=stay_id)


# --- a bay ------------------------------------------------------------------------------------------------------------------


def bay_row(session: Session, mall_id: int, code: str) -> BayRow | None:
    """The bay of a code there is, or the last there was."""
    rows = select(BayRow).where(BayRow.mall_id == mall_id, BayRow.code == code)
    return session.scalar(rows.order_by(BayRow.ended_on.is_not(None), BayRow.id.desc()).limit(1))


def weeks_of(mall: Mall, row: BayRow, standing: Sequence[Standing], today: date, must_move: dict[int, str]) -> WeeksDrawing:
    """The weeks to come of a bay. `standing` is what stands anywhere in them; what was to be fetched is there until today."""
    bay = bay_of(row)
    spans = [
        Span(
            *place,
            one.stay.starts_on,
            max(one.stay.ends_on, today),
            f"{one.dealer.code} {one.piece.name}",
            f"{one.piece.name}, {one.dealer.code}{f', {late_words(one.stay)}, still there' if one.is_late_on(today) else ''}",
            "must move" if one.stay.id in must_move else state_of(one.stay, today),
            stay_page(mall, one.stay.id),
            one.along if one.was_until else "",
        )
        for one in standing
        if one.bay.code == row.code and (place := standing_in(bay, one)) is not None
    ]
    return bay_weeks(bay, spans, today - timedelta(days=today.weekday()), WEEKS)


def stood_before(session: Session, row: BayRow, today: date) -> list[Standing]:
    """What stood in a bay of this code until a day before today, the last first; not what was to be fetched and was not."""
    found = session.execute(
        standings()
        .where(BayRow.mall_id == row.mall_id, BayRow.code == row.code, Stay.state == "stands", Stay.ends_on < today)
        .where(~is_overdue(today))
        .order_by(Stay.ends_on.desc(), Stay.id.desc())
        .limit(_BEFORE)
    )
    return [Standing(*one) for one in found]
