"""The demo's overflow: floor in the aisles of the town's mall, lent since some months; who asked, got it, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from coop.cli.demo_closing import work_group
from coop.cli.demo_coop import MANAGER, TIMEZONE, Demo, DemoMall, dealer_of, mall_of, user_of
from coop.core.clock import local_date
from coop.core.db import transaction
from coop.core.geometry import IN16_PER_FOOT, IN16_PER_INCH
from coop.core.periods import Month
from coop.floor.models import Mall
from coop.floor.planning import set_aisle_width
from coop.leases.editing import By
from coop.leases.posting import post_rents, rents_are_due
from coop.overflow.asking import Asked, PieceAsked, ask_floor
from coop.overflow.bay_editing import edit_bay
from coop.overflow.domain.fitting import OZ_PER_LB
from coop.overflow.drafting import ask_draft, draft_of
from coop.overflow.drafting import group_of as group_of_draft
from coop.overflow.judging import free_place
from coop.overflow.placing import place_sold
from coop.overflow.publishing import publish
from coop.overflow.queries import overdue_sold, past_stays, standing_now
from coop.overflow.reading import Standing, bays_on
from coop.overflow.recalling import recall
from coop.overflow.rules import set_rules
from coop.overflow.staying import end_stay, lengthen_stay
from coop.overflow.survey_asking import ask_survey
from coop.overflow.survey_asking import group_of as group_of_bays
from coop.overflow.walking import begin_walk, finish_walk, mark, note_walk

_DAY, _WEEK = timedelta(days=1), timedelta(weeks=1)
_SINCE = 17 * _WEEK
_WEEKS = 8
"""Of a period; the first is shorter where the demo does not go back so far."""
_LEAST_WEEKS = 4
_ALREADY = 4 * _WEEK
"""So long the running period has gone on, from this week's Monday back."""
_LEAD = 4 * _DAY
"""A period is given out on the Thursday before it."""
_ASKING = 3 * _WEEK
"""So long before it is given out floor of the running period is asked for."""
_SEARCH = 1
"""The solver's own count of work for a draft: the same draft from the same seed."""
_FEE_CENTS = 1_50
_EAST, _WEST = "EAST", "WEST"
_CLEAR_IN16 = {_EAST: 48 * IN16_PER_INCH, _WEST: 60 * IN16_PER_INCH}
_MARSHALS_IN16 = 54 * IN16_PER_INCH
"""What the fire marshal asks of the east aisle later on."""
_DEEP_IN16 = 6 * IN16_PER_FOOT - _MARSHALS_IN16
"""What is deeper than this must go from there then."""
_KEPT_FREE = {
    "EAST-1": "Beside the back way out: nothing stands here.",
    "EAST-7": "The desk's bags and wrapping.",
    "WEST-2": "The stage of the fairs.",
}
_PALETTES = {"EAST-3": ("#8a5a2b", "#6e3b23"), "EAST-6": ("#c9a063", "#e8e4d8")}


@dataclass(frozen=True)
class _Thing:
    """A piece: width, depth and height in inches, pounds, dollars, its colour; the rest as `PieceAsked` has it."""

    size: tuple[int, int, int]
    pounds: int | None
    dollars: int
    colour: str
    more: Mapping[str, object]


