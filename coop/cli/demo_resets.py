"""The demo's resets: one dealer's pieces, the booth as measured, the set that stands, and the next one planned for its day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from coop.cli.demo_coop import MANAGER, DemoMall, mall_of, user_of
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.editing import By
from coop.resets.booking import book_places
from coop.resets.composing import compose
from coop.resets.domain.booth import Booth, Side
from coop.resets.domain.piece import CarriedSize
from coop.resets.domain.way import Aisle, Corner, Door
from coop.resets.measuring import record_booth
from coop.resets.models import BoothSet, PieceRow
from coop.resets.pieces import PieceIn, add_piece
from coop.resets.place_needs import propose_places
from coop.resets.planning import Asked, group_of, keep_plan, make_reset
from coop.resets.putting import save_arrangement
from coop.resets.set_json import Put
from coop.resets.sets import Terms, copy_set, let_stand, make_set
from coop.resets.smalls import SmallsIn, add_smalls
from coop.resets.timing import log_time
from coop.resets.ways import set_floor, set_way, ways_of
from coop.resets.working import facts_digest, read_facts

DEALER, BOOTH = 16, "16"
_FLOOR = "By the back door"
_FT, _LB = 12 * IN16_PER_INCH, 16


def _in(*inches: int) -> tuple[int, ...]:
    return tuple(each * IN16_PER_INCH for each in inches)


@dataclass(frozen=True)
class _Thing:
    """A piece of the demo's dealer: width, depth and height in inches, pounds, dollars; the rest as `PieceIn` has it."""

    size: tuple[int, int, int]
    pounds: int | None
    dollars: int
    more: Mapping[str, object]


_KITCHEN, _HALL, _FEAST = "kitchen", "hall", "feast"
_THINGS = {
    "Oak cupboard": _Thing((48, 20, 76), 140, 680, {"grouping": _HALL, "opens_in16": 20 * 16, "colours": ("#8a5a2b",)}),
    "Pine dresser": _Thing(
        (44, 20, 36), 95, 420, {"grouping": _KITCHEN, "opens_in16": 16 * 16, "carries_oz": 100 * _LB, "colours": ("#c9a063",)}
    ),
    "Corner shelf": _Thing((24, 24, 72), 60, 190, {"grouping": _HALL, "colours": ("#5b3a1e",)}),
    "Farm table": _Thing((60, 34, 30), 85, 540, {"grouping": _KITCHEN, "carries_oz": 150 * _LB, "colours": ("#b98a4e",)}),
    "Ladder-back chair": _Thing((18, 18, 38), 9, 60, {"grouping": _KITCHEN, "colours": ("#b98a4e",)}),
    "Blanket chest": _Thing((42, 20, 22), 60, 260, {"grouping": _HALL, "carries_oz": 90 * _LB, "colours": ("#3f5f6b",)}),
    "Steamer trunk": _Thing((36, 22, 24), 45, 150, {"grouping": _HALL, "colours": ("#4a4038",)}),
    "Window frame": _Thing((32, 4, 48), 22, 85, {"glass": True, "leans": True, "feet": 0, "colours": ("#e8e4d8",)}),
    "Gilt mirror": _Thing((30, 3, 40), 25, 210, {"stands": "wall", "glass": True, "feet": 0, "colours": ("#c2a14a",)}),
    "Brass scale": _Thing((16, 10, 18), 12, 95, {"stands": "table", "grouping": _KITCHEN, "fragile": True}),
    "Tool chest": _Thing((24, 14, 12), 25, 70, {"stands": "table", "grouping": _HALL}),
    "Parlor lamp": _Thing((12, 12, 26), 8, 120, {"stands": "table", "needs_power": True, "fragile": True, "feet": 1}),
    "Feather tree": _Thing((34, 34, 70), None, 230, {"grouping": _FEAST, "fragile": True, "feet": 1, "place": "store"}),
    "Sideboard": _Thing(
        (54, 20, 38),
        110,
        560,
        {
            "grouping": _FEAST,
            "carries_oz": 90 * _LB,
            "opens_in16": 18 * 16,
            "colours": ("#6e3b23",),
            "carried": (CarriedSize("on end", 38 * 16, 20 * 16, 54 * 16),),
        },
    ),
}
_SPOT = tuple[int, int, int]
"""Middle from the left and from the back in inches, and the turn."""
_HARVEST: Mapping[str, _SPOT] = {
    "Oak cupboard": (26, 11, 0),
    "Pine dresser": (76, 11, 0),
    "Brass scale": (76, 11, 0),
    "Gilt mirror": (76, 2, 0),
    "Corner shelf": (130, 13, 0),
    "Farm table": (76, 90, 90),
    "Tool chest": (76, 90, 90),
    "Ladder-back chair": (76, 130, 180),
    "Blanket chest": (11, 96, 270),
    "Steamer trunk": (132, 74, 90),
    "Window frame": (141, 130, 90),
}
_WINTER: Mapping[str, _SPOT] = {
    **{name: spot for name, spot in _HARVEST.items() if name not in ("Steamer trunk", "Tool chest")},
    "Oak cupboard": (118, 11, 0),
    "Corner shelf": (13, 13, 0),
    "Pine dresser": (62, 11, 0),
    "Brass scale": (62, 11, 0),
    "Gilt mirror": (62, 2, 0),
    "Sideboard": (132, 76, 90),
    "Parlor lamp": (132, 76, 90),
    "Farm table": (74, 90, 90),
    "Ladder-back chair": (74, 130, 180),
    "Feather tree": (118, 148, 0),
}
_ON = {"Brass scale": "Pine dresser", "Tool chest": "Farm table", "Parlor lamp": "Sideboard"}
_HANGS_IN16 = 46 * IN16_PER_INCH


