"""Lists of rows in hand: sorted, narrowed, paged, taken away."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import pytest

from coop.core.errors import Refusal
from coop.core.listing import MOST_TAKEN, PAGE, Column, FromDay, Listing, OneOf, Words, list_csv


@dataclass(frozen=True)
class Stone:
    name: str
    cents: int
    on: date
    kind: str = "grey"


STONES = [
    Stone("Slate", 300, date(2026, 10, 3)),
    Stone("agate", 1200, date(2026, 10, 1), "red"),
    Stone("Basalt", 45, date(2026, 10, 2)),
]
LIST: Listing[Stone] = Listing(
    columns=(
        Column("name", "Name", lambda it: it.name, by=lambda it: it.name.lower()),
        Column("cents", "Price", lambda it: str(it.cents), by=lambda it: it.cents, amount=True),
        Column("kind", "Kind", lambda it: it.kind),
    ),
    usual="name",
    filters=(
        Words("find", "Name", of=lambda it: [it.name]),
        OneOf("kind", "Kind", (("red", "red"), ("grey", "grey")), of=lambda it: it.kind),
        FromDay("from", "From", of=lambda it: it.on),
        FromDay("to", "Up to", of=lambda it: it.on, to_day=True),
    ),
)


def names(**asked: str) -> list[str]:
    return [stone.name for stone in LIST.pick(STONES, {key.rstrip("_"): value for key, value in asked.items()}).rows]


@pytest.mark.parametrize(
    ("asked", "shown"),
    [
        ({}, ["agate", "Basalt", "Slate"]),
        ({"sort": "-name"}, ["Slate", "Basalt", "agate"]),
        ({"sort": "cents"}, ["Basalt", "Slate", "agate"]),
        ({"sort": "-cents"}, ["agate", "Slate", "Basalt"]),
        ({"sort": "weight"}, ["agate", "Basalt", "Slate"]),
        ({"sort": "kind"}, ["agate", "Basalt", "Slate"]),
        ({"find": "SA"}, ["Basalt"]),
        ({"find": " late "}, ["Slate"]),
        ({"kind": "red"}, ["agate"]),
        ({"kind": "blue"}, ["agate", "Basalt", "Slate"]),
        ({"from_": "2026-10-02"}, ["Basalt", "Slate"]),
        ({"from_": "2026-10-02", "to": "2026-10-02"}, ["Basalt"]),
        ({"from_": "yesterday"}, ["agate", "Basalt", "Slate"]),
        ({"page": "9"}, ["agate", "Basalt", "Slate"]),
        ({"page": "x"}, ["agate", "Basalt", "Slate"]),
    ],
)
def test_shows_what_is_asked_for(asked: dict[str, str], shown: list[str]) -> None:
    assert names(**asked) == shown


def test_a_row_that_is_of_several_kinds_is_kept_under_each() -> None:
    kinds = OneOf("kind", "Kind", (("red", "red"), ("hard", "hard"), ("soft", "soft")), of=lambda it: {it.kind, "hard"})
    several = Listing(LIST.columns, "name", (kinds,))
    assert [len(several.pick(STONES, {"kind": kind}).rows) for kind in ("red", "hard", "soft", "blue")] == [1, 3, 0, 3]


def test_says_what_is_wrong_with_what_was_asked_and_keeps_it() -> None:
    listed = LIST.pick(STONES, {"from": "yesterday", "kind": "blue"})
    assert {one.filter.key: (one.value, one.fault) for one in listed.asked if one.fault} == {
        "kind": ("blue", "Choose one of these."),
        "from": ("yesterday", "Write the day, like 2026-10-19."),
    }


@pytest.mark.parametrize(
    ("day", "is_good"),
    [("0001-01-01", False), ("1899-12-31", False), ("1900-01-01", True), ("2200-12-31", True), ("9999-12-31", False)],
)
def test_takes_days_of_years_that_people_live_in(day: str, is_good: bool) -> None:
    faults = [one.fault for one in LIST.pick(STONES, {"from": day, "to": day}).asked if one.filter.key in ("from", "to")]
    assert faults == [("" if is_good else "Choose a day of the years 1900 to 2200.")] * 2


def test_pages_hold_fifty_and_say_which() -> None:
    many = [Stone(f"{n:03d}", n, date(2026, 10, 1)) for n in range(PAGE * 2 + 1)]
    last = LIST.pick(many, {"page": "3"})
    assert (last.first, last.last, last.total, last.pages) == (101, 101, 101, 3)
    assert [stone.name for stone in last.rows] == ["100"]
    assert len(LIST.pick(many, {"as": "csv", "page": "3"}).rows) == 101


def test_a_heading_pressed_again_turns_round_and_figures_begin_with_the_largest() -> None:
    by_name, by_cents = LIST.columns[:2]
    usual = LIST.pick(STONES, {})
    assert (usual.sort_by(by_name), usual.sort_by(by_cents)) == ("-name", "-cents")
    assert LIST.pick(STONES, {"sort": "-cents"}).sort_by(by_cents) == "cents"


def test_an_address_keeps_what_is_not_as_usual_and_no_page() -> None:
    listed = LIST.pick(STONES, {"find": "a", "sort": "-cents", "page": "2", "kind": ""})
    assert listed.args() == {"find": "a", "sort": "-cents"}
    assert listed.args(sort="name", page=2) == {"find": "a", "sort": "name", "page": 2}


def test_what_a_list_is_usually_narrowed_to_gives_way_to_what_is_asked() -> None:
    usually = Listing(LIST.columns, "name", LIST.filters, usually={"kind": "red"})
    assert [stone.name for stone in usually.pick(STONES, {}).rows] == ["agate"]
    assert len(usually.pick(STONES, {"kind": ""}).rows) == 3


def test_says_what_is_asked_of_each_filter() -> None:
    usually = Listing(LIST.columns, "name", LIST.filters, usually={"kind": "red"})
    assert usually.values({"sort": "name"}) == {"find": "", "kind": "red", "from": "", "to": ""}
    assert usually.values({"find": " late "}) == {"find": "late", "kind": "", "from": "", "to": ""}


def test_all_of_a_list_that_is_usually_narrowed_stays_all_in_its_addresses() -> None:
    usually = Listing(LIST.columns, "name", LIST.filters, usually={"kind": "red"})
    many = [Stone(f"{n:03d}", n, date(2026, 10, 1)) for n in range(PAGE + 1)] + [STONES[1]]
    every = usually.pick(many, {"kind": ""})
    assert every.total == PAGE + 2
    for changes in ({"page": "2"}, {"sort": "-cents"}, {"as": "csv"}):
        assert usually.pick(many, every.args(**changes)).total == PAGE + 2
    narrowed = usually.pick(many, {})
    assert usually.pick(many, narrowed.args(sort="-cents")).total == 1


def test_choices_that_only_a_request_knows_are_two_or_none() -> None:
    two = LIST.with_choices("kind", (("red", "red"), ("grey", "grey")))
    assert [stone.name for stone in two.pick(STONES, {"kind": "red"}).rows] == ["agate"]
    one = LIST.with_choices("kind", (("red", "red"),))
    assert [asked.filter.key for asked in one.pick(STONES, {"kind": "red"}).asked] == ["find", "from", "to"]
    assert len(one.pick(STONES, {"kind": "red"}).rows) == 3


def test_the_csv_has_every_row_narrowed_and_sorted() -> None:
    listed = LIST.pick(STONES, {"kind": "grey", "sort": "-cents", "as": "csv"})
    assert list_csv(listed) == "Name,Price,Kind\r\nSlate,300,grey\r\nBasalt,45,grey\r\n"


def test_the_csv_holds_no_formula_and_its_figures_stay_figures() -> None:
    listed = LIST.pick([Stone('=HYPERLINK("x")', -45, date(2026, 10, 1), "@grey")], {"as": "csv"})
    assert list_csv(listed).splitlines()[1] == """"'=HYPERLINK(""x"")",-45,'@grey"""


def test_a_csv_of_too_many_rows_is_refused_with_the_mend() -> None:
    with pytest.raises(Refusal, match="100,001 rows, and a CSV takes 100,000: narrow it"):
        LIST.pick([STONES[0]] * (MOST_TAKEN + 1), {"as": "csv"})


def test_what_a_list_is_narrowed_to_is_said_and_only_other_than_usual_counts_as_asked() -> None:
    usually_red = replace(LIST, usually={"kind": "red"})
    assert LIST.pick(STONES, {}).is_usual
    assert usually_red.pick(STONES, {}).is_usual
    assert usually_red.pick(STONES, {"sort": "cents"}).is_usual
    assert not usually_red.pick(STONES, {"kind": ""}).is_usual
    found = usually_red.pick(STONES, {"kind": "grey", "from": "2026-10-02", "to": "soon", "find": "late"})
    assert not found.is_usual
    assert [one.said for one in found.asked] == ["late", "grey", "from Oct 2, 2026", "soon"]
    assert [one.said for one in LIST.pick(STONES, {}).asked] == ["", "", "", ""]