_OAK, _PINE, _BLUE, _IRON, _PALE = "#8a5a2b", "#c9a063", "#3f5f6b", "#4a4038", "#e8e4d8"
_THINGS = {
    "Oak hutch": _Thing((48, 20, 78), 180, 740, _OAK, {}),
    "Church pew": _Thing((84, 20, 36), 130, 320, _OAK, {}),
    "Pine chest": _Thing((40, 19, 34), 85, 290, _PINE, {}),
    "Hall stand": _Thing((34, 14, 80), 70, 260, "#6e3b23", {}),
    "Cast-iron bath": _Thing((60, 30, 24), 310, 450, _PALE, {}),
    "Blanket box": _Thing((44, 20, 22), 60, 240, _BLUE, {"grouping": "porch"}),
    "Porch bench": _Thing((46, 17, 34), 45, 150, _BLUE, {"grouping": "porch"}),
    "Display case": _Thing((36, 18, 42), 90, 210, _OAK, {"glass": True}),
    "Barrister bookcase": _Thing((34, 14, 62), 120, 480, _OAK, {"glass": True}),
    "Drop-leaf table": _Thing((42, 20, 29), 55, 180, _PINE, {"may_turn": True}),
    "Steamer trunk": _Thing((36, 22, 26), 50, 160, _IRON, {}),
    "Potting bench": _Thing((54, 22, 38), 75, 220, _PINE, {}),
    "Flat file": _Thing((46, 22, 30), 190, 520, _OAK, {}),
    "Treadle table": _Thing((35, 18, 30), 80, 140, _IRON, {}),
    "Jelly cupboard": _Thing((42, 18, 58), 110, 430, _PINE, {}),
    "Baker's table": _Thing((66, 30, 31), 140, 560, _PINE, {}),
    "Seed cabinet": _Thing((60, 18, 44), 150, 690, _PINE, {}),
    "Store counter": _Thing((90, 22, 34), 220, 780, _OAK, {}),
    "Locker bank": _Thing((48, 15, 72), 160, 240, _IRON, {}),
    "Wardrobe": _Thing((50, 22, 80), None, 380, "#6e3b23", {}),
    "Sideboard, walnut": _Thing((66, 21, 38), 140, 590, "#6e3b23", {}),
    "Harvest table": _Thing((70, 34, 30), 120, 620, _PINE, {}),
    "Bank of drawers": _Thing((72, 20, 40), 170, 520, _OAK, {}),
    "Deacon's bench": _Thing((52, 20, 34), 60, 230, _OAK, {}),
    "Dough trough": _Thing((40, 20, 28), 40, 170, _PINE, {}),
    "Work bench": _Thing((66, 24, 34), 150, 260, _IRON, {}),
    "Quilt rack": _Thing((36, 14, 34), 18, 75, _PINE, {}),
    "Library steps": _Thing((22, 18, 40), 25, 165, _OAK, {}),
    "Wash stand": _Thing((32, 18, 36), 45, 130, _PALE, {}),
    "Tool bench": _Thing((60, 24, 34), 130, 240, _IRON, {}),
    "Sewing table": _Thing((28, 17, 30), 60, 165, _OAK, {}),
    "Milk-can rack": _Thing((30, 16, 40), 40, 95, _IRON, {}),
}


@dataclass(frozen=True)
class Wish:
    """Floor that a dealer asks for, so many days before a period (0 is the first) is given out."""

    period: int
    days: int
    dealer: int
    weeks: int
    pieces: tuple[str, ...]
    flexible_weeks: int = 0
    together: bool = False
    bay_code: str = ""
    note: str = ""


WISHES = (
    Wish(0, 12, 16, 8, ("Oak hutch",)),
    Wish(0, 9, 7, 8, ("Church pew",), bay_code="EAST-2", note="It shows best from the door"),
    Wish(0, 9, 22, 6, ("Pine chest",), 2),
    Wish(0, 8, 26, 8, ("Hall stand",)),
    Wish(0, 7, 38, 8, ("Cast-iron bath",), note="Four people carry it; once is enough"),
    Wish(0, 6, 2, 8, ("Blanket box", "Porch bench"), together=True),
    Wish(0, 5, 5, 8, ("Display case",)),
    Wish(0, 4, 14, 6, ("Drop-leaf table", "Steamer trunk"), 2),
    Wish(0, 2, 20, 8, ("Potting bench",)),
    Wish(1, 20, 16, 8, ("Flat file", "Treadle table")),
    Wish(1, 16, 3, 8, ("Barrister bookcase",), note="The glass is old: at a wall, please"),
    Wish(1, 15, 17, 4, ("Baker's table",), 4, note="Until its buyer has moved"),
    Wish(1, 12, 7, 8, ("Store counter",), bay_code="EAST-2"),
    Wish(1, 10, 24, 8, ("Seed cabinet",)),
    Wish(1, 9, 38, 8, ("Jelly cupboard", "Wash stand"), together=True),
    Wish(1, 7, 33, 6, ("Locker bank",), 2),
    Wish(1, 6, 11, 8, ("Wardrobe",)),
    Wish(1, 8, 32, 8, ("Harvest table",)),
    Wish(1, 5, 19, 8, ("Bank of drawers",)),
    Wish(1, 5, 8, 8, ("Deacon's bench", "Dough trough")),
    Wish(1, 4, 2, 8, ("Sideboard, walnut",)),
    Wish(1, 3, 21, 6, ("Work bench",), 1),
    Wish(2, 46, 5, 8, ("Quilt rack", "Library steps")),
    Wish(2, 42, 26, 8, ("Tool bench",)),
)


