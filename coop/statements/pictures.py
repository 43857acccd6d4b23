"""Small pictures of a month, each with all it shows in words: the same on page and paper, and good in black and white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from coop.core.geometry import format_sqft
from coop.core.templating import dollars, money, short_day
from coop.statements.domain import StatementValue
from coop.statements.domain.pictures import bars, sold_by_band, sold_by_day

FEWEST_BARS = 2
"""Of a picture: one bar alone shows nothing."""


@dataclass(frozen=True)
class Column:
    """What stands under a bar."""

    label: str
    figure: str
    more: str = ""


@dataclass(frozen=True)
class Picture:
    """A row of bars: `path` within a box of `width` by 101."""

    key: Literal["days", "bands", "floor"]
    heading: str
    path: str
    width: int
    said: str
    """All its figures, for who does not see it."""
    columns: tuple[Column, ...] = ()
    ends: tuple[str, str] | None = None
    """What stands at the two ends of the base line, where the bars have no columns of their own."""
    note: str = ""


def pictures(value: StatementValue) -> list[Picture]:
    """What is drawn of a month: pictures in which there is something to compare, so at least two bars."""
    made = [_by_day(value), _by_band(value)] if value.sales else []
    return [one for one in (*made, _by_floor(value)) if one is not None]


def undrawn(value: StatementValue) -> list[str]:
    """What a picture of a single bar would have shown, a sentence each; of a single sale its line says all."""
    said = []
    days = {line.credited_on for line in value.sales}
    if len(value.sales) > 1 and _by_day(value) is None and len(days) == 1:
        said.append(f"All was sold on {short_day(days.pop())}.")
    if len(value.sales) > 1 and _by_band(value) is None:
        bands = [f"{band.label}, {_pieces(band.pieces)}" for band in sold_by_band(value) if band.pieces]
        said.append(f"By the price of a piece in dollars: {'; '.join(bands)}.")
    if value.floor and _by_floor(value) is None:
        one = value.floor
        median = "" if one.median_cents is None else f"; the mall’s median of net sales was {dollars(one.median_cents)}"
        sums = f"net sales {dollars(one.sales_cents)} and rent {dollars(one.rent_cents)}"
        said.append(f"Per square foot, this month: {sums}{median}. {_area(value)}")
    return said


def _by_day(value: StatementValue) -> Picture | None:
    days = sold_by_day(value)
    sold = [(day, cents) for day, cents in days if cents]
    if len(sold) < FEWEST_BARS:
        return None
    best, most = max(days, key=lambda one: one[1])
    return Picture(
        "days",
        "Sold by day, before returns",
        bars([cents for _, cents in days], pitch=10, width=7),
        10 * len(days),
        "Dollars by day: " + "; ".join(f"{short_day(day)} {money(cents)}" for day, cents in sold) + ".",
        ends=(short_day(value.first_day), short_day(value.last_day)),
        note=f"Most on {short_day(best)}: {money(most)}. Sold on {len(sold)} of {len(days)} days.",
    )


def _by_band(value: StatementValue) -> Picture | None:
    bands = sold_by_band(value)
    if sum(band.cents > 0 for band in bands) < FEWEST_BARS:
        return None
    columns = tuple(
        Column(band.label, money(band.cents), _pieces(band.pieces)) if band.pieces else Column(band.label, "") for band in bands
    )
    return Picture(
        "bands",
        "Sold, by the price of a piece",
        bars([band.cents for band in bands], pitch=100, width=56),
        100 * len(bands),
        _figures("Dollars by what a piece was sold for", columns),
        columns,
    )


def _pieces(number: int) -> str:
    return f"{number:,} {'piece' if number == 1 else 'pieces'}"


def _by_floor(value: StatementValue) -> Picture | None:
    floor = value.floor
    if floor is None:
        return None
    amounts = [floor.sales_cents, floor.rent_cents]
    columns = [Column("your net sales", dollars(floor.sales_cents)), Column("your rent", dollars(floor.rent_cents))]
    note = _area(value)
    if floor.sales_cents < 0:
        note += " More was brought back than sold: no bar."
    if floor.median_cents is not None:
        amounts.append(floor.median_cents)
        columns.append(Column("mall’s median", dollars(floor.median_cents)))
        note += f" Half of the mall’s {floor.dealers} dealers sold the median or more."
    if sum(cents > 0 for cents in amounts) < FEWEST_BARS:
        return None
    return Picture(
        "floor",
        "Per square foot, this month",
        bars(amounts, pitch=100, width=56),
        100 * len(amounts),
        _figures("Per square foot", columns),
        tuple(columns),
        note=note,
    )


def _area(value: StatementValue) -> str:
    assert value.floor is not None
    area = f"{format_sqft(value.floor.area_sqft100)} sq ft"
    return f"{value.floor.working} counts as {area}." if value.floor.working else f"You rented {area}."


def _figures(what: str, columns: Sequence[Column]) -> str:
    said = (f"{one.label} {one.figure}{f', {one.more}' if one.more else ''}" for one in columns if one.figure)
    return f"{what}: {'; '.join(said)}."
