"""Periods of overflow made small: a hall of bays, dealers, what they ask for and what stands, as the tests need them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from hypothesis import strategies as st

from coop.core.geometry import IN16_PER_INCH
from coop.overflow.domain.answers import Answer, answers
from coop.overflow.domain.bay import Bay
from coop.overflow.domain.facts import AskedFor, BayFacts, Closed, DealerFacts, PeriodFacts, StandingStay, Widened
from coop.overflow.domain.piece import AskedPiece
from coop.overflow.domain.posing import Posed, pose
from coop.overflow.domain.problem import Placed

MONDAY = date(2027, 1, 4)
WEEKS = 8


def inches(length: float) -> int:
    return round(length * IN16_PER_INCH)


def make_room(
    code: str = "A1-1",
    *,
    long: float = 96,
    deep: float = 24,
    by_week: Sequence[float] = (),
    weeks: int = WEEKS,
    feet: Mapping[str, int] | None = None,
    closed: Sequence[tuple[float, float, int, int]] = (),
    palette: Sequence[str] = (),
    wider: Widened | None = None,
    **bay: Any,
) -> BayFacts:
    """A bay along a wall, in inches; `by_week` where its depth changes from week to week; `closed` from, to, first and last.

    `wider` is the width because of which it is closed, and less deep in weeks in which it is.
    """
    corners = ((0, 0), (inches(long), 0), (inches(long), inches(deep)), (0, inches(deep)))
    depths = tuple(inches(depth) for depth in by_week) or (inches(deep),) * weeks
    shut = tuple(Closed(inches(begins), inches(ends), first, last, wider) for begins, ends, first, last in closed)
    widened = tuple(wider if depth < inches(deep) else None for depth in depths)
    return BayFacts(Bay(code, "A1", corners, **bay), depths, tuple(palette), feet or {}, shut, widened)


def make_wider(days: int, required: float = 48, aisle: str = "A1") -> Widened:
    """Aisle A1 must keep so many inches clear from so many days after the period begins."""
    return Widened(aisle, inches(required), MONDAY + timedelta(days=days))


def make_piece(
    key: str = "p", *, wide: float = 48, deep: float = 20, high: float = 40, name: str = "Oak dresser", **more: Any
) -> AskedPiece:
    return AskedPiece(key, name, inches(wide), inches(deep), inches(high), **more)


def make_asked(
    key: str = "1", dealer: str = "D01", *pieces: AskedPiece, weeks: int = 4, after: int = 0, waited: int = 10, **more: Any
) -> AskedFor:
    """A request of a piece or pieces that may begin so many days after the period does, `waited` days old."""
    begins = MONDAY + timedelta(days=after)
    return AskedFor(key, dealer, pieces or (make_piece(f"{key}p"),), MONDAY - timedelta(days=waited), begins, weeks, **more)


def make_stay(
    key: str = "s",
    dealer: str = "D09",
    bay: str = "A1-1",
    *,
    at: float = 0,
    wide: float = 48,
    days: tuple[int, int] = (-7, 20),
    **more: Any,
) -> StandingStay:
    """A piece that stands from so many inches along a bay on, from and until so many days after the period begins."""
    begins, ends = (MONDAY + timedelta(days=day) for day in days)
    piece = make_piece(f"{key}p", wide=wide, name="Pine bench")
    return StandingStay(key, dealer, bay, inches(at), inches(at + wide), inches(20), begins, ends, piece, **more)


def make_facts(
    *asked: AskedFor, rooms: Sequence[BayFacts] = (), dealers: Sequence[DealerFacts] = (), weeks: int = WEEKS, **more: Any
) -> PeriodFacts:
    rooms = tuple(rooms) or (make_room(weeks=weeks),)
    known = tuple(dealers) or tuple(DealerFacts(code, {}, 10_000) for code in sorted({one.dealer for one in asked}))
    return PeriodFacts(MONDAY, weeks, rooms, asked, known, **more)


# --- placed by hand, and told ---------------------------------------------------------------------------------------------


def placed(posed: Posed, request: str, bay: str = "A1-1", at: float = 0.0, start: int = 0) -> Placed:
    """A unit of a request as placed so many inches along a bay; the first of the request's."""
    unit = next(unit for unit in posed.problem.units if unit.key.split()[1] == request)
    place = next(place for place in unit.places if place.bay == bay)
    return Placed(unit.key, bay, inches(at), inches(at) + place.length_in16, start, place.turned)


