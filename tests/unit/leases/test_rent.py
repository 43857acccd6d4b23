"""Rent of a space and of those who share it, from dated terms."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.money import round_half_up
from coop.core.periods import Month
from coop.leases.domain import DatedRate, NoRateError, TermsError
from coop.leases.domain.escalation import Raise, fixed_raises
from coop.leases.domain.proration import METHODS, part_of_month
from coop.leases.domain.rent import Held, Share, SpaceTerms, shared_rents, space_rent

APRIL = Month(2026, 4)
LONG_AGO = date(2020, 1, 1)
RATES = {
    "front": [DatedRate("sqft", Decimal("2.25"), LONG_AGO)],
    "window": [DatedRate("foot", Decimal("20"), LONG_AGO)],
    "case": [DatedRate("flat", Decimal("1500"), LONG_AGO)],
    "back": [DatedRate("sqft", Decimal("1.50"), LONG_AGO), DatedRate("sqft", Decimal("1.60"), date(2026, 4, 16))],
}
WHOLE = (Held(LONG_AGO, None, 12000, 1440),)


def terms(zone: str = "front", held: tuple[Held, ...] = WHOLE, **more: Any) -> SpaceTerms:
    return SpaceTerms("Booth 12", zone, held, **more)


def from_17(**more: Any) -> tuple[Held, ...]:
    return (Held(date(2026, 4, 17), None, 12000, **more),)


# Each amount worked by hand from the rule named; rates and areas are usual in the trade (common practice, no source).
@pytest.mark.parametrize(
    ("made", "cents", "working"),
    [
        # L3: $1,500, in on April 17: HUD Handbook 4350.3 as commonly described (secondary).
        (terms("case", (Held(date(2026, 4, 17), None),)), 700_00, "$1500.00 a month × 14/30 days"),
        # 120 x 2.25 = 270; 270 x 14/30 = 126.
        (terms(held=from_17()), 126_00, "120.00 sq ft × $2.25 a month × 14/30 days"),
        # 7.5 ft x 20 = 150.
        (terms("window"), 150_00, "7' 6\" long × $20.00 a foot a month"),
        # 120 x 1.50 x 15/30 + 120 x 1.60 x 15/30 = 90 + 96.
        (terms("back"), 186_00, "120.00 sq ft × $1.50 a month × 15/30 days + 120.00 sq ft × $1.60 a month × 15/30 days"),
        # The lease keeps the rate of its first day.
        (terms("back", rate_kept_from=date(2025, 1, 1)), 180_00, "120.00 sq ft × $1.50 a month"),
        # Grown from 100 to 120 sq ft on April 11: 225 x 10/30 + 270 x 20/30 = 75 + 180.
        (
            terms(held=(Held(LONG_AGO, date(2026, 4, 10), 10000), Held(date(2026, 4, 11), None, 12000))),
            255_00,
            "100.00 sq ft × $2.25 a month × 10/30 days + 120.00 sq ft × $2.25 a month × 20/30 days",
        ),
        # The same area written in two spans is one: no cut that changed nothing is shown.
        (
            terms(held=(Held(LONG_AGO, date(2026, 4, 10), 12000), Held(date(2026, 4, 11), None, 12000))),
            270_00,
            "120.00 sq ft × $2.25 a month",
        ),
        # 3% from April 16: 270 x 15/30 + 278.10 x 15/30 = 135 + 139.05.
        (
            terms(raises=fixed_raises(3, date(2025, 4, 16), APRIL.last_day)),
            274_05,
            "120.00 sq ft × $2.25 a month × 15/30 days + "
            "120.00 sq ft × $2.25 a month × 1.03 (3% more from Apr 16, 2026) × 15/30 days",
        ),
        # 270 x 173/365 = 127.9726.
        (terms(held=from_17(), proration="year365"), 127_97, "120.00 sq ft × $2.25 a month × (1 - 12/365 × 16 days)"),
        (terms(held=(Held(date(2026, 5, 1), None, 12000),)), 0, "no days in this month"),
    ],
)
def test_a_space_s_rent(made: SpaceTerms, cents: int, working: str) -> None:
    rent = space_rent(APRIL, made, RATES)
    assert (rent.amount_cents, rent.working) == (cents, working)


def test_february_by_thirty_days() -> None:
    # L4: 10-28 February counts 21 days (QuantLib, run): 270 x 21/30 = 189.
    rent = space_rent(Month(2026, 2), terms(held=(Held(date(2026, 2, 10), None, 12000),), proration="thirty"), RATES)
    assert (rent.amount_cents, rent.working) == (189_00, "120.00 sq ft × $2.25 a month × 21/30 days")


def test_sharers_rents_by_largest_remainder() -> None:
    # 44.45 sq ft x 2.25 = 100.0125 -> 100.01. Thirds: 33.3375 each would be 33.34 three times, a cent too much.
    shares = tuple(Share(who, Fraction(100, 3)) for who in ("D01", "D02", "D03"))
    rents = shared_rents(APRIL, terms(held=(Held(LONG_AGO, None, 4445),), shares=shares), RATES)
    assert [rent.amount_cents for rent in rents.values()] == [33_34, 33_34, 33_33]
    working = "44.45 sq ft × $2.25 a month × 33 1/3%"
    assert [rent.working for rent in rents.values()] == [
        working,
        working,
        f"{working}, rounded so that the shares add up to $100.01",
    ]


def test_a_sharer_who_comes_in_the_month() -> None:
    # Alone at 270 for 15 days, 135; then 60:40 of the other 135: 81 and 54.
    shares = (
        Share("D01", 100, ends_on=date(2026, 4, 15)),
        Share("D01", Decimal(60), date(2026, 4, 16)),
        Share("D02", Decimal(40), date(2026, 4, 16)),
    )
    rents = shared_rents(APRIL, terms(shares=shares), RATES)
    assert {who: rent.amount_cents for who, rent in rents.items()} == {"D01": 216_00, "D02": 54_00}
    assert rents["D02"].working == "120.00 sq ft × $2.25 a month × 40% × 15/30 days"


def test_a_share_total_other_than_the_whole_is_refused_by_its_day() -> None:
    shares = (Share("D01", 60), Share("D02", 40, ends_on=date(2026, 4, 20)))
    said = r"The shares of Booth 12 on 2026-04-21 add up to 60%, not 100%: change them so that they do\."
    with pytest.raises(TermsError, match=said):
        shared_rents(APRIL, terms(shares=shares), RATES)
    with pytest.raises(TermsError, match="Booth 12 has no shares"):
        shared_rents(APRIL, terms(), RATES)


@pytest.mark.parametrize(
    ("zone", "rates", "said"),
    [
        ("attic", RATES, "there is no rate in force on 2026-04-01 in zone attic"),
        (
            "front",
            {"front": [DatedRate("sqft", Decimal(2), date(2026, 4, 2))]},
            "there is no rate in force on 2026-04-01 in zone front",
        ),
    ],
)
def test_a_day_without_a_rate_is_named_with_its_zone(zone: str, rates: dict[str, list[DatedRate]], said: str) -> None:
    with pytest.raises(NoRateError, match=said) as caught:
        space_rent(APRIL, terms(zone), rates)
    assert (caught.value.day, caught.value.zone) == (date(2026, 4, 1), zone)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"zone": " "}, "Booth 12 has no zone: name the zone it is priced in"),
        ({"held": (Held(LONG_AGO, None, 0),)}, "The area of Booth 12 from 2020-01-01 is 0: measure it"),
        ({"held": (Held(LONG_AGO, None, None, 0),)}, "The width of Booth 12 from 2020-01-01 is 0: measure it"),
        ({"held": (Held(date(2026, 4, 2), date(2026, 4, 1), 1),)}, "Booth 12 ends on 2026-04-01, before it starts on 2026-04-02"),
        (
            {"held": (Held(LONG_AGO, None, 1), Held(date(2026, 4, 1), None, 2))},
            "Booth 12 is held twice on 2026-04-01: end the span",
        ),
        ({"shares": (Share("D01", 0),)}, "D01's share of Booth 12 is 0%: write one above zero"),
        (
            {"shares": (Share("D01", 50, date(2026, 4, 2), date(2026, 4, 1)),)},
            "D01's share of Booth 12 ends on 2026-04-01, before it starts",
        ),
    ],
)
def test_bad_terms_name_field_and_mend(more: dict[str, Any], said: str) -> None:
    with pytest.raises(TermsError, match=said):
        terms(**more)


@pytest.mark.parametrize(("zone", "what"), [("front", "square foot but has no area"), ("window", "foot but has no width")])
def test_a_measure_the_rate_needs_is_asked_for(zone: str, what: str) -> None:
    with pytest.raises(TermsError, match=f"Booth 12 is priced by the {what}: measure it"):
        space_rent(APRIL, terms(zone, (Held(LONG_AGO, None),)), RATES)


@pytest.mark.parametrize(
    ("per", "price", "said"),
    [("yard", "1", "is per 'yard': choose sqft, foot or flat"), ("flat", "-1", "is -1: it cannot be negative")],
)
def test_bad_rates_are_refused(per: str, price: str, said: str) -> None:
    with pytest.raises(TermsError, match=said):
        DatedRate(per, Decimal(price), LONG_AGO)


def test_a_rate_without_a_zone_is_refused() -> None:
    with pytest.raises(TermsError, match="The rate from 2020-01-01 has no zone: name the zone it is for"):
        space_rent(APRIL, terms(), {**RATES, "": RATES["front"]})


MONTHS = st.builds(Month, st.integers(2020, 2030), st.integers(1, 12))
AREAS = st.integers(1, 50_000)
PRICES = st.decimals(0, 100, places=6)
DAYS = st.integers(2, 28)
OLD = date(2000, 1, 1)


@given(month=MONTHS, method=st.sampled_from(METHODS), area=AREAS, price=PRICES, cuts=st.sets(DAYS), times=st.integers(100, 200))
def test_however_terms_cut_a_month_the_same_price_is_the_whole_month(
    month: Month, method: str, area: int, price: Decimal, cuts: set[int], times: int
) -> None:
    """Spans, rates and raises that change nothing cut the month; it costs one month's price, rounded once."""
    days = [date(month.year, month.month, day) for day in sorted(cuts)]
    begins = [OLD, *days]
    ends = [*(day - timedelta(1) for day in days), None]
    held = tuple(Held(a, b, area) for a, b in zip(begins, ends, strict=True))
    factor = Fraction(times, 100)
    raises = tuple(Raise(day, factor, f"no. {n}") for n, day in enumerate(begins))
    rates = {"front": [DatedRate("sqft", price, day) for day in begins]}
    rent = space_rent(month, SpaceTerms("Booth 1", "front", held, method, raises), rates)
    assert rent.amount_cents == round_half_up(area * Fraction(price) * factor)


