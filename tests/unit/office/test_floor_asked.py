"""What the plan is coloured by, worked by hand."""

from __future__ import annotations

import itertools
from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest

from coop.core.periods import Month
from coop.leases.occupancy import Hold
from coop.office.floor_asked import ASKED, Filter, colour, natural
from coop.office.floor_queries import SpaceRow, sqft_months

TODAY = date(2026, 11, 3)


def hold(starts_on: date, ends_on: date | None = None, *, sqft: int = 100, share: str = "100", **more: date | None) -> Hold:
    dates = {"term_ends_on": None, "notice_on": None, **more}
    return Hold(
        1, 1, 1, "D01", "Ida Fenwick", starts_on, ends_on, leased_sqft100=sqft * 100, share_percent=Decimal(share), **dates
    )


_IDS = itertools.count(1)


def row(code: str = "12", held: tuple[Hold, ...] = (), state: str = "vacant", **more: object) -> SpaceRow:
    values: dict[str, object] = {
        "kind": "booth",
        "zone": "front",
        "outline": (),
        "area_sqft100": 8_000,
        "next_from": None,
        "rent_per_sqft_cents": None,
        "sales_per_sqft_cents": None,
        "past_due_cents": 0,
        "oldest": 0,
        **more,
    }
    return SpaceRow(space_id=next(_IDS), code=code, held=held, state=state, **values)  # type: ignore[arg-type]


def words(rows: list[SpaceRow], asked: str, within_days: int = 90) -> list[tuple[str, str]]:
    found = colour(rows, asked, today=TODAY, within_days=within_days)
    return [(found.shades[one.space_id].letter, found.shades[one.space_id].words) for one in rows]


@pytest.mark.parametrize(
    ("held", "months", "expected"),
    [
        # October has 31 days, November 30: a whole month of 100 sq ft is 100 square foot months.
        ([hold(date(2026, 1, 1))], [Month(2026, 10)], Fraction(100)),
        ([hold(date(2026, 1, 1))], [Month(2026, 10), Month(2026, 11)], Fraction(200)),
        ([hold(date(2026, 11, 16))], [Month(2026, 11)], Fraction(50)),
        ([hold(date(2026, 1, 1), date(2026, 11, 10))], [Month(2026, 11)], Fraction(100, 3)),
        ([hold(date(2026, 12, 1))], [Month(2026, 11)], Fraction(0)),
        ([hold(date(2026, 1, 1), share="40"), hold(date(2026, 1, 1), share="60")], [Month(2026, 11)], Fraction(100)),
    ],
)
def test_square_foot_months(held: list[Hold], months: list[Month], expected: Fraction) -> None:
    assert sqft_months(held, months) == expected


def test_bands_hold_about_as_many_spaces_each_and_equal_figures_stay_together() -> None:
    rows = [row(rent_per_sqft_cents=Fraction(cents)) for cents in (100, 150, 150, 200, 225, 250, 300, 300)]
    assert words([*rows, row()], "rent") == [
        ("A", "$1.00 to $1.50"),
        ("A", "$1.00 to $1.50"),
        ("A", "$1.00 to $1.50"),
        ("B", "$2.00"),
        ("C", "$2.25 to $2.50"),
        ("C", "$2.25 to $2.50"),
        ("D", "$3.00"),
        ("D", "$3.00"),
        ("–", "no figure"),
    ]


def test_one_figure_is_one_band() -> None:
    assert words([row(sales_per_sqft_cents=Fraction(1001, 2))] * 3, "sales") == [("A", "$5.01")] * 3


def test_every_tone_of_a_legend_differs_in_letter_and_in_words() -> None:
    rows = [row(rent_per_sqft_cents=Fraction(cents)) for cents in range(100, 140)]
    for asked in ASKED:
        legend = colour([*rows, row()], asked, today=TODAY, within_days=90).legend
        assert len({shade.letter for shade, _ in legend}) == len(legend)
        assert len({shade.words for shade, _ in legend}) == len(legend)
        assert sum(number for _, number in legend) == 41


def test_what_ends_soon() -> None:
    since = date(2026, 1, 1)
    rows = [
        row(held=(hold(since, date(2026, 12, 3)),), state="noticed"),
        row(held=(hold(since, date(2026, 12, 4)),), state="noticed"),
        row(held=(hold(since, term_ends_on=date(2026, 11, 30)),), state="held"),
        # Its term ran out: it goes on by the month.
        row(held=(hold(since, term_ends_on=date(2026, 10, 31)),), state="held"),
        row(),
    ]
    assert [letter for letter, _ in words(rows, "ends", within_days=30)] == ["E", "–", "T", "–", "V"]
    assert words(rows, "ends", within_days=30)[0] == ("E", "ends within 30 days")


def test_arrears_go_by_their_oldest_part() -> None:
    held = (hold(date(2026, 1, 1)),)
    rows = [row(held=held, state="held", oldest=n) for n in range(5)]
    assert words([*rows, row()], "arrears") == [
        ("–", "not past due"),
        ("A", "1 to 30 days past due"),
        ("B", "31 to 60 days past due"),
        ("C", "61 to 90 days past due"),
        ("D", "over 90 days past due"),
        ("V", "vacant"),
    ]


def test_codes_sort_as_people_count() -> None:
    assert sorted(["10", "9", "A10", "A9", "C1", "2"], key=natural) == ["2", "9", "10", "A9", "A10", "C1"]


def test_the_table_is_sifted_and_sorted() -> None:
    mine = (hold(date(2026, 1, 1)),)
    rows = [row("9", zone="back"), row("10", mine, "held"), row("2", mine, "held", rent_per_sqft_cents=Fraction(5))]
    assert [one.code for one in Filter().apply(rows)] == ["2", "9", "10"]
    assert [one.code for one in Filter(sort="rent", down=True).apply(rows)] == ["2", "10", "9"]
    assert [one.code for one in Filter(state="held").apply(rows)] == ["2", "10"]
    assert [one.code for one in Filter(zone="back").apply(rows)] == ["9"]
    assert [one.code for one in Filter(find="fenwick").apply(rows)] == ["2", "10"]