def told(facts: PeriodFacts, *where: tuple[Any, ...]) -> dict[str, Answer]:
    """The answers when the first of each request named is placed as said."""
    posed = pose(facts)
    return answers(posed, [placed(posed, *one) for one in where])


# --- any ------------------------------------------------------------------------------------------------------------------

_COLOURS = ("", "#8b5a2b", "#204060", "#f0e0c0")
_SPACES = {"D01": {"14": "booth", "C3": "case"}, "D02": {"15": "booth"}, "D03": {}}


@st.composite
def any_piece(draw: st.DrawFn, key: str) -> AskedPiece:
    wide, deep = draw(st.integers(14, 60)), draw(st.sampled_from((12, 16, 18, 20, 22, 30)))
    return make_piece(
        key,
        wide=wide,
        deep=deep,
        high=draw(st.sampled_from((20, 30, 36, 40, 50, 70, 90))),
        colour=draw(st.sampled_from(_COLOURS)),
        glass=draw(st.sampled_from((False, False, False, False, True))),
        may_turn=draw(st.booleans()),
    )


@st.composite
def any_asked(draw: st.DrawFn, key: str) -> AskedFor:
    pieces = [draw(any_piece(f"{key}{letter}")) for letter in "ab"[: draw(st.integers(1, 2))]]
    return make_asked(
        key,
        draw(st.sampled_from(sorted(_SPACES))),
        *pieces,
        weeks=draw(st.integers(1, 5)),
        after=draw(st.sampled_from((-20, -1, 0, 3, 7, 14, 25, 30))),
        waited=draw(st.integers(0, 90)),
        flexible_weeks=draw(st.integers(0, 2)),
        together=draw(st.booleans()),
        wished_bay=draw(st.sampled_from(("", "a", "b", "none such"))),
    )


@st.composite
def any_facts(draw: st.DrawFn, *, most_asked: int = 5) -> PeriodFacts:
    """Two or three bays over four weeks, some requests of three dealers, now and then something that stays or must move."""
    rooms = []
    for code in "abc"[: draw(st.integers(2, 3))]:
        depth = draw(st.sampled_from((18, 24, 24, 34)))
        later = draw(st.sampled_from((depth, depth, depth, depth, 16, 0)))
        backing, before = draw(
            st.sampled_from((("wall", ""), ("wall", ""), ("wall", ""), ("booth", "14"), ("booth", "15"), ("fixture", "")))
        )
        feet = {"14": draw(st.integers(0, 40)), "15": draw(st.integers(0, 40))}
        wider = draw(st.sampled_from((None, make_wider(7), make_wider(14), make_wider(17))))
        rooms.append(
            make_room(
                code,
                long=draw(st.integers(40, 90)),
                deep=depth,
                by_week=(depth, depth, later, later),
                feet=feet,
                closed=draw(st.sampled_from(((), (), ((10, 30, 1 if wider in (None, make_wider(7)) else 2, 3),)))),
                palette=draw(st.sampled_from(((), ("#8b5a2b",)))),
                wider=wider,
                backing=backing,
                before=before,
            )
        )
    stays = []
    for number in range(draw(st.integers(0, 2))):
        begins = draw(st.integers(-20, 20))
        days = begins, begins + draw(st.integers(0, 30))
        stays.append(
            make_stay(
                f"s{number}",
                draw(st.sampled_from(sorted(_SPACES))),
                draw(st.sampled_from("ab")),
                at=draw(st.integers(0, 12)),
                wide=draw(st.integers(10, 18)),
                days=days,
                **draw(st.sampled_from(({}, {"must_move": True}, {"kind": "sold", "was_due": MONDAY - timedelta(days=3)}))),
            )
        )
    dealers = [
        DealerFacts(
            code,
            spaces,
            draw(st.sampled_from((0, 20_000, 90_000))),
            draw(st.sampled_from((0, 100, 300, 900))),
            {"a": draw(st.sampled_from((0, 0, 0, 9, 12)))},
        )
        for code, spaces in _SPACES.items()
    ]
    return make_facts(
        *[draw(any_asked(str(number))) for number in range(draw(st.integers(most_asked // 2, most_asked)))],
        rooms=rooms,
        dealers=dealers,
        weeks=4,
        standing=tuple(stays),
        most_in16=draw(st.sampled_from((None, None, inches(60), inches(96)))),
        most_pieces=draw(st.sampled_from((None, None, 2))),
    )