@given(
    month=MONTHS,
    method=st.sampled_from(METHODS),
    area=AREAS,
    price=PRICES,
    parts=st.lists(st.integers(1, 50), min_size=1, max_size=6),
    cut=DAYS,
)
def test_sharers_rents_add_up_to_the_space_s(
    month: Month, method: str, area: int, price: Decimal, parts: list[int], cut: int
) -> None:
    """One set of shares until a day in the month, the same turned round from it on."""
    day = date(month.year, month.month, cut)
    percents = [Fraction(100 * part, sum(parts)) for part in parts]
    shares = [Share(f"D{n}", p, ends_on=day - timedelta(1)) for n, p in enumerate(percents)]
    shares += [Share(f"D{n}", p, day) for n, p in enumerate(reversed(percents))]
    made = SpaceTerms("Booth 1", "front", (Held(OLD, None, area),), method, shares=tuple(shares))
    rates = {"front": [DatedRate("sqft", price, OLD)]}
    rents = shared_rents(month, made, rates)
    assert sum(rent.amount_cents for rent in rents.values()) == space_rent(month, made, rates).amount_cents
    assert all(rent.amount_cents >= 0 for rent in rents.values())


@given(month=MONTHS, method=st.sampled_from(METHODS), price=PRICES, first=AREAS, later=st.dictionaries(DAYS, AREAS, max_size=5))
def test_the_rent_of_a_space_that_grows_is_that_of_its_days(
    month: Month, method: str, price: Decimal, first: int, later: dict[int, int]
) -> None:
    rates = {"front": [DatedRate("sqft", price, OLD)]}
    held = [Held(OLD, None, first)]
    for day in sorted(later):
        at = date(month.year, month.month, day)
        held[-1] = Held(held[-1].starts_on, at - timedelta(1), held[-1].area_sqft100)
        held.append(Held(at, None, later[day]))
    rent = space_rent(month, SpaceTerms("Booth 1", "front", tuple(held), method), rates)
    by_the_day = Fraction(0)
    for day_held in month.each_day():
        area = next(h.area_sqft100 for h in reversed(held) if h.starts_on <= day_held) or 0
        by_the_day += area * Fraction(price) * part_of_month(month, day_held, day_held, method)
    assert rent.amount_cents == round_half_up(by_the_day)
