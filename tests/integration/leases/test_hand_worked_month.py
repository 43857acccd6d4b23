"""April 2026 of a shared booth, worked by hand: posted in advance, grown on the 14th, dearer from its anniversary, late."""

from __future__ import annotations

from datetime import date, datetime

from coop.books.checking import check_books
from coop.core.db import Sessions
from coop.core.periods import Month
from coop.leases.rules import add_term
from coop.leases.settling import post_late_fees
from tests.factories.hall import ADVANCE, Hall

APRIL = Month(2026, 4)

# Booth 12, 120.00 sq ft at $2.25: $270.00 a month, 3% more from April 20, the anniversary; Ida 60%, Amos 40%. Posted on April 1:
#   270.00 x 19/30                     171.00
#   270.00 x 1.03 x 11/30              101.97
#   the booth                          272.97    60% 163.782 -> 163.78    40% 109.188 -> 109.19 (the larger remainder)
#   Amos's first two months at half              50% of 109.19 = 54.595 -> 54.60
# On April 10 Amos pays his 54.59. Ida pays nothing: the greater of 25.00 and 10% of 163.78 (16.38) on April 11.
# From April 14 it is 160.00 sq ft, $360.00 a month:
#   270.00 x 13/30                     117.00
#   360.00 x 6/30                       72.00
#   360.00 x 1.03 x 11/30              135.96
#   the booth                          324.96    60% 194.976 -> 194.98    40% 129.984 -> 129.98
#   less what was posted                         194.98 - 163.78 = 31.20  129.98 - 109.19 = 20.79
#   half of Amos's                               64.99 - 54.60 = 10.39 more off
BEFORE = "120.00 sq ft × $2.25 a month × {0} × 19/30 days + 120.00 sq ft × $2.25 a month × 1.03 (3% more from Apr 20, 2026) × {0}"
GROWN = (
    "120.00 sq ft × $2.25 a month × {0} × 13/30 days + 160.00 sq ft × $2.25 a month × {0} × 6/30 days + "
    "160.00 sq ft × $2.25 a month × 1.03 (3% more from Apr 20, 2026) × {0} × 11/30 days"
)


def test_the_month(sessions: Sessions, now: datetime) -> None:
    with sessions() as session:
        hall = Hall(session, now, **ADVANCE)
        ida = hall.lease(hall.ida, starts_on=date(2025, 4, 20))
        amos = hall.lease(hall.amos, starts_on=date(2026, 3, 1))
        add_term(session, ida, "escalation", {"how": "percent", "percent": "3"})
        half = {"reason": "introductory", "name": "for the first two months", "percent": "50"}
        add_term(session, amos, "discount", half, ends_on=date(2026, 4, 30))
        hall.hold(ida, hall.booth, date(2025, 4, 20), date(2026, 2, 28))
        shared = hall.hold(ida, hall.booth, date(2026, 3, 1), shares={ida: 60, amos: 40})

        assert hall.post(APRIL, date(2026, 4, 1)) == 3
        hall.pay(hall.amos, 54_59, date(2026, 4, 10))
        assert post_late_fees(session, hall.at(date(2026, 4, 10)), hall.mall) == 0
        assert [post_late_fees(session, hall.at(date(2026, 4, day)), hall.mall) for day in (11, 11, 12)] == [1, 0, 0]

        shared.ends_on = date(2026, 4, 13)
        session.flush()
        hall.hold(ida, hall.booth, date(2026, 4, 14), sqft=160, shares={ida: 60, amos: 40})
        assert [hall.post(APRIL, date(2026, 4, day)) for day in (14, 15)] == [3, 0]

        parts = {"60%": BEFORE.format("60%") + " × 11/30 days", "40%": BEFORE.format("40%") + " × 11/30 days"}
        rounded = ", rounded so that the shares add up to $272.97"
        assert hall.charged(hall.ida) == [
            ("Apr 01", "Booth 12", "0", 163_78, parts["60%"]),
            ("Apr 11", "Late fee", "0", 25_00, "the greater of $25.00 and 10% of $163.78 overdue after Apr 10, 2026 ($16.38)"),
            ("Apr 14", "Booth 12", "1", 31_20, GROWN.format("60%") + ", less $163.78 charged before"),
        ]
        assert hall.charged(hall.amos) == [
            ("Apr 01", "Booth 12", "0", 109_19, parts["40%"]),
            (
                "Apr 01",
                "Discount",
                "0",
                -54_60,
                "$109.19 of rent, less 50% for the first two months ($54.60)",
            ),
            ("Apr 14", "Booth 12", "1", 20_79, GROWN.format("40%") + ", less $109.19 charged before"),
            (
                "Apr 14",
                "Discount",
                "1",
                -10_39,
                "$129.98 of rent, less 50% for the first two months ($64.99); $54.60 was taken off before",
            ),
        ]
        assert rounded not in "".join(parts.values())  # 109.188 is 109.19 by itself too.
        assert (hall.owed(hall.ida), hall.owed(hall.amos)) == (-(163_78 + 25_00 + 31_20), -(20_79 - 10_39))
        assert check_books(session) == []
        session.commit()
