"""A small booth, its dealer's pieces, and a set that stands in it. Lengths are inches, weights pounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from coop.core.documents import keep_document
from coop.core.geometry import IN16_PER_INCH
from coop.core.jobs import Job
from coop.dealers.models import Dealer, UserAccount
from coop.floor.models import Mall, Space
from coop.leases.editing import By
from coop.resets.composing import compose
from coop.resets.domain.booth import WAY_IN16, Booth, rectangle_booth
from coop.resets.domain.way import Door, Steps
from coop.resets.models import BoothMeasure, BoothSet, PieceRow, SetPiece, SmallsRow
from coop.resets.naming import name_key
from coop.resets.plain import side_values
from coop.resets.planning import Asked, group_of, keep_plan, make_reset
from coop.resets.reset_models import Reset
from coop.resets.timing import log_time
from coop.resets.ways import set_floor, set_way
from coop.resets.working import facts_digest, read_facts
from tests.factories.leases import make_lease, make_space
from tests.factories.people import make_coop, make_dealer, make_mall

NOW = datetime(2026, 11, 3, 15, 0, tzinfo=UTC)
"""When things here were made, unless told."""
SIZES = {
    "Oak dresser": (42, 20, 34),
    "Pine table": (48, 30, 30),
    "Tall cupboard": (36, 18, 78),
    "Cane chair": (18, 20, 34),
    "Gilt mirror": (24, 2, 36),
    "Brass lamp": (10, 10, 22),
}
"""Width, depth, height in inches of the pieces of `a_booth`."""
WEIGHTS = {"Oak dresser": 110, "Pine table": 60, "Tall cupboard": 140, "Cane chair": 11, "Gilt mirror": 18, "Brass lamp": 6}


def in16(inches: float) -> int:
    return round(inches * IN16_PER_INCH)


def make_piece(
    session: Session,
    dealer: Dealer,
    name: str,
    size: tuple[float, float, float] = (36, 18, 30),
    weight_lb: float | None = 40,
    *,
    now: datetime = NOW,
    **more: Any,
) -> PieceRow:
    """A piece of a dealer: width, depth and height in inches. `more` are columns as `PieceRow` has them."""
    width, depth, height = (in16(side) for side in size)
    values: dict[str, Any] = {"place": "booth", "colours": [], "carried": [], **more}
    row = PieceRow(
        dealer_id=dealer.id,
        name=name,
        name_key=name_key(name),
        width_in16=width,
        depth_in16=depth,
        height_in16=height,
        weight_oz=None if weight_lb is None else round(weight_lb * 16),
        created_at=now,
        **values,
    )
    session.add(row)
    session.flush()
    return row


def make_smalls(
    session: Session, dealer: Dealer, grouping: str, count: int, *, now: datetime = NOW, on: PieceRow | None = None, **more: Any
) -> SmallsRow:
    row = SmallsRow(
        dealer_id=dealer.id, grouping=grouping, count=count, on_piece_id=None if on is None else on.id, created_at=now, **more
    )
    session.add(row)
    session.flush()
    return row


def measure_booth(
    session: Session,
    space: Space,
    booth: Booth | None = None,
    *,
    on: date | None = None,
    by: str = "Ida Fenwick",
    user_id: int | None = None,
    now: datetime = NOW,
) -> BoothMeasure:
    """A further measuring of a space: 10 ft wide and 12 ft deep, its front open to an aisle of 5 ft, walls with hooks."""
    booth = booth or rectangle_booth(in16(120), in16(144), way_in16=WAY_IN16, aisle_in16=in16(60))
    last = session.scalar(select(func.max(BoothMeasure.number)).where(BoothMeasure.space_id == space.id)) or 0
    row = BoothMeasure(
        space_id=space.id,
        number=last + 1,
        measured_on=on or now.date(),
        measured_by=by,
        user_id=user_id,
        outline_in16=[list(corner) for corner in booth.outline],
        sides=side_values(booth.sides),
        posts_in16=[[list(corner) for corner in post] for post in booth.posts],
        outlets_in16=[list(outlet) for outlet in booth.outlets],
        height_limit_in16=booth.height_limit_in16,
        way_in16=booth.way_in16,
        aisle_in16=booth.aisle_in16,
        created_at=now,
    )
    session.add(row)
    session.flush()
    return row


Spot = tuple[float, float] | tuple[float, float, int]


def make_set(
    session: Session,
    dealer: Dealer,
    space: Space,
    measure: BoothMeasure,
    name: str,
    placed: Mapping[PieceRow, Spot] | Sequence[tuple[PieceRow, Spot]] = (),
    *,
    on: Mapping[PieceRow, PieceRow] | None = None,
    state: str = "draft",
    starts_on: date = date(2026, 11, 1),
    ends_on: date | None = None,
    now: datetime = NOW,
    **more: Any,
) -> BoothSet:
    """A set with pieces at x, y (inches) and a turn in degrees; `on` says which stands on which."""
    row = BoothSet(
        dealer_id=dealer.id,
        space_id=space.id,
        measure_id=measure.id,
        name=name,
        name_key=name_key(name),
        starts_on=starts_on,
        ends_on=ends_on,
        state=state,
        created_at=now,
        changed_at=now,
        **more,
    )
    session.add(row)
    session.flush()
    below = {piece.id: under.id for piece, under in (on or {}).items()}
    for piece, spot in dict(placed).items():
        session.add(
            SetPiece(
                set_id=row.id,
                piece_id=piece.id,
                x_in16=in16(spot[0]),
                y_in16=in16(spot[1]),
                turn_deg=spot[2] if len(spot) == 3 else 0,
                on_piece_id=below.get(piece.id),
            )
        )
    session.flush()
    return row


@dataclass(frozen=True)
class BoothLaid:
    """What `a_booth` made."""

    mall: Mall
    space: Space
    dealer: Dealer
    measure: BoothMeasure
    pieces: dict[str, PieceRow]
    stands: BoothSet
    draft: BoothSet


def add_resets(session: Session, dealer: Dealer, space: Space, mall: Mall, *, now: datetime = NOW) -> BoothLaid:
    """A booth measured, the pieces of `SIZES`, a set that stands in it and a draft for December. The dealer holds the space."""
    measure = measure_booth(session, space, now=now)
    pieces = {
        name: make_piece(
            session,
            dealer,
            name,
            size,
            WEIGHTS[name],
            now=now,
            **{
                "Pine table": {"carries_oz": 80 * 16, "grouping": "kitchen"},
                "Oak dresser": {"carries_oz": 60 * 16, "opens_in16": in16(18), "grouping": "bedroom", "colours": ["#8a5a2b"]},
                "Gilt mirror": {"stands": "wall", "glass": True, "feet": 0, "grouping": "bedroom"},
                "Brass lamp": {"stands": "table", "needs_power": True, "fragile": True, "feet": 1},
            }.get(name, {}),
        )
        for name, size in SIZES.items()
    }
    make_smalls(session, dealer, "china", 40, now=now, on=pieces["Oak dresser"], each_cuin=96, fragile=True)
    spots: dict[str, Spot] = {
        "Oak dresser": (22, 11),
        "Tall cupboard": (100, 10),
        "Pine table": (60, 80),
        "Cane chair": (20, 100, 90),
        "Brass lamp": (22, 11),
    }
    stands = make_set(
        session,
        dealer,
        space,
        measure,
        "Autumn",
        {pieces[name]: spot for name, spot in spots.items()},
        on={pieces["Brass lamp"]: pieces["Oak dresser"]},
        state="stands",
        starts_on=date(2026, 9, 1),
        now=now,
    )
    moved: dict[str, Spot] = {**spots, "Oak dresser": (98, 11), "Tall cupboard": (20, 10), "Brass lamp": (98, 11)}
    draft = make_set(
        session,
        dealer,
        space,
        measure,
        "Winter",
        {pieces[name]: spot for name, spot in moved.items()},
        on={pieces["Brass lamp"]: pieces["Oak dresser"]},
        starts_on=date(2026, 12, 1),
        now=now,
    )
    return BoothLaid(mall, space, dealer, measure, pieces, stands, draft)


def a_booth(session: Session, now: datetime = NOW) -> BoothLaid:
    """A co-op, a mall, dealer D01 who leases booth 12, and what `add_resets` adds."""
    make_coop(session, now)
    mall = make_mall(session, now)
    dealer = make_dealer(session, now)
    space = make_space(session, now, mall)
    make_lease(session, now, mall, dealer, [space])
    return add_resets(session, dealer, space, mall, now=now)


@dataclass(frozen=True)
class ResetsLaid:
    """Ids of what the house's dealer D01 has for booth 12."""

    piece: int
    gone: int
    """A piece that was let go."""
    smalls: int
    measure: int
    stands: int
    draft: int
    reset: int
    """From what stands to the draft on 1 December, its plan worked out."""
    paper: int
    """Of that reset."""
    time: int
    """A time that was logged."""
    way: int
    floor: int
    """A way to the van, and staging floor."""