def lend(session: Session, now: datetime, made: DemoMall) -> None:
    """What the mall lends to resets: floor to wait on, and its way to the van as it was measured."""
    mall, user_id = mall_of(session, made), user_of(session, MANAGER)
    set_floor(session, now, mall, _FLOOR, 10 * _FT, 5 * _FT, note="Clear it by closing.", user_id=user_id)
    legs = (
        Aisle("the middle aisle", 6 * _FT),
        Corner("the corner at the office", 5 * _FT, 4 * _FT),
        Door("the back door", 3 * _FT, 80 * IN16_PER_INCH),
    )
    set_way(session, now, mall, "Back door", legs, user_id=user_id)


def lay_out(session: Session, now: datetime, made: DemoMall, on: date) -> None:
    """The dealer writes the pieces down, measures the booth, and lays out what stands from that day on."""
    dealer, space = _dealer(session), _space(session, made)
    wall = Side("wall", hooks=True, height_in16=8 * _FT)
    booth = Booth(
        outline=((0, 0), (12 * _FT, 0), (12 * _FT, 14 * _FT), (0, 14 * _FT)),
        sides=(wall, wall, Side("open"), wall),
        outlets=((12 * _FT, 6 * _FT),),
        height_limit_in16=8 * _FT,
        aisle_in16=6 * _FT,
    )
    record_booth(session, now, dealer, space, booth, measured_on=on, measured_by=dealer.member.name)
    for name, thing in _THINGS.items():
        width, depth, height = _in(*thing.size)
        values: dict[str, object] = {"place": "home", **thing.more}
        piece = PieceIn(
            name,
            width,
            depth,
            height,
            None if thing.pounds is None else thing.pounds * _LB,
            price_cents=thing.dollars * 100,
            **values,  # type: ignore[arg-type]
        )
        add_piece(session, now, dealer, piece)
    rows = _pieces(session, dealer)
    add_smalls(session, now, dealer, SmallsIn("stoneware", 26, each_cuin=220, fragile=True, on_piece_id=rows["Pine dresser"].id))
    add_smalls(session, now, dealer, SmallsIn("hand tools", 44, each_cuin=60, on_piece_id=rows["Blanket chest"].id))
    harvest = make_set(session, now, dealer.id, space, Terms("Harvest", on, theme="wheat and tin"))
    _put(session, now, harvest, rows, _HARVEST)
    let_stand(session, now, harvest, version=harvest.version, anyway=True)


def log_work(session: Session, now: datetime, on: date) -> None:
    """How long it took, as the dealer logged it that evening."""
    dealer = _dealer(session)
    for task, minutes, count in (("move", 95, 11), ("pack", 70, 5), ("clean", 40, 1), ("set", 130, 6)):
        log_time(session, now, dealer, task=task, minutes=minutes, count=count, people=2, on=on, today=on)


def plan_next(session: Session, now: datetime, made: DemoMall, month: Month) -> None:
    """The winter's set as a draft, and the reset to it, with its order worked out and the dock booked."""
    dealer, space = _dealer(session), _space(session, made)
    mall = session.get_one(Mall, space.mall_id)
    stands = session.scalars(select(BoothSet).where(BoothSet.dealer_id == dealer.id, BoothSet.state == "stands")).one()
    day = month.first_day + timedelta(days=1)
    draft = copy_set(session, now, stands, Terms("Winter", day, theme="candles and evergreen")).made
    _put(session, now, draft, _pieces(session, dealer), _WINTER)
    asked = Asked(
        day,
        10 * 60,
        18 * 60,
        people=2,
        helpers=((13 * 60, 17 * 60, 2),),
        staging=((_FLOOR, 10 * _FT, 5 * _FT),),
        way_id=ways_of(session, mall.id)[0].id,
        van={"width_in16": 5 * _FT, "depth_in16": 9 * _FT, "height_in16": 5 * _FT, "payload_oz": 1500 * _LB},
    )
    # The dealers' own sign-ins are made when the year is over.
    by = By(user_of(session, MANAGER))
    row = make_reset(session, now, dealer, space, before=stands, after=draft, asked=asked, by=by)
    facts = read_facts(session, row)
    plan = keep_plan(session, now, row, compose(facts), facts_digest(facts))
    # Its job would find this plan made.
    session.execute(delete(Job).where(Job.group_key == group_of(row)))
    book_places(session, now, row, propose_places(row, space, plan.value), by=by)


def _put(session: Session, now: datetime, row: BoothSet, rows: Mapping[str, PieceRow], spots: Mapping[str, _SPOT]) -> None:
    puts = [
        Put(
            rows[name].id,
            x * IN16_PER_INCH,
            y * IN16_PER_INCH,
            turn,
            on_piece_id=rows[_ON[name]].id if name in _ON else None,
            up_in16=_HANGS_IN16 if rows[name].stands == "wall" else 0,
        )
        for name, (x, y, turn) in spots.items()
    ]
    save_arrangement(session, now, row, puts, version=row.version)


def _dealer(session: Session) -> Dealer:
    return session.scalars(select(Dealer).where(Dealer.code == f"D{DEALER:02d}")).one()


def _space(session: Session, made: DemoMall) -> Space:
    mall = mall_of(session, made)
    return session.scalars(select(Space).where(Space.mall_id == mall.id, Space.code == BOOTH)).one()


def _pieces(session: Session, dealer: Dealer) -> dict[str, PieceRow]:
    return {row.name: row for row in session.scalars(select(PieceRow).where(PieceRow.dealer_id == dealer.id))}
