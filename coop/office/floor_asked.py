"""What the floor plan is coloured by: each question gives every space one shade, with a letter, a pattern and words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from coop.core.geometry import format_length
from coop.core.money import format_cents, round_half_up
from coop.core.templating import dollars
from coop.core.words import natural
from coop.office.floor_queries import AGES, SpaceRow

ASKED: Mapping[str, str] = {
    "held": "Who is in",
    "ends": "Ends soon",
    "arrears": "Arrears",
    "rent": "Rent per sq ft",
    "sales": "Sales per sq ft",
    "overflow": "Overflow",
}
"""What can be asked of the plan, in the words of its links."""
WITHIN_DAYS = (30, 60, 90, 180)
_BANDS = 4


@dataclass(frozen=True)
class Shade:
    """One entry of the legend. `tone` is 0 (paper) to 4 (deepest); tones differ in pattern as well as in colour."""

    letter: str
    words: str
    tone: int


VACANT = Shade("V", "vacant", 0)
HELD = Shade("O", "occupied", 1)
PROMISED = Shade("P", "vacant, leased from a later day", 2)
OFFERED = Shade("W", "vacant, offered, waits for an answer", 3)
NOTICED = Shade("N", "occupied, notice given", 4)
_STATES = {"vacant": VACANT, "held": HELD, "promised": PROMISED, "offered": OFFERED, "noticed": NOTICED}
_NO_FIGURE = Shade("–", "no figure", 0)
_NONE_LENT = Shade("–", "no floor lent in the aisles", 0)


@dataclass(frozen=True)
class Coloured:
    """The shade of each space by its id, and the legend: each shade in use with how many spaces have it."""

    shades: Mapping[int, Shade]
    legend: Sequence[tuple[Shade, int]]


def colour(
    rows: Sequence[SpaceRow], asked: str, *, today: date, within_days: int, lent: Mapping[int, int] | None = None
) -> Coloured:
    """The plan's shades for one of ASKED. `lent`: length of aisle floor that each dealer has today, by the dealer's id."""
    if asked == "rent":
        shades = _banded({row.space_id: row.rent_per_sqft_cents for row in rows}, dollars)
    elif asked == "sales":
        shades = _banded({row.space_id: row.sales_per_sqft_cents for row in rows}, dollars)
    elif asked == "arrears":
        shades = {row.space_id: _aged(row) for row in rows}
    elif asked == "overflow":
        shades = _lent(rows, lent or {})
    elif asked == "ends":
        shades = {row.space_id: _ending(row, today, within_days) for row in rows}
    else:
        shades = {row.space_id: _STATES[row.state] for row in rows}
    counted: dict[Shade, int] = {}
    for shade in shades.values():
        counted[shade] = counted.get(shade, 0) + 1
    return Coloured(shades, sorted(counted.items(), key=lambda item: (item[0].tone, item[0].letter)))


def _aged(row: SpaceRow) -> Shade:
    if not row.held:
        return VACANT
    return Shade("–ABCD"[row.oldest], AGES[row.oldest], row.oldest)


def _ending(row: SpaceRow, today: date, within_days: int) -> Shade:
    if not row.held:
        return VACANT
    by = today + timedelta(days=within_days)
    if row.ends_on is not None and row.ends_on <= by:
        return Shade("E", f"ends within {within_days} days", 4)
    if row.term_ends_on is not None and today <= row.term_ends_on <= by:
        return Shade("T", f"its term runs out within {within_days} days", 3)
    return Shade("–", "goes on", 1)


def _lent(rows: Sequence[SpaceRow], lent: Mapping[int, int]) -> dict[int, Shade]:
    """By how much floor in the aisles the dealers of a space have, at all of their spaces alike."""
    lengths = {row.space_id: sum(lent.get(one, 0) for one in {hold.dealer_id for hold in row.held}) for row in rows}
    shades = _banded({key: Fraction(length) if length else None for key, length in lengths.items()}, format_length)
    return {row.space_id: (shades[row.space_id] if lengths[row.space_id] else _NONE_LENT if row.held else VACANT) for row in rows}


def _banded(figures: Mapping[int, Fraction | None], write: Callable[[int], str]) -> dict[int, Shade]:
    """Four bands of about as many spaces each; equal figures are in one band."""
    there = sorted({round_half_up(value) for value in figures.values() if value is not None})
    known = sorted(round_half_up(value) for value in figures.values() if value is not None)
    band_of: dict[int, int] = {}
    for value in there:
        # By how many lie below it: equal figures cannot be parted, and few figures make few bands.
        band_of[value] = known.index(value) * _BANDS // len(known)
    used = sorted(set(band_of.values()))
    shade_of: dict[int, Shade] = {}
    for place, band in enumerate(used):
        values = [value for value in there if band_of[value] == band]
        span = write(values[0]) if len(values) == 1 else f"{write(values[0])} to {write(values[-1])}"
        tone = _BANDS if len(used) == 1 else 1 + place * (_BANDS - 1) // (len(used) - 1)
        for value in values:
            shade_of[value] = Shade("ABCD"[place], span, tone)
    return {key: _NO_FIGURE if value is None else shade_of[round_half_up(value)] for key, value in figures.items()}


# --- the table beside it ----------------------------------------------------------------------------------------------------

SORTS: Mapping[str, Callable[[SpaceRow], object]] = {
    "space": lambda row: natural(row.code),
    "zone": lambda row: (row.zone, natural(row.code)),
    "area": lambda row: (row.area_sqft100, natural(row.code)),
    "state": lambda row: (row.state, natural(row.code)),
    "dealer": lambda row: (row.dealers or "~", natural(row.code)),
    "until": lambda row: (row.until or date.max, natural(row.code)),
    "rent": lambda row: (_figure(row.rent_per_sqft_cents), natural(row.code)),
    "sales": lambda row: (_figure(row.sales_per_sqft_cents), natural(row.code)),
    "owed": lambda row: (row.past_due_cents, natural(row.code)),
}


def _figure(value: Fraction | None) -> Fraction:
    return Fraction(-1) if value is None else value


@dataclass(frozen=True)
class Filter:
    """Which rows of the table are shown, and in which order."""

    sort: str = "space"
    down: bool = False
    kind: str = ""
    zone: str = ""
    state: str = ""
    find: str = ""

    def apply(self, rows: Sequence[SpaceRow]) -> list[SpaceRow]:
        wanted = self.find.casefold()
        kept = [
            row
            for row in rows
            if (not self.kind or row.kind == self.kind)
            and (not self.zone or row.zone == self.zone)
            and (not self.state or row.state == self.state)
            and (not wanted or wanted in f"{row.code} {row.dealers} {row.names}".casefold())
        ]
        return sorted(kept, key=SORTS[self.sort], reverse=self.down)  # type: ignore[arg-type]


def per_sqft(value: Fraction | None) -> str:
    """Cents a square foot as dollars: `2.25`; empty for none."""
    return "" if value is None else format_cents(round_half_up(value))
