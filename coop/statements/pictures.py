"""Small pictures of a month, each with all it shows in words: the same on page and paper, and good in black and white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from coop.core.geometry import format_sqft
from coop.core.templating import dollars, money, short_day
from coop.statements.domain import StatementValue
from coop.statements.domain.pictures import bars, sold_by_band, sold_by_day


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
    """What is drawn of a month; nothing of one in which nothing was sold, nor of floor where none is rented."""
    made = [_by_day(value), _by_band(value)] if value.sales else []
    return made + ([_by_floor(value)] if value.floor else [])


def _by_day(value: StatementValue) -> Picture:
    days = sold_by_day(value)
    sold = [(day, cents) for day, cents in days if cents]
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


def _by_band(value: StatementValue) -> Picture:
    bands = sold_by_band(value)
    columns = tuple(
        Column(band.label, money(band.cents), _pieces(band.pieces)) if band.pieces else Column(band.label, "") for band in bands
    )
    return Picture(
        "bands",
        "Sold by a piece’s price in dollars",
        bars([band.cents for band in bands], pitch=100, width=56),
        100 * len(bands),
        _figures("Dollars by what a piece was sold for", columns),
        columns,
    )


def _pieces(number: int) -> str:
    return f"{number:,} {'piece' if number == 1 else 'pieces'}"


def _by_floor(value: StatementValue) -> Picture:
    floor = value.floor
    assert floor is not None
    amounts = [floor.sales_cents, floor.rent_cents]
    columns = [Column("your net sales", dollars(floor.sales_cents)), Column("your rent", dollars(floor.rent_cents))]
    area = f"{format_sqft(floor.area_sqft100)} sq ft"
    note = f"{floor.working} counts as {area}." if floor.working else f"You rented {area}."
    if floor.sales_cents < 0:
        note += " More was brought back than sold: no bar."
    if floor.median_cents is not None:
        amounts.append(floor.median_cents)
        columns.append(Column("mall’s median", dollars(floor.median_cents)))
        note += f" Half of the mall’s {floor.dealers} dealers sold the median or more."
    else:
        note += " Too few dealers for a median."
    return Picture(
        "floor",
        "Per square foot, this month",
        bars(amounts, pitch=100, width=56),
        100 * len(amounts),
        _figures("Per square foot", columns),
        tuple(columns),
        note=note,
    )


def _figures(what: str, columns: Sequence[Column]) -> str:
    said = (f"{one.label} {one.figure}{f', {one.more}' if one.more else ''}" for one in columns if one.figure)
    return f"{what}: {'; '.join(said)}."
