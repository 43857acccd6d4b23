"""How a price rises: published index figures, fixed percents, dated steps."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coop.core.money import cents
from coop.core.periods import Month
from coop.leases.domain.escalation import (
    CpiTerms,
    Step,
    cpi_raises,
    fixed_raises,
    index_change,
    stepped_raises,
)
from coop.leases.domain.figures import TermsError

JUNE_25 = Month(2025, 6)


def test_index_points_and_percent_as_bls_publishes_them() -> None:
    # L1: CPI-U June 1990 and June 1991, from BLS, "How to Use the Consumer Price Index for Escalation".
    change = index_change(Decimal("129.9"), Decimal("136.0"))
    assert (change.points, change.published_percent) == (Fraction("6.1"), Decimal("4.7"))


def test_a_price_follows_the_index() -> None:
    # L2: $1,000 and CPI-U 322.561 -> 333.952 (BLS series; derived: 1000 x 333.952 / 322.561 = 1035.3143). The months are ours.
    terms = CpiTerms(date(2025, 8, 1), JUNE_25)
    indexes = {date(2025, 6, 1): Decimal("322.561"), date(2026, 6, 1): Decimal("333.952")}
    (raised,) = cpi_raises(terms, indexes, date(2026, 8, 31))
    assert cents(1000 * raised.factor) == 1035_31
    assert (raised.starts_on, raised.words) == (date(2026, 8, 1), "333.952/322.561 (CPI of June 2026 over June 2025)")


INDEXES = {date(2025, 6, 1): Decimal(100), date(2026, 6, 30): Decimal(105), date(2027, 6, 1): Decimal("105.42")}


@pytest.mark.parametrize(
    ("cap", "floor", "decimals", "factors", "words"),
    [
        # Derived: 105/100 is 5%; 105.42/105 is 0.4%.
        (None, None, None, ("1.05", "1.0542"), "105.42/100 (CPI of June 2027 over June 2025)"),
        (3, None, None, ("1.03", "1.03412"), None),
        (
            3,
            1,
            None,
            ("1.03", "1.0403"),
            "1.03 (CPI of June 2026 over June 2025: 5%, at most 3%) × 1.01 (CPI of June 2027 over June 2026: 0.4%, at least 1%)",
        ),
        (None, 2, None, ("1.05", "1.071"), None),
        (None, None, 0, ("1.05", "1.05"), None),
    ],
)
def test_caps_and_floors_hold_each_adjustment(
    cap: int | None, floor: int | None, decimals: int | None, factors: tuple[str, str], words: str | None
) -> None:
    terms = CpiTerms(date(2025, 8, 1), JUNE_25, cap_percent=cap, floor_percent=floor, decimals=decimals)
    raises = cpi_raises(terms, INDEXES, date(2027, 8, 1))
    assert [r.factor for r in raises] == [Fraction(f) for f in factors]
    assert words is None or raises[-1].words == words


@pytest.mark.parametrize("falls_to", ["95", "99.99"])
def test_an_index_that_falls_lowers_the_price_unless_a_floor_holds_it(falls_to: str) -> None:
    indexes = {date(2025, 6, 1): Decimal(100), date(2026, 6, 1): Decimal(falls_to)}
    (without,) = cpi_raises(CpiTerms(date(2025, 8, 1), JUNE_25), indexes, date(2026, 8, 1))
    (held,) = cpi_raises(CpiTerms(date(2025, 8, 1), JUNE_25, floor_percent=0), indexes, date(2026, 8, 1))
    assert (without.factor, held.factor) == (Fraction(falls_to) / 100, 1)


@pytest.mark.parametrize(
    ("terms", "indexes", "said"),
    [
        (CpiTerms(date(2025, 8, 1), JUNE_25), {date(2025, 6, 1): Decimal(100)}, "no CPI value for June 2026: enter"),
        (CpiTerms(date(2025, 8, 1), JUNE_25), {date(2026, 6, 1): Decimal(100)}, "no CPI value for June 2025: enter"),
        (CpiTerms(date(2025, 8, 1), JUNE_25, lag_months=3), {date(2025, 6, 1): Decimal(100)}, "no CPI value for May 2026"),
        (CpiTerms(date(2025, 8, 1), Month(2026, 6)), INDEXES, "CPI of June 2026, which is not after the base June 2026"),
        (
            CpiTerms(date(2025, 8, 1), JUNE_25),
            {**INDEXES, date(2026, 6, 2): Decimal(1)},
            "two CPI values for June 2026: keep the published one",
        ),
        (
            CpiTerms(date(2025, 8, 1), JUNE_25),
            {date(2025, 6, 1): Decimal(0), date(2026, 6, 1): Decimal(1)},
            "index value 0 is not above zero",
        ),
    ],
)
def test_what_the_index_lacks_is_named(terms: CpiTerms, indexes: dict[date, Decimal], said: str) -> None:
    with pytest.raises(TermsError, match=said):
        cpi_raises(terms, indexes, date(2026, 8, 1))


def test_a_fixed_percent_each_anniversary() -> None:
    # Common practice, no source: 3% a year compounds to 1.03, 1.0609.
    raises = fixed_raises(3, date(2024, 2, 29), date(2026, 12, 31))
    assert [(r.starts_on, r.factor, r.words) for r in raises] == [
        (date(2025, 2, 28), Fraction("1.03"), "1.03 (3% more from Feb 28, 2025)"),
        (date(2026, 2, 28), Fraction("1.0609"), "1.03^2 (3% more, 2 times by Feb 28, 2026)"),
    ]
    assert fixed_raises(3, date(2024, 2, 29), date(2025, 2, 27)) == ()


def test_a_fixed_percent_every_six_months() -> None:
    raises = fixed_raises(Decimal("1.5"), date(2025, 8, 31), date(2026, 8, 31), every_months=6)
    assert [(r.starts_on, r.factor) for r in raises] == [
        (date(2026, 2, 28), Fraction("1.015")),
        (date(2026, 8, 31), Fraction("1.030225")),
    ]


def test_dated_steps_compound_and_may_fall() -> None:
    steps = [Step(date(2027, 1, 1), Decimal(-10)), Step(date(2026, 1, 1), 5), Step(date(2028, 1, 1), 1)]
    raises = stepped_raises(steps, date(2027, 12, 31))
    assert [(r.starts_on, r.factor) for r in raises] == [
        (date(2026, 1, 1), Fraction("1.05")),
        (date(2027, 1, 1), Fraction("0.945")),
    ]
    assert raises[1].words == "1.05 (5% more from Jan 1, 2026) × 0.9 (10% less from Jan 1, 2027)"


def test_bad_terms_are_refused() -> None:
    day = date(2026, 1, 1)
    with pytest.raises(TermsError, match="every 0 months: write 1 or more"):
        fixed_raises(3, day, day, every_months=0)
    with pytest.raises(TermsError, match="Two steps begin on Jan 1, 2026: make them one"):
        stepped_raises([Step(day, 1), Step(day, 2)], day)
    with pytest.raises(TermsError, match=r"percent of the step on Jan 1, 2026 is -100: write one -99 or more"):
        stepped_raises([Step(day, -100)], day)
    with pytest.raises(TermsError, match="floor of 4% is above the cap of 3%: turn them round"):
        CpiTerms(day, JUNE_25, cap_percent=3, floor_percent=4)
    with pytest.raises(TermsError, match="lag is -1 months"):
        CpiTerms(day, JUNE_25, lag_months=-1)


VALUES = st.lists(st.decimals("50", "500", places=3), min_size=4, max_size=4)


@given(values=VALUES, cap=st.integers(0, 8), floor=st.integers(-8, 0))
def test_uncapped_raises_telescope_and_capped_ones_stay_in_bounds(values: list[Decimal], cap: int, floor: int) -> None:
    indexes = {date(2025 + n, 6, 1): value for n, value in enumerate(values)}
    plain = cpi_raises(CpiTerms(date(2025, 8, 1), JUNE_25), indexes, date(2028, 8, 1))
    assert [r.factor for r in plain] == [Fraction(v) / Fraction(values[0]) for v in values[1:]]
    held = cpi_raises(CpiTerms(date(2025, 8, 1), JUNE_25, cap_percent=cap, floor_percent=floor), indexes, date(2028, 8, 1))
    before = Fraction(1)
    for one in held:
        assert 1 + Fraction(floor, 100) <= one.factor / before <= 1 + Fraction(cap, 100)
        before = one.factor
