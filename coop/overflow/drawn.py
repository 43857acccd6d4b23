"""Bays and the pieces in them as drawings and lists have them: numbered, with sizes, days and how they stand in words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from coop.core.geometry import format_length, format_sides
from coop.core.periods import shown_day
from coop.floor.domain.plan import Outline
from coop.overflow.domain.bay import Bay
from coop.overflow.marks import SOON_DAYS
from coop.overflow.models import BayRow, Stay
from coop.overflow.reading import BESIDE, Standing, along_words, bay_of, place_in

KEPT_FREE = "kept free"
TAKEN = "Taken"
"""What a dealer reads of another's piece."""


@dataclass(frozen=True)
class DrawnBay:
    """A bay that is lent, or that the manager keeps free."""

    bay: Bay
    is_lent: bool = True
    row_id: int = 0


@dataclass(frozen=True)
class DrawnPiece:
    """A piece in its place, with the number it has on the drawing and in the list beside it. Lengths in sixteenths of an inch.

    Number 0: only that floor is taken is told of it.
    """

    number: int
    stay_id: int
    name: str
    size: str
    dealer_code: str
    dealer_name: str
    bay: Bay
    outline: Outline
    from_in16: int
    to_in16: int
    depth_in16: int
    starts_on: date
    ends_on: date
    state: str
    """A key of STATES."""
    said: str
    """The same with its days: `sold, waits until Dec 5, 2026`."""
    colour: str = ""
    was_until: date | None = None
    """As `Standing.was_until`."""

    @property
    def told(self) -> str:
        """Whose it is and how it stands, not where."""
        return f"{self.number} {self.name}, {self.dealer_code}, {self.said}" if self.number else f"{self.name}, {self.said}"

    @property
    def words(self) -> str:
        return f"{self.told}, {BESIDE}" if self.was_until else self.told

    @property
    def place(self) -> str:
        """`2' 0" to 5' 0"`, along the bay."""
        return along_words(self.from_in16, self.to_in16, self.was_until)

    def place_in(self, bay: Bay) -> tuple[int, int] | None:
        """From where to where it stands along a bay, which may have been cut anew since; None where it stands beside it."""
        return place_in(bay, self.bay, self.outline, (self.from_in16, self.to_in16))


def places_in(bay: Bay, pieces: Iterable[DrawnPiece]) -> list[tuple[int, int]]:
    """Of the pieces that stand in a bay at least in part."""
    return [place for place in (one.place_in(bay) for one in pieces) if place is not None]


def drawn_bays(rows: Iterable[BayRow]) -> tuple[DrawnBay, ...]:
    return tuple(DrawnBay(bay_of(row), row.is_lent, row.id) for row in rows)


def drawn_pieces(
    standing: Iterable[Standing],
    day: date,
    must_move: Collection[int] = (),
    own: Collection[int] | None = None,
    *,
    today: date | None = None,
    bays: Iterable[BayRow] = (),
) -> tuple[DrawnPiece, ...]:
    """Those that stand on a day or come within a week, numbered in their order. `must_move`: ids of stays.

    `today`: the day itself, unless told. `bays`: those of the day; a piece that was put into one cut later is told where it
    stands in that of the day. `own`: ids of dealers; then of what is another's only that it takes floor is told, and its days.
    """
    soon = day + timedelta(days=SOON_DAYS)
    seen = [s for s in standing if s.stands_on(day) or day < s.stay.starts_on <= soon]
    of_day = {row.code: bay_of(row) for row in bays}
    open_ = [one for one in seen if own is None or one.dealer.id in own]
    others = [one for one in seen if own is not None and one.dealer.id not in own]
    is_today = today is None or today == day
    drawn = [_drawn(number, one, day, one.stay.id in must_move, is_today) for number, one in enumerate(open_, 1)]
    taken = [_taken(_drawn(0, one, day, must_move=False, is_today=is_today), day) for one in others]
    return tuple(_as_of_day(one, of_day.get(one.bay.code)) for one in (*drawn, *taken))