_PLANS: dict[str, dict[str, Any]] = {}
"""Plans by what they were worked out from: each once a process."""


def plan_reset(session: Session, now: datetime, laid: BoothLaid, user_id: int, on: date = date(2026, 12, 1)) -> Reset:
    """A reset from what stands to the draft, with floor to wait on, and its plan."""
    asked = Asked(on, 10 * 60, 18 * 60, staging=(("By the dock", in16(120), in16(60)),))
    by = By(user_id)
    row = make_reset(session, now, laid.dealer, laid.space, before=laid.stands, after=laid.draft, asked=asked, by=by)
    facts = read_facts(session, row)
    made_of = facts_digest(facts)
    if made_of not in _PLANS:
        _PLANS[made_of] = compose(facts)
    keep_plan(session, now, row, _PLANS[made_of], made_of)
    return row


def add_reset_rows(session: Session, now: datetime, mall: Mall, dealer: Dealer, space: Space) -> ResetsLaid:
    made = add_resets(session, dealer, space, mall, now=now)
    gone = make_piece(session, dealer, "Broken stool", (14, 14, 18), 7, now=now, gone_on=now.date())
    smalls = session.scalars(select(SmallsRow.id).where(SmallsRow.dealer_id == dealer.id)).one()
    user = session.scalars(select(UserAccount.id).where(UserAccount.member_id == dealer.member_id)).one()
    time = log_time(session, now, dealer, task="pack", minutes=25, count=2, people=1, on=date(2026, 9, 1), today=now.date())
    reset = plan_reset(session, now, made, user)
    session.execute(delete(Job).where(Job.group_key == group_of(reset)))
    legs = (Door("Back door", in16(36), in16(80)), Steps("Dock steps", 4, in16(44)))
    way = set_way(session, now, mall, "Back dock", legs, user_id=user)
    floor = set_floor(session, now, mall, "By the dock", in16(120), in16(60), user_id=user)
    paper = keep_document(
        session,
        now,
        file_name=f"reset-{reset.id}-plan1-MAIN-12-2026-12-01-1to48-letter.pdf",
        media_type="application/pdf",
        content=b"%PDF-1.7 reset",
        made_with="a test",
    )
    return ResetsLaid(
        piece=made.pieces["Oak dresser"].id,
        gone=gone.id,
        smalls=smalls,
        measure=made.measure.id,
        stands=made.stands.id,
        draft=made.draft.id,
        reset=reset.id,
        paper=paper.id,
        time=time.id,
        way=way.id,
        floor=floor.id,
    )
