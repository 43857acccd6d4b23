"""What a dealer's pages of a reset read: own resets alone, and all that the page of one shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.job_groups import pending_in
from coop.core.web import Visitor
from coop.floor.models import Mall, Space
from coop.portal.queries import own_dealers_query
from coop.resets.booking import Wanted, places_of
from coop.resets.models import BoothSet
from coop.resets.place_needs import not_booked
from coop.resets.planning import OPEN, group_of, newest_plan, plan_to_tick
from coop.resets.reset_models import CarryWay, Reset, ResetBooking, ResetPlan
from coop.resets.ticking import done_of
from coop.resets.wording import EMPTY_BOOTH
from coop.resets.working import is_outdated


@dataclass(frozen=True)
class ResetRow:
    """A reset with its booth and the names of its sets."""

    reset: Reset
    space: Space
    mall: Mall
    before: str
    after: str


def own_reset(session: Session, user: Visitor, reset_id: int) -> Reset | None:
    """A reset, if it is one of this user's; None alike when it is another's and when there is none."""
    return session.scalar(select(Reset).where(Reset.id == reset_id, Reset.dealer_id.in_(own_dealers_query(user))))


def own_resets(session: Session, user: Visitor) -> list[ResetRow]:
    """This user's resets: those to come first, by day, then those that are over, the latest first."""
    rows = session.execute(
        select(Reset, Space, Mall)
        .join(Space, Space.id == Reset.space_id)
        .join(Mall, Mall.id == Space.mall_id)
        .where(Reset.dealer_id.in_(own_dealers_query(user)))
        .order_by(Reset.on_date, Reset.begins_minute, Reset.id)
    ).all()
    names = _set_names(session, [reset for reset, _, _ in rows])
    made = [ResetRow(reset, space, mall, *_named(names, reset)) for reset, space, mall in rows]
    coming = [row for row in made if row.reset.state in OPEN]
    return coming + [row for row in reversed(made) if row.reset.state not in OPEN]


def _set_names(session: Session, resets: Sequence[Reset]) -> dict[int, str]:
    ids = {one for reset in resets for one in (reset.from_set_id, reset.to_set_id) if one is not None}
    rows = session.execute(select(BoothSet.id, BoothSet.name).where(BoothSet.id.in_(ids)))
    return {one.id: one.name for one in rows}


def _named(names: dict[int, str], reset: Reset) -> tuple[str, str]:
    """What its sets are called, before and after."""
    before, after = (EMPTY_BOOTH if one is None else names[one] for one in (reset.from_set_id, reset.to_set_id))
    return before, after


@dataclass(frozen=True)
class ResetDesk:
    """All that the page of one reset shows."""

    session: Session
    row: ResetRow
    plan: ResetPlan | None
    is_pending: bool
    """Its plan is being worked out."""
    is_outdated: bool
    done: frozenset[int]
    """Numbers of its plan's moves that are ticked."""
    way: CarryWay | None
    stopped: str = ""
    """Why a newer plan has no moves, where an earlier one is shown to tick on."""

    @property
    def reset(self) -> Reset:
        return self.row.reset

    @property
    def is_open(self) -> bool:
        return self.reset.state in OPEN

    @cached_property
    def moves(self) -> list[dict[str, Any]]:
        return [] if self.plan is None else list(self.plan.value["moves"])

    @property
    def next_number(self) -> int | None:
        """Of the first move that is not ticked."""
        return next((move["number"] for move in self.moves if move["number"] not in self.done), None)

    @cached_property
    def places(self) -> Sequence[ResetBooking]:
        """What of the mall is booked for it."""
        return places_of(self.session, self.reset)

    @cached_property
    def not_booked(self) -> Sequence[Wanted]:
        """What its plan takes of the mall beside or beyond what is booked, once anything is."""
        if not self.is_open or self.is_outdated or self.plan is None or not self.places:
            return []
        booked = [Wanted(one.kind, one.place, one.from_minute, one.to_minute) for one in self.places]
        return not_booked(self.reset, self.row.space, self.plan.value, booked)

    @property
    def left(self) -> int:
        return sum(move["number"] not in self.done for move in self.moves)


def reset_desk(session: Session, reset: Reset, *, to_tick: bool = False) -> ResetDesk:
    """`to_tick`: where the newest plan was stopped (a tick is missing), the last one that has moves."""
    space = session.get_one(Space, reset.space_id)
    mall = session.get_one(Mall, space.mall_id)
    plan = newest_plan(session, reset)
    pending = pending_in(session, group_of(reset))
    outdated = plan is not None and reset.state in OPEN and not pending and is_outdated(session, reset, plan)
    stopped = ""
    if to_tick and plan is not None and plan.value["stopped"]:
        shown = plan_to_tick(session, reset)
        if shown is not None and shown.id != plan.id:
            plan, stopped = shown, plan.value["stopped"]
    return ResetDesk(
        session,
        ResetRow(reset, space, mall, *_named(_set_names(session, [reset]), reset)),
        plan,
        pending,
        outdated,
        frozenset() if plan is None else frozenset(done_of(session, plan)),
        None if reset.way_id is None else session.get(CarryWay, reset.way_id),
        stopped,
    )