def _as_of_day(one: DrawnPiece, bay: Bay | None) -> DrawnPiece:
    """Measured along the bay of the day where all of it stands in that."""
    if bay is None:
        return one
    if bay.corners == one.bay.corners:
        return replace(one, was_until=None)
    found = bay.along(one.outline)
    if found is None or not found.is_whole:
        return one
    return replace(one, bay=bay, from_in16=found.from_in16, to_in16=found.to_in16, was_until=None)


def _taken(one: DrawnPiece, day: date) -> DrawnPiece:
    comes, is_over = one.state == "comes", one.ends_on < day
    said = f"from {shown_day(one.starts_on)}, " if comes and one.starts_on > day else ""
    return replace(
        one,
        name=TAKEN,
        size="",
        dealer_code="",
        dealer_name="",
        state="comes" if comes else "stays",
        said=f"was to be gone by {shown_day(one.ends_on)}, still there" if is_over else f"{said}until {shown_day(one.ends_on)}",
        colour="",
    )


def _drawn(number: int, one: Standing, day: date, must_move: bool, is_today: bool) -> DrawnPiece:
    stay, piece = one.stay, one.piece
    state = "must move" if must_move else state_of(stay, day)
    return DrawnPiece(
        number,
        stay.id,
        piece.name,
        format_sides(stay.to_in16 - stay.from_in16, stay.depth_in16, piece.height_in16),
        one.dealer.code,
        one.dealer.trade_name or one.dealer.member.name,
        bay_of(one.bay),
        one.outline,
        stay.from_in16,
        stay.to_in16,
        stay.depth_in16,
        stay.starts_on,
        stay.ends_on,
        state,
        _said(one, day, state, is_today),
        piece.colour,
        one.was_until,
    )


def state_of(stay: Stay, day: date) -> str:
    """A key of STATES; whether it must move is not the stay's to say."""
    if stay.is_gone(day):
        return "leaves"
    if stay.starts_on > day or (stay.starts_on == day and stay.moved_in_on is None):
        return "comes"
    if stay.kind == "sold":
        return "sold"
    return "leaves" if stay.ends_on <= day + timedelta(days=SOON_DAYS) else "stays"


def _said(one: Standing, day: date, state: str, is_today: bool) -> str:
    """`is_today`: the day is that on which it is read."""
    stay = one.stay

    def shown(other: date) -> str:
        return "today" if is_today and other == day else shown_day(other)

    if stay.is_gone(day):
        return f"{'fetched' if stay.kind == 'sold' else 'taken away'} {shown(stay.ends_on)}"
    if one.is_late_on(day):
        late = f"sold, {late_words(stay)}, still there" if stay.kind == "sold" else late_words(stay)
        return f"must move, {late.removeprefix('sold, ')}" if state == "must move" else late
    until = shown(stay.ends_on)
    if state == "comes":
        return f"moves in {shown(stay.starts_on)}, until {until}"
    if state == "leaves":
        return f"{'asked back, ' if stay.recalled_at else ''}last day {until}"
    return {"must move": f"must move, until {until}", "sold": f"sold, waits until {until}"}.get(state, f"until {until}")


def late_words(stay: Stay) -> str:
    """Of a piece that is not known to be gone in time."""
    return f"{'to be fetched' if stay.kind == 'sold' else 'should be gone'} since {shown_day(stay.ends_on)}"


def free_stretches(bay: Bay, pieces: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """What no piece covers along a bay, from one place to another."""
    found, at = [], 0
    for from_, to in sorted(pieces):
        if from_ > at:
            found.append((at, from_))
        at = max(at, to)
    return [*found, (at, bay.length_in16)] if at < bay.length_in16 else found


def bay_words(one: DrawnBay, pieces: Sequence[DrawnPiece]) -> str:
    """What is in a bay: `1 Oak dresser, D01, until Dec 5, 2026; free 4' 0" of 8' 0"`."""
    here = [piece for piece in pieces if piece.bay.code == one.bay.code]
    said = [piece.words for piece in here]
    if not one.is_lent:
        return "; ".join([*said, KEPT_FREE])
    free = sum(to - from_ for from_, to in free_stretches(one.bay, places_in(one.bay, here)))
    return "; ".join([*said, f"free {format_length(free)} of {format_length(one.bay.length_in16)}"])
