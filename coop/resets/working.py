"""A reset's plan worked out in the background: facts read in one transaction, put together without one, frozen in a last one."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date, timedelta
from importlib import import_module
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core.digest import digest
from coop.core.jobs import JobRun, long_job
from coop.floor.models import Mall, Space
from coop.resets.booking import closed_days
from coop.resets.composing import DAYS_LOOKED_AT, Facts, SmallsFact, compose, staged_value
from coop.resets.domain.hours.tasks import HoursSettings
from coop.resets.domain.loads import Van
from coop.resets.domain.order.moves import Staged, take_move
from coop.resets.domain.piece import Arrangement, Piece
from coop.resets.models import BoothSet, PieceRow, SetPrice, SmallsRow
from coop.resets.plain import arrangement_from, booth_value, piece_from, piece_value, placed_from, placed_value
from coop.resets.planning import KIND, OPEN, helpers_of, keep_plan, newest_plan, plans_of
from coop.resets.reading import arrangement_of, booth_of, set_rows
from coop.resets.reset_models import CarryWay, Reset, ResetPlan
from coop.resets.sets import newest_measure
from coop.resets.settings import setting_of
from coop.resets.ticking import done_of
from coop.resets.timing import logged_of
from coop.resets.ways import leg_value, way_of


@long_job(KIND, "rota")
def _work_out(run: JobRun, args: dict[str, Any]) -> None:
    with run.transaction() as session:
        row = session.get(Reset, args["reset_id"])
        if row is None or row.state not in OPEN:
            run.finish(session)
            return
        facts = read_facts(session, row)
        made_of = facts_digest(facts)
        last = newest_plan(session, row)
        if last is not None and last.made_of == made_of:
            run.finish(session)
            return
    value = compose(facts, import_module("coop.resets.solving.schedule").solve_schedule)
    with run.transaction() as session:
        keep_plan(session, run.clock(), session.get_one(Reset, args["reset_id"]), value, made_of)
        run.finish(session)


def read_facts(session: Session, row: Reset, *, days: bool = True) -> Facts:
    """What a reset's plan is worked out from, as things are now: begun ones from where their ticks say that pieces stand.

    `days`: with those on which the mall is closed; that they change makes no plan outdated.
    """
    after = Arrangement() if row.to_set_id is None else arrangement_of(session, session.get_one(BoothSet, row.to_set_id))
    before = Arrangement() if row.from_set_id is None else arrangement_of(session, session.get_one(BoothSet, row.from_set_id))
    waiting: tuple[Staged, ...] = ()
    apart: dict[str, Piece] = {}
    first = 1
    plans = [(plan, done_of(session, plan)) for plan in plans_of(session, row)]
    known = known_pieces(before, after)
    begun = standing_after([(plan.value, done) for plan, done in plans], known)
    if begun is not None:
        before, waiting, pieces_now = begun
        apart = {one.key: pieces_now[one.key] for one in waiting}
        first = max(max(first_of(plan), max(done, default=0) + 1) for plan, done in plans)
    pieces = _rows_of(session, row)
    # Also of what its moves have carried out for good: the plan was made of these, and its own ticks are no change.
    keys = known.keys() | {one.key for one in before.placed}
    way = None if row.way_id is None else session.get(CarryWay, row.way_id)
    measure = newest_measure(session, row.space_id)
    assert measure is not None, "a set is of a measured booth"
    return Facts(
        booth=booth_of(measure),
        before=before,
        after=after,
        on_date=row.on_date,
        begins_minute=row.begins_minute,
        ends_minute=row.ends_minute,
        people=row.people,
        helpers=helpers_of(row),
        staging=tuple((one["name"], one["width_in16"], one["depth_in16"]) for one in row.staging),
        waiting=waiting,
        apart=apart,
        first_number=first,
        way=None if way is None else way_of(way),
        van=_van(row),
        smalls=_smalls(session, row),
        prices=_prices(session, row, pieces),
        feet={str(one.id): one.feet for one in pieces.values() if str(one.id) in keys},
        powered=frozenset(str(one.id) for one in pieces.values() if one.needs_power and str(one.id) in keys),
        settings=setting_of(session, row.dealer_id).hours,
        logged=logged_of(session, row.dealer_id),
        gone=tuple(sorted(one.name for one in pieces.values() if one.gone_on is not None and str(one.id) in after)),
        closed=_closed(session, row) if days else frozenset(),
    )


def facts_digest(facts: Facts) -> str:
    """A hash over all that a plan is worked out from, so that one made of the same is not made again."""
    settings = facts.settings or HoursSettings()
    return digest(
        {
            "booth": booth_value(facts.booth),
            "pieces": {key: piece_value(piece) for key, piece in facts.pieces.items()},
            "before": [placed_value(one) for one in facts.before.placed],
            "after": [placed_value(one) for one in facts.after.placed],
            "waiting": [staged_value(one) for one in facts.waiting],
            "day": [facts.on_date.isoformat(), facts.begins_minute, facts.ends_minute, facts.people],
            "helpers": facts.helpers,
            "gone": facts.gone,
            "staging": facts.staging,
            "first": facts.first_number,
            "way": None if facts.way is None else [leg_value(leg) for leg in facts.way.legs],
            "van": None if facts.van is None else asdict(facts.van),
            "smalls": [asdict(one) for one in facts.smalls],
            "prices": sorted((facts.prices or {}).items()),
            "feet": sorted((facts.feet or {}).items()),
            "powered": sorted(facts.powered),
            "smalls a box": settings.smalls_a_box,
            "minutes": {kind: [one.least, one.likely, one.most] for kind, one in settings.minutes.items()},
            "logged": [asdict(one) for one in facts.logged],
        }
    )


def is_outdated(session: Session, row: Reset, plan: ResetPlan) -> bool:
    """Whether pieces, sets, booth or reset have changed since its plan was worked out. Its own ticks are no change; those of an
    earlier plan that came, or were taken back, since are one."""
    facts = read_facts(session, row, days=False)
    value = plan.value
    pieces = {key: piece_from(one) for key, one in value["pieces"].items()}
    begun = replace(
        facts,
        before=arrangement_from(value["before"], pieces),
        waiting=tuple(Staged(**one) for one in value["waiting"]),
        first_number=first_of(plan),
    )
    if any(facts.pieces.get(key, piece) != piece for key, piece in begun.pieces.items()):
        return True
    if facts_digest(begun) != plan.made_of:
        return True
    done = done_of(session, plan)
    stands, waits = after_moves(begun.before, begun.waiting, value, done, pieces)
    return set(stands.placed) != set(facts.before.placed) or set(waits) != set(facts.waiting)


def first_of(plan: ResetPlan) -> int:
    """The number its moves begin with: those of an earlier plan that were done have the numbers before."""
    return int(plan.value["first"])


def known_pieces(*arrangements: Arrangement) -> dict[str, Piece]:
    return {one.key: one.piece for arrangement in arrangements for one in arrangement.placed}


def standing_after(
    plans: Sequence[tuple[Mapping[str, Any], Collection[int]]], known: Mapping[str, Piece]
) -> tuple[Arrangement, tuple[Staged, ...], dict[str, Piece]] | None:
    """What stands in the booth and what waits by the ticks of all plans, each with the numbers of its moves that are done; and
    the pieces of all. None before the first tick. `known`: pieces as they are by now.

    An earlier plan's ticks count as well: a phone without a network sends them long after another plan was made.
    """
    begun = next((n for n, (_, done) in enumerate(plans) if done), None)
    if begun is None:
        return None
    pieces = {key: piece_from(one) for value, _ in plans[begun:] for key, one in value["pieces"].items()} | dict(known)
    first = plans[begun][0]
    standing, waiting = arrangement_from(first["before"], pieces), tuple(Staged(**one) for one in first["waiting"])
    for value, done in plans[begun:]:
        standing, waiting = after_moves(standing, waiting, value, done, pieces)
    return standing, waiting, pieces


def after_moves(
    before: Arrangement, waiting: Iterable[Staged], value: Mapping[str, Any], done: Collection[int], pieces: Mapping[str, Piece]
) -> tuple[Arrangement, tuple[Staged, ...]]:
    """What stands and what waits once these moves of a plan are done."""
    standing = {one.key: one for one in before.placed}
    waits = {one.key: one for one in waiting}
    for move in value["moves"]:
        if move["number"] in done:
            placed = placed_from(move["placed"], pieces) if move["placed"] else None
            take_move(standing, waits, move["key"], placed, Staged(**move["staged"]) if move["staged"] else None)
    return Arrangement(tuple(standing.values())), tuple(waits.values())


def _closed(session: Session, row: Reset) -> frozenset[date]:
    mall = session.get_one(Mall, session.get_one(Space, row.space_id).mall_id)
    return frozenset(closed_days(session, mall, [row.on_date + timedelta(days=n) for n in range(DAYS_LOOKED_AT)]))


# --- rows ---------------------------------------------------------------------------------------------------------------------


def _rows_of(session: Session, row: Reset) -> dict[int, PieceRow]:
    """The pieces of both its sets, by id."""
    return {
        piece.id: piece
        for set_id in (row.from_set_id, row.to_set_id)
        if set_id is not None
        for _, piece in set_rows(session, set_id)
    }


def _van(row: Reset) -> Van | None:
    van = row.van
    return None if van is None else Van("the van", van["width_in16"], van["depth_in16"], van["height_in16"], van["payload_oz"])


def _smalls(session: Session, row: Reset) -> tuple[SmallsFact, ...]:
    rows = session.scalars(select(SmallsRow).where(SmallsRow.dealer_id == row.dealer_id).order_by(SmallsRow.id))
    return tuple(
        SmallsFact(
            one.grouping,
            one.count,
            one.each_cuin,
            one.boxes,
            one.fragile,
            one.place,
            None if one.on_piece_id is None else str(one.on_piece_id),
        )
        for one in rows
    )


def _prices(session: Session, row: Reset, pieces: Mapping[int, PieceRow]) -> dict[str, tuple[int | None, int | None]]:
    if row.to_set_id is None:
        return {}
    changed = {one.piece_id: one.price_cents for one in session.scalars(select(SetPrice).where(SetPrice.set_id == row.to_set_id))}
    return {str(one.id): (one.price_cents, changed.get(one.id, one.price_cents)) for one in pieces.values()}
