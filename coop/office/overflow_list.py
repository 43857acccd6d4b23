"""Lists of lent floor in the office: what stands in the aisles on a day, and a mall's bays."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from coop.core.geometry import format_length
from coop.core.listing import Column, FromDay, Listing, OneOf, Words
from coop.core.periods import shown_day
from coop.core.words import natural
from coop.overflow.drawn import DrawnPiece, free_stretches, places_in
from coop.overflow.models import BayRow
from coop.overflow.queries import Found
from coop.overflow.reading import Standing, bay_of

KINDS = {
    "stays": "staying on",
    "comes": "moving in within a week",
    "leaves": "on their last days",
    "sold": "sold, waiting to be fetched",
    "must move": "to be moved",
    "recalled": "asked back",
    "out of place": "found out of place, or not there",
}


# --- what stands ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StandingRow:
    """What stands in a bay, or comes within a week, as it is drawn and as it was found last."""

    drawn: DrawnPiece
    standing: Standing
    last: Found | None
    why: str
    """Why it must move; empty where it may stand."""

    @property
    def place(self) -> str:
        return self.drawn.place

    @property
    def found(self) -> str:
        """`out of place on Nov 28, 2026: before the fuse box`; empty where it was in its place, or nobody has looked at it."""
        if self.last is None or self.last.mark.mark == "in place":
            return ""
        note = self.last.mark.note
        return f"{self.last.mark.mark} on {shown_day(self.last.walk.on_date)}{f': {note}' if note else ''}"

    @property
    def kinds(self) -> tuple[str, ...]:
        """Those of KINDS that it is one of."""
        more = {"recalled": self.standing.stay.recalled_at is not None, "out of place": bool(self.found)}
        return (self.drawn.state, *(kind for kind, is_one in more.items() if is_one))


def standing_rows(
    drawn: Iterable[DrawnPiece], standing: Iterable[Standing], found: dict[int, Found], why: dict[int, str]
) -> list[StandingRow]:
    by_id = {one.stay.id: one for one in standing}
    return [StandingRow(one, by_id[one.stay_id], found.get(one.stay_id), why.get(one.stay_id, "")) for one in drawn]


class OnDay(FromDay):
    """The day that a list is of: it narrows nothing, for its rows are those of the day."""

    def keeps(self, row: Any, asked: str) -> bool:
        return True


def _day(of: Callable[[StandingRow], date | None]) -> Callable[[StandingRow], str]:
    def text(row: StandingRow) -> str:
        day = of(row)
        return "" if day is None else day.isoformat()

    return text


def _by_place(row: StandingRow) -> Any:
    return natural(row.standing.bay.code), row.drawn.from_in16


STANDING: Listing[StandingRow] = Listing(
    columns=(
        Column("number", "No.", lambda row: str(row.drawn.number), by=lambda row: row.drawn.number),
        Column("bay", "Bay", lambda row: row.standing.bay.code, by=_by_place),
        Column("place", "Along it", lambda row: row.place),
        Column("piece", "Piece", lambda row: row.standing.piece.name, by=lambda row: row.standing.piece.name.lower()),
        Column("dealer", "Dealer", lambda row: row.standing.dealer.code, by=lambda row: natural(row.standing.dealer.code)),
        Column("since", "Since", _day(lambda row: row.drawn.starts_on), by=lambda row: (row.drawn.starts_on, *_by_place(row))),
        Column("until", "Until", _day(lambda row: row.drawn.ends_on), by=lambda row: (row.drawn.ends_on, *_by_place(row))),
        Column("state", "How it stands", lambda row: row.drawn.said, by=lambda row: (row.drawn.state, *_by_place(row))),
        Column("recalled", "Asked back", lambda row: row.standing.stay.recall_why if row.standing.stay.recalled_at else ""),
        Column("moved", "There since", _day(lambda row: row.standing.stay.moved_in_on)),
        Column("found", "Found last", lambda row: row.found),
    ),
    usual="bay",
    filters=(
        OnDay("day", "On"),
        Words(
            "find",
            "Piece, dealer or bay",
            of=lambda row: (row.standing.piece.name, row.drawn.dealer_code, row.drawn.dealer_name, row.standing.bay.code),
        ),
        OneOf("aisle", "Aisle", (), of=lambda row: row.standing.bay.aisle),
        OneOf("kind", "Which", tuple(KINDS.items()), of=lambda row: row.kinds, every="all"),
    ),
)


# --- bays -------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BayLine:
    """A bay with what stands in it on a day."""

    row: BayRow
    pieces: Sequence[DrawnPiece]
    free_in16: int

    @property
    def behind(self) -> str:
        return behind_words(self.row)

    @property
    def stands(self) -> str:
        return "; ".join(f"{one.name}, {one.dealer_code}, {one.said}" for one in self.pieces)


def behind_words(row: BayRow) -> str:
    """`before space 12`, `at a wall`, `along a fixture`."""
    if row.before:
        return f"before space {row.before}"
    return "at a wall" if row.backing == "wall" else f"along a {row.backing}"


def bay_lines(bays: Iterable[BayRow], pieces: Collection[DrawnPiece]) -> list[BayLine]:
    """`pieces` are those that stand anywhere today."""
    lines = []
    for row in bays:
        bay = bay_of(row)
        here = [one for one in pieces if one.bay.code == row.code]
        free = free_stretches(bay, places_in(bay, here))
        lines.append(BayLine(row, here, sum(to - begin for begin, to in free)))
    return lines


BAYS: Listing[BayLine] = Listing(
    columns=(
        Column("bay", "Bay", lambda line: line.row.code, by=lambda line: natural(line.row.code)),
        Column("aisle", "Aisle", lambda line: line.row.aisle, by=lambda line: (natural(line.row.aisle), natural(line.row.code))),
        Column("length", "Long", lambda line: format_length(line.row.length_in16), by=lambda line: line.row.length_in16),
        Column("depth", "Deep", lambda line: format_length(line.row.depth_in16), by=lambda line: line.row.depth_in16),
        Column("behind", "Where", lambda line: line.behind, by=lambda line: (line.behind, natural(line.row.code))),
        Column("lent", "Lent", lambda line: "lent" if line.row.is_lent else "kept free", by=lambda line: line.row.is_lent),
        Column("free", "Free today", lambda line: format_length(line.free_in16), by=lambda line: line.free_in16),
        Column("stands", "In it today", lambda line: line.stands),
    ),
    usual="bay",
    filters=(
        OneOf("aisle", "Aisle", (), of=lambda line: line.row.aisle),
        OneOf(
            "which",
            "Which",
            (("lent", "lent"), ("kept", "kept free"), ("free", "with free floor"), ("taken", "with something in them")),
            of=lambda line: _which(line),
        ),
    ),
)


def _which(line: BayLine) -> tuple[str, ...]:
    those = {"lent": line.row.is_lent, "kept": not line.row.is_lent, "free": line.row.is_lent and line.free_in16 > 0}
    return (*(key for key, is_one in those.items() if is_one), *(("taken",) if line.pieces else ()))
