"""A dealer's pieces: written down, changed, copied, let go and taken back. What is refused is told at each field.

A piece is changed against the version it was opened with. Who adds or renames holds the dealer's row, so that of two pieces of
one name the second is told; the index stands behind that.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.core import audit
from coop.core.errors import Refusal
from coop.core.geometry import IN16_PER_FOOT, format_length
from coop.core.words import joined
from coop.dealers.models import Dealer
from coop.leases.holding import lock
from coop.resets.domain.piece import CARRIED, STANDS, CarriedSize
from coop.resets.domain.weight import OZ_PER_LB, format_weight
from coop.resets.models import BOUND, PIECE_PLACES, BoothSet, PieceRow, SetPiece
from coop.resets.naming import name_key, one_line
from coop.resets.plain import carried_value

SUBJECT = "piece"
LONGEST = {"name": 80, "kind": 40, "grouping": 40, "theme": 40, "tag": 40, "note": 400}
"""Most characters of each text."""
MOST_COLOURS = 6
MOST_FEET = 40
_LONGEST_IN16 = 60 * IN16_PER_FOOT
_WIDEST_OPENING_IN16 = 10 * IN16_PER_FOOT
_HEAVIEST_OZ = 10_000 * OZ_PER_LB
_COLOUR = re.compile(r"#[0-9a-f]{6}")

STANDS_WORDS: Mapping[str, str] = {"floor": "on the floor", "wall": "on a wall", "table": "on another piece"}
PLACE_WORDS: Mapping[str, str] = {"booth": "in the booth", "home": "at home", "store": "in store"}
BOUND_WORDS: Mapping[str, str] = {"": "free", "sold": "sold", "held": "held", "layaway": "on layaway"}
CARRIED_WORDS: Mapping[str, str] = {"tilted": "tilted", "on end": "on its end", "parts off": "with parts off"}
FIELD_WORDS: Mapping[str, str] = {
    "name": "name",
    "kind": "kind",
    "width_in16": "width",
    "depth_in16": "depth",
    "height_in16": "height",
    "weight_oz": "weight",
    "stands": "where it stands",
    "grouping": "grouping",
    "theme": "theme",
    "colours": "colors",
    "price_cents": "price",
    "tag": "tag",
    "carries_oz": "what it carries",
    "top_width_in16": "width of its top",
    "top_depth_in16": "depth of its top",
    "opens_in16": "room its doors need",
    "fragile": "fragile",
    "glass": "glass",
    "leans": "leans",
    "needs_power": "power",
    "feet": "feet",
    "carried": "how it is carried",
    "place": "where it is",
    "store_until": "in store until",
    "bound": "bound",
    "note": "note",
}
"""What each field of a piece is called, in the order of a form."""


@dataclass(frozen=True)
class PieceIn:
    """A piece as somebody writes it down; each name is a column of `PieceRow`. A size of 0 was not given."""

    name: str
    width_in16: int = 0
    depth_in16: int = 0
    height_in16: int = 0
    weight_oz: int | None = None
    kind: str = ""
    stands: str = "floor"
    grouping: str = ""
    theme: str = ""
    colours: tuple[str, ...] = ()
    price_cents: int | None = None
    tag: str = ""
    carries_oz: int | None = None
    top_width_in16: int | None = None
    top_depth_in16: int | None = None
    opens_in16: int = 0
    fragile: bool = False
    glass: bool = False
    leans: bool = False
    needs_power: bool = False
    feet: int = 4
    carried: tuple[CarriedSize, ...] = ()
    place: str = "home"
    store_until: date | None = None
    bound: str = ""
    note: str = ""


class PieceRefused(Refusal):
    """A piece that cannot be kept as it is written: what is wrong with it, by field (`carried.tilted` for a carried size)."""

    def __init__(self, name: str, faults: Mapping[str, str]) -> None:
        super().__init__(f"{one_line(name)[:80] or 'A piece without a name'}: {' '.join(faults.values())}")
        self.faults = dict(faults)


class PieceOutdated(Refusal):
    """A change made from an older version than there is now."""


# --- what is wrong with a piece --------------------------------------------------------------------------------------------


def piece_faults(piece: PieceIn) -> dict[str, str]:
    """What is wrong with a piece by itself, a sentence a field."""
    found: dict[str, str] = {}
    for field, sentence in (*_text_faults(piece), *_size_faults(piece), *_load_faults(piece), *_carried_faults(piece)):
        found.setdefault(field, sentence)
    return found


def _text_faults(piece: PieceIn) -> Iterator[tuple[str, str]]:
    if not one_line(piece.name):
        yield "name", "Give it a name that nothing else of yours has, like Oak dresser."
    for field, most in LONGEST.items():
        if len(getattr(piece, field)) > most or (field == "name" and len(name_key(piece.name)) > most):
            yield field, f"Write the {FIELD_WORDS[field]} in {most} characters."
    for field, known in (("stands", STANDS), ("place", PIECE_PLACES), ("bound", BOUND)):
        if getattr(piece, field) not in known:
            yield field, "Choose one of those listed."
    if piece.store_until is not None and piece.place != "store":
        yield "store_until", "A day is asked only for what is in store: choose that, or leave the day empty."
    if len(piece.colours) > MOST_COLOURS:
        yield "colours", f"Keep {MOST_COLOURS} colors at most, the main one first."
    for colour in piece.colours:
        if not _COLOUR.fullmatch(colour):
            yield "colours", f"{colour[:20]!r} is no color: write it like #8a5a2b."
    if piece.price_cents is not None and piece.price_cents < 0:
        yield "price_cents", "A price cannot be below zero."


def _size_faults(piece: PieceIn) -> Iterator[tuple[str, str]]:
    for field, example in (("width_in16", "36 or 3' 0\""), ("depth_in16", "18 or 1' 6\""), ("height_in16", "30 or 2' 6\"")):
        size = getattr(piece, field)
        if size <= 0:
            yield field, f"Write its {FIELD_WORDS[field]}, above zero: like {example}."
        elif size > _LONGEST_IN16:
            yield field, f"{format_length(size)} is longer than 60 feet: a plain number is inches, so check the figure."
    if piece.weight_oz is not None and not 0 < piece.weight_oz <= _HEAVIEST_OZ:
        yield "weight_oz", "Write a weight above zero, or leave it empty until it is weighed."
    if not 0 <= piece.opens_in16 <= _WIDEST_OPENING_IN16:
        yield "opens_in16", "Doors and drawers need 10 feet at most: check the figure."
    if not 0 <= piece.feet <= MOST_FEET:
        yield "feet", f"Write how many feet it stands on, from 0 to {MOST_FEET}."


def _load_faults(piece: PieceIn) -> Iterator[tuple[str, str]]:
    if piece.carries_oz is not None and not 0 <= piece.carries_oz <= _HEAVIEST_OZ:
        yield "carries_oz", "Write what its top may carry, or leave it empty where nothing may stand on it."
    top = (("top_width_in16", piece.width_in16, "width"), ("top_depth_in16", piece.depth_in16, "depth"))
    given = [getattr(piece, field) is not None for field, _, _ in top]
    for field, whole, word in top:
        size = getattr(piece, field)
        if size is None:
            if any(given):
                yield field, "Write both the width and the depth of the top, or neither where all of it carries."
        elif size <= 0:
            yield field, f"The {word} of the top must be above zero; leave both empty where all of it carries."
        elif 0 < whole < size:
            yield (
                field,
                f"The top is {format_length(size)} and the piece only {format_length(whole)}: a top is no larger than its piece.",
            )
    if any(given) and piece.carries_oz is None:
        yield "carries_oz", "A top is given: write what it may carry, like 40 lb, or leave the top empty."


def _carried_faults(piece: PieceIn) -> Iterator[tuple[str, str]]:
    whole = sorted((piece.width_in16, piece.depth_in16, piece.height_in16))
    diagonal_squared = sum(side**2 for side in whole)
    seen: set[str] = set()
    for size in piece.carried:
        field, sides = f"carried.{size.how}", (size.width_in16, size.depth_in16, size.height_in16)
        if size.how not in CARRIED:
            yield "carried", "Choose one of those listed."
        elif size.how in seen:
            yield field, f"It is given {CARRIED_WORDS[size.how]} twice: leave one."
        elif min(sides) <= 0:
            yield (
                field,
                f"Write width, depth and height of it {CARRIED_WORDS[size.how]}, each above zero, or leave all three empty.",
            )
        elif whole[0] > 0 and max(sides) ** 2 > diagonal_squared:
            # However a thing is held, it is nowhere longer than from one of its corners to the opposite one.
            yield (
                field,
                f"{CARRIED_WORDS[size.how].capitalize()} it would be {format_length(max(sides))} long, more than from its one "
                f"corner to the opposite one ({format_length(math.isqrt(diagonal_squared))}): measure it again.",
            )
        elif whole[0] > 0 and size.how == "parts off" and any(a > b for a, b in zip(sorted(sides), whole, strict=True)):
            yield field, "With parts off it cannot be larger than the whole piece: measure it again."
        seen.add(size.how)


def tidied(piece: PieceIn) -> PieceIn:
    """With texts on one line and colours in small letters, each once."""
    texts = {field: one_line(getattr(piece, field)) for field in LONGEST}
    colours = tuple(dict.fromkeys(colour.strip().lower() for colour in piece.colours))
    return PieceIn(**{**{one.name: getattr(piece, one.name) for one in fields(piece)}, **texts, "colours": colours})


def name_fault(name: str) -> str:
    return f"You have a piece called {one_line(name)} already: give this one another name, like {one_line(name)} 2."


# --- deeds -------------------------------------------------------------------------------------------------------------------


def add_piece(session: Session, now: datetime, dealer: Dealer, piece: PieceIn, *, user_id: int | None = None) -> PieceRow:
    """Write a piece down. Raises PieceRefused with what is wrong with each field."""
    lock(session, dealer)
    found = _checked(session, dealer.id, piece, None)
    row = PieceRow(dealer_id=dealer.id, created_at=now, **columns(found))
    session.add(row)
    session.flush()
    _log(session, now, "piece written down", row, user_id)
    return row


def change_piece(
    session: Session, now: datetime, row: PieceRow, piece: PieceIn, *, version: int, user_id: int | None = None
) -> list[str]:
    """Change a piece against the version it was opened with; what was changed, in words.

    Raises PieceOutdated where somebody changed it meanwhile, PieceRefused as `add_piece`.
    """
    lock(session, session.get_one(Dealer, row.dealer_id))
    lock(session, row)
    if row.gone_on is not None:
        raise Refusal(f"{row.name} was let go: take it back first.")
    if row.version != version:
        raise PieceOutdated(
            f"{row.name} was changed since you opened this page, and nothing of yours was kept: look at it as it is now, "
            "and change it again."
        )
    found = columns(_checked(session, row.dealer_id, piece, row.id))
    changes = [field for field in FIELD_WORDS if getattr(row, field) != found[field]]
    for field in (*changes, "name_key"):
        setattr(row, field, found[field])
    words = [FIELD_WORDS[field] for field in changes]
    if words:
        session.flush()
        _log(session, now, audit.changed("piece"), row, user_id, joined(words))
    return words


def copy_piece(session: Session, now: datetime, row: PieceRow, *, user_id: int | None = None) -> PieceRow:
    """One more like it, under the next free name, at home, untagged and bound by nothing."""
    dealer = session.get_one(Dealer, row.dealer_id)
    lock(session, dealer)
    taken = set(session.scalars(select(PieceRow.name_key).where(PieceRow.dealer_id == dealer.id, PieceRow.gone_on.is_(None))))
    stem = re.sub(r" \d+$", "", row.name)[: LONGEST["name"] - 6]
    name = next(name for n in range(2, len(taken) + 3) if name_key(name := f"{stem} {n}") not in taken)
    values = {field: getattr(row, field) for field in FIELD_WORDS}
    values |= {"name": name, "name_key": name_key(name), "place": "home", "store_until": None, "tag": "", "bound": ""}
    made = PieceRow(dealer_id=dealer.id, created_at=now, **values)
    session.add(made)
    session.flush()
    _log(session, now, "piece copied", made, user_id, f"from piece {row.id}")
    return made


def let_go_piece(session: Session, now: datetime, row: PieceRow, *, today: date, user_id: int | None = None) -> list[str]:
    """The dealer has it no more; sets it is in keep it. The names of sets it still stands or would stand in."""
    lock(session, row)
    if row.gone_on is None:
        row.gone_on = today
        session.flush()
        _log(session, now, "piece let go", row, user_id)
    return sets_with(session, row.id)


def take_back_piece(session: Session, now: datetime, row: PieceRow, *, user_id: int | None = None) -> None:
    """Undo letting go. Refuses where another piece has its name by now."""
    lock(session, session.get_one(Dealer, row.dealer_id))
    lock(session, row)
    if row.gone_on is None:
        return
    if _same_name(session, row.dealer_id, row.name, row.id):
        raise Refusal(f"Another piece is called {row.name} by now: give that one another name first.")
    row.gone_on = None
    session.flush()
    _log(session, now, "piece taken back", row, user_id)


def sets_with(session: Session, piece_id: int) -> list[str]:
    """The names of sets that stand or are drafts and hold a piece."""
    query = select(BoothSet.name).join(SetPiece, SetPiece.set_id == BoothSet.id)
    return list(session.scalars(query.where(SetPiece.piece_id == piece_id, BoothSet.state != "stood").order_by(BoothSet.name)))


def own_colours(rows: Sequence[PieceRow]) -> list[str]:
    """The colours that pieces have, those of most pieces first: a dealer's own palette."""
    counts: dict[str, int] = {}
    for row in rows:
        for colour in row.colours:
            counts[colour] = counts.get(colour, 0) + 1
    return sorted(counts, key=lambda colour: (-counts[colour], colour))