@dataclass(frozen=True)
class Period:
    """Of whole weeks, from a Monday on."""

    number: int
    first_day: date
    weeks: int

    @property
    def given_out_on(self) -> date:
        return self.first_day - _LEAD


def begins_on(today: date, earliest: date) -> date:
    """The day the mall's rules of overflow begin on: some months ago, or the earliest day there can be."""
    return max(today - _SINCE, earliest)


def periods(today: date, begins: date) -> list[Period]:
    """The one that is over, where there was time for one, the running one, and the next; none in a demo too short for it."""
    running = today - timedelta(days=today.weekday()) - _ALREADY
    before = min((running - begins - _LEAD - _WEEK) // _WEEK, _WEEKS)
    found = [Period(0, running - before * _WEEK, before)] if before >= _LEAST_WEEKS else []
    found += [Period(1, running, _WEEKS)] if running - _LEAD - _ASKING >= begins else []
    return [*found, Period(2, running + _WEEKS * _WEEK, _WEEKS)] if found else []


# --- what the mall sets, and what is asked ------------------------------------------------------------------------------------


def begin(demo: Demo, now: datetime, made: DemoMall) -> None:
    """House rules, what the side aisles must keep, and the bays of what is left; some of these are kept free."""
    on = local_date(now, TIMEZONE)
    with transaction(demo.coop.sessions) as session:
        mall, by = mall_of(session, made), _by(session)
        for aisle, clear_in16 in _CLEAR_IN16.items():
            set_aisle_width(session, now, mall, aisle, on, clear_in16, said_by="the co-op's meeting", user_id=by.user_id)
        terms = {"fee_kind": "foot-week", "fee_cents": _FEE_CENTS, "least_depth_in16": 18 * IN16_PER_INCH}
        set_rules(session, now, mall, on, by=by, **terms)
        ask_survey(session, now, mall)
        group = group_of_bays(mall.id)
    work_group(demo, now, "rota", group)
    with transaction(demo.coop.sessions) as session:
        for bay in bays_on(session, mall_of(session, made).id, on):
            kept, palette = _KEPT_FREE.get(bay.code, ""), _PALETTES.get(bay.code, ())
            edit_bay(session, now, bay, is_lent=not kept, palette=palette, note=kept, by=_by(session))


def ask(made: DemoMall, wish: Wish, not_before: date, session: Session, now: datetime) -> None:
    """A dealer asks; the dealers' own sign-ins are made when the year is over."""
    asked = Asked(
        not_before,
        wish.weeks,
        wish.flexible_weeks,
        wish.together,
        wish.bay_code,
        wish.note,
        tuple(map(_piece, wish.pieces)),
    )
    ask_floor(session, now, dealer_of(session, wish.dealer), mall_of(session, made), asked, by=_by(session))


def _piece(name: str) -> PieceAsked:
    thing = _THINGS[name]
    width, depth, height = (inches * IN16_PER_INCH for inches in thing.size)
    weight = None if thing.pounds is None else thing.pounds * OZ_PER_LB
    more: dict[str, object] = {"colour": thing.colour, "price_cents": thing.dollars * 100, **thing.more}
    return PieceAsked(name, width, depth, height, weight, **more)  # type: ignore[arg-type]


# --- periods ----------------------------------------------------------------------------------------------------------------


def draft(demo: Demo, made: DemoMall, period: Period, now: datetime) -> None:
    """A period drafted as the office drafts it."""
    with transaction(demo.coop.sessions) as session:
        mall = mall_of(session, made)
        terms = {"first_day": period.first_day, "weeks": period.weeks, "seconds": _SEARCH, "seed": demo.seed}
        row = ask_draft(session, now, mall, by=_by(session), **terms)  # type: ignore[arg-type]
        groups = group_of_bays(mall.id), group_of_draft(row)
    for group in groups:
        work_group(demo, now, "rota", group)


def post_rents_due(made: DemoMall, session: Session, now: datetime) -> None:
    """On a month's last day its rents are posted: a draft goes by them, and would be out of date with the first day's work."""
    mall, today = mall_of(session, made), local_date(now, TIMEZONE)
    if rents_are_due(session, mall, today):
        post_rents(session, now, mall, Month.of(today))


def give_out(demo: Demo, made: DemoMall, period: Period, now: datetime) -> None:
    """A period drafted and published."""
    draft(demo, made, period, now)
    with transaction(demo.coop.sessions) as session:
        row = draft_of(session, mall_of(session, made).id)
        assert row is not None, "it was drafted just now"
        publish(session, now, row, by=_by(session))


# --- day by day -------------------------------------------------------------------------------------------------------------


def walk(made: DemoMall, session: Session, now: datetime) -> None:
    """All is where it should be."""
    _walk(session, now, mall_of(session, made), None)


def find_out_of_place(made: DemoMall, session: Session, now: datetime) -> None:
    """One piece is not, and its dealer is told; another is sold and was not fetched."""
    mall = mall_of(session, made)
    left = overdue_sold(session, mall.id, local_date(now, TIMEZONE))
    note = "; ".join(f"{one.piece.name} of {one.dealer.code} is sold, and still in {one.bay.code}" for one in left)
    _walk(session, now, mall, _one(_standing(session, mall, now), 19), note)


def _walk(session: Session, now: datetime, mall: Mall, out: Standing | None, note: str = "") -> None:
    there, by = standing_now(session, mall.id, local_date(now, TIMEZONE)), _by(session)
    if not there:
        return
    found = begin_walk(session, now, mall, by=by)
    for one in there:
        if out is not None and one.stay.id == out.stay.id:
            mark(session, now, found, one.stay, "out of place", "A foot out into the aisle, with a lamp before it", by=by)
        else:
            mark(session, now, found, one.stay, "in place", by=by)
    if note:
        note_walk(session, now, found, note, by=by)
    finish_walk(session, now, found, by=by)


def end_early(made: DemoMall, session: Session, now: datetime) -> None:
    """A piece is sold and gone, weeks before its last day."""
    mall = mall_of(session, made)
    one = _one(_standing(session, mall, now), 24)
    if one is not None:
        end_stay(session, now, one.stay, on=local_date(now, TIMEZONE), by=_by(session))


def wait_sold(made: DemoMall, name: str, dealer: int, days: int, session: Session, now: datetime) -> None:
    """A sold piece waits where there is room, to be fetched within some days."""
    mall, today, piece = mall_of(session, made), local_date(now, TIMEZONE), _piece(name)
    until = today + days * _DAY
    for bay in bays_on(session, mall.id, today):
        place = free_place(session, bay, piece.width_in16, today, until)
        if bay.is_lent and bay.depth_in16 >= piece.depth_in16 and place is not None:
            dealer_row, by = dealer_of(session, dealer), _by(session)
            place_sold(session, now, mall, dealer_row, piece, bay, by=by, until=until, from_in16=place)
            return


def lengthen(made: DemoMall, until: date, session: Session, now: datetime) -> None:
    """A deep piece in the east aisle may stand longer than its period, if its dealer had none there before."""
    mall, today = mall_of(session, made), local_date(now, TIMEZONE)
    there = [one for one in _standing(session, mall, now) if one.bay.aisle == _EAST and one.stay.depth_in16 > _DEEP_IN16]
    one = _one([one for one in there if not past_stays(session, [one.dealer.id], today)], 11)
    if one is not None:
        lengthen_stay(session, now, one.stay, until=until, by=_by(session))


def ask_back(made: DemoMall, session: Session, now: datetime) -> None:
    """The mall needs a stretch of wall."""
    mall, notice = mall_of(session, made), local_date(now, TIMEZONE) + _WEEK
    one = _one([one for one in _standing(session, mall, now) if one.stay.ends_on > notice], 16)
    if one is not None:
        recall(session, now, one.stay, why="The electrician comes for the outlets in the wall behind it", by=_by(session))


def widen(made: DemoMall, starts_on: date, session: Session, now: datetime) -> None:
    """The fire marshal's word on the east aisle, to hold from a day of the next period on."""
    said = {"said_by": "the fire marshal", "user_id": user_of(session, MANAGER)}
    mall = mall_of(session, made)
    set_aisle_width(session, now, mall, _EAST, starts_on, _MARSHALS_IN16, **said)  # type: ignore[arg-type]


def _standing(session: Session, mall: Mall, now: datetime) -> list[Standing]:
    """What dealers have floor for, but for what was asked back and what is sold."""
    there = standing_now(session, mall.id, local_date(now, TIMEZONE))
    return [one for one in there if one.stay.kind == "asked" and one.stay.recalled_at is None]


def _one(there: Sequence[Standing], dealer: int) -> Standing | None:
    """That of a dealer, by number, if there is one, else the first."""
    code = f"D{dealer:02d}"
    return min(there, key=lambda one: (one.dealer.code != code, one.stay.id), default=None)


def _by(session: Session) -> By:
    return By(user_of(session, MANAGER))
