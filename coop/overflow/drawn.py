"""Bays and the pieces in them as drawings and lists have them: numbered, with sizes, days and how they stand in words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import hypot

from coop.core.geometry import format_length, format_sides
from coop.core.periods import shown_day
from coop.floor.domain.plan import Outline
from coop.overflow.domain.bay import Bay
from coop.overflow.marks import SOON_DAYS
from coop.overflow.models import BayRow, Stay
from coop.overflow.reading import Standing, bay_of

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

    @property
    def words(self) -> str:
        return f"{self.number} {self.name}, {self.dealer_code}, {self.said}" if self.number else f"{self.name}, {self.said}"

    def place_in(self, bay: Bay) -> tuple[int, int]:
        """From where to where it stands along a bay, which may have been cut anew since."""
        if bay == self.bay:
            return self.from_in16, self.to_in16
        (x, y), (bx, by) = bay.corners[0], bay.corners[1]
        far = hypot(bx - x, by - y)
        places = [round(((px - x) * (bx - x) + (py - y) * (by - y)) / far) for px, py in self.outline]
        return max(min(places), 0), min(max(places), bay.length_in16)


def drawn_bays(rows: Iterable[BayRow]) -> tuple[DrawnBay, ...]:
    return tuple(DrawnBay(bay_of(row), row.is_lent, row.id) for row in rows)


def drawn_pieces(
    standing: Iterable[Standing], day: date, must_move: Collection[int] = (), own: Collection[int] | None = None
) -> tuple[DrawnPiece, ...]:
    """Those that stand on a day or come within a week, numbered in their order. `must_move`: ids of stays.

    `own`: ids of dealers; then of what is another's only the floor is told that it takes, and its days.
    """
    soon = day + timedelta(days=SOON_DAYS)
    seen = [s for s in standing if s.stands_on(day) or day < s.stay.starts_on <= soon]
    open_ = [one for one in seen if own is None or one.dealer.id in own]
    taken = [_taken(_drawn(0, one, day, must_move=False), day) for one in seen if own is not None and one.dealer.id not in own]
    return (*(_drawn(number, one, day, one.stay.id in must_move) for number, one in enumerate(open_, 1)), *taken)


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


def _drawn(number: int, one: Standing, day: date, must_move: bool) -> DrawnPiece:
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
        _said(one, day, state),
        piece.colour,
    )


def state_of(stay: Stay, day: date) -> str:
    """A key of STATES; whether it must move is not the stay's to say."""
    if stay.starts_on > day or (stay.starts_on == day and stay.moved_in_on is None):
        return "comes"
    if stay.kind == "sold":
        return "sold"
    return "leaves" if stay.ends_on <= day + timedelta(days=SOON_DAYS) else "stays"


def _said(one: Standing, day: date, state: str) -> str:
    stay = one.stay
    if one.is_late_on(day):
        late = f"{late_words(stay)}, still there"
        return f"must move, {late}" if state == "must move" else f"sold, {late}"
    until = "today" if stay.ends_on == day else shown_day(stay.ends_on)
    if state == "comes":
        comes = "today" if stay.starts_on == day else shown_day(stay.starts_on)
        return f"moves in {comes}, until {until}"
    if state == "leaves":
        return f"{'asked back, ' if stay.recalled_at else ''}last day {until}"
    return {"must move": f"must move, until {until}", "sold": f"sold, waits until {until}"}.get(state, f"until {until}")


def late_words(stay: Stay) -> str:
    """Of a sold piece that was not fetched in time."""
    return f"to be fetched since {shown_day(stay.ends_on)}"


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
    free = sum(to - from_ for from_, to in free_stretches(one.bay, [p.place_in(one.bay) for p in here]))
    return "; ".join([*said, f"free {format_length(free)} of {format_length(one.bay.length_in16)}"])