def columns(piece: PieceIn) -> dict[str, Any]:
    """The columns of a `PieceRow` that a piece as written down has."""
    values = {one.name: getattr(piece, one.name) for one in fields(piece)}
    return values | {"name_key": name_key(piece.name), "colours": list(piece.colours), "carried": carried_value(piece.carried)}


def as_written(row: PieceRow) -> PieceIn:
    """A row as it would be written down again."""
    values = {field: getattr(row, field) for field in FIELD_WORDS}
    values |= {"colours": tuple(row.colours), "carried": tuple(CarriedSize(**size) for size in row.carried)}
    return PieceIn(**values)


def weight_said(weight_oz: int | None) -> str:
    return "not weighed" if weight_oz is None else format_weight(weight_oz)


def _checked(session: Session, dealer_id: int, piece: PieceIn, row_id: int | None) -> PieceIn:
    found = tidied(piece)
    faults = piece_faults(found)
    if "name" not in faults and _same_name(session, dealer_id, found.name, row_id):
        faults["name"] = name_fault(found.name)
    if faults:
        raise PieceRefused(found.name, faults)
    return found


def _same_name(session: Session, dealer_id: int, name: str, but: int | None) -> bool:
    found = select(PieceRow.id).where(
        PieceRow.dealer_id == dealer_id, PieceRow.name_key == name_key(name), PieceRow.gone_on.is_(None)
    )
    return session.scalar(found if but is None else found.where(PieceRow.id != but)) is not None


def _log(session: Session, now: datetime, action: str, row: PieceRow, user_id: int | None, detail: str = "") -> None:
    audit.record(session, now, action, SUBJECT, row.id, user_id=user_id, detail=detail)
