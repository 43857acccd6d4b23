"""The hall of 44 in. required that lends floor, its bays surveyed or not, and what changes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import claim_next, run_job
from coop.dealers.models import Dealer
from coop.floor.domain.draft import PartDraft, PlanDraft
from coop.floor.domain.plan import Outline
from coop.floor.models import Mall, Space
from coop.floor.planning import draw_space, save_plan, set_aisle_width
from coop.floor.queries import draft_of, find_space, plan_version
from coop.leases.editing import By
from coop.overflow.models import BayRow, Stay
from coop.overflow.survey_asking import ask_survey, group_of
from coop.overflow.surveying import SurveyFacts, keep_survey, read_ground, survey, survey_of
from tests.factories.house import add_person
from tests.factories.overflow_floor import lay_piece, lay_rules, lay_stay
from tests.factories.overflow_hall import build_overflow_hall
from tests.factories.people import make_coop, make_mall

TODAY = date(2026, 11, 3)
LEASE = timedelta(seconds=60)


def build_hall(session: Session, now: datetime) -> int:
    """The hall with house rules; the id of a user."""
    make_coop(session, now)
    hall = build_overflow_hall(session, now, make_mall(session, now))
    lay_rules(session, hall.mall)
    return add_person(session, now, "vera@example.org", ("dealer",), hall.dealers["V1"].member_id)


def build_surveyed(session: Session, now: datetime) -> int:
    """And its bays."""
    user_id = build_hall(session, now)
    mall = session.scalars(select(Mall)).one()
    ground = read_ground(session, mall, TODAY)
    assert ground is not None
    keep_survey(session, now, mall, ground, survey(ground))
    return user_id


@dataclass(frozen=True)
class Floor:
    """As `build_hall` or `build_surveyed` made it."""

    sessions: Sessions
    now: datetime
    user_id: int

    @property
    def by(self) -> By:
        return By(self.user_id)

    def space(self, session: Session, code: str) -> Space:
        found = find_space(session, self.mall(session).id, code)
        assert found is not None
        return found

    def at(self, day: date) -> datetime:
        return datetime(day.year, day.month, day.day, 15, tzinfo=UTC)

    @property
    def mall_id(self) -> int:
        with transaction(self.sessions) as session:
            return self.mall(session).id

    def mall(self, session: Session) -> Mall:
        return session.scalars(select(Mall)).one()

    def dealer(self, session: Session, code: str) -> Dealer:
        return session.scalars(select(Dealer).where(Dealer.code == code)).one()

    def ask(self, day: date = TODAY) -> None:
        with transaction(self.sessions) as session:
            ask_survey(session, self.at(day), self.mall(session))

    def work(self, day: date = TODAY) -> int:
        """Do what surveys wait; how many."""
        for count in range(9):
            with transaction(self.sessions) as session:
                claimed = claim_next(session, self.at(day), LEASE, group_key=group_of(self.mall(session).id))
            if claimed is None:
                return count
            run_job(self.sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: self.at(day))
        raise AssertionError("surveys ask for one another for ever")

    def survey(self, day: date = TODAY) -> SurveyFacts:
        self.ask(day)
        assert self.work(day) == 1
        return self.found(day)

    def found(self, day: date = TODAY) -> SurveyFacts:
        with transaction(self.sessions) as session:
            found = survey_of(session, self.mall(session), day)
        assert found is not None
        return found

    def bays(self, *, ended: bool = False) -> dict[str, BayRow]:
        with transaction(self.sessions) as session:
            rows = session.scalars(select(BayRow).where(BayRow.ended_on.is_not(None) if ended else BayRow.ended_on.is_(None)))
            return {row.code: row for row in rows}

    def stay(
        self,
        code: str,
        inches: tuple[int, int] = (30, 20),
        *,
        at: int = 0,
        first: date = TODAY,
        last: date = date(2027, 1, 10),
        dealer: str = "V1",
    ) -> int:
        """A piece so wide and so deep in a bay; the id of its stay."""
        with transaction(self.sessions) as session:
            bay = session.scalars(select(BayRow).where(BayRow.code == code, BayRow.ended_on.is_(None))).one()
            piece = lay_piece(session, self.dealer(session, dealer), "Oak chest", (*inches, 30))
            return lay_stay(session, piece, bay, first, last, at=at).id

    def stays_in(self, stay_id: int) -> tuple[BayRow, Stay]:
        with transaction(self.sessions) as session:
            stay = session.get_one(Stay, stay_id)
            return session.get_one(BayRow, stay.bay_id), stay

    def widen(self, aisle: str, inches: int, since: date) -> None:
        with transaction(self.sessions) as session:
            set_aisle_width(session, self.now, self.mall(session), aisle, since, inches * IN16_PER_INCH, said_by="fire marshal")

    def change_plan(self, *more: PartDraft, without: Sequence[str] = ()) -> None:
        with transaction(self.sessions) as session:
            self.save(session, *more, without=without)

    def save(self, session: Session, *more: PartDraft, without: Sequence[str] = ()) -> None:
        mall = self.mall(session)
        draft: PlanDraft | None = draft_of(session, mall, TODAY)
        assert draft is not None
        parts = (*(part for part in draft.parts if part.code not in without), *more)
        save_plan(session, self.now, mall, replace(draft, parts=parts), version=plan_version(session, mall.id))

    def redraw(self, code: str, outline: Outline) -> None:
        """Give a booth another outline."""
        with transaction(self.sessions) as session:
            version = plan_version(session, self.mall(session).id)
            draw_space(session, self.now, self.space(session, code), outline, version=version)
