"""Tax that a dealer files herself stands in a section of its own, out of the payments and out of what the mall collected."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

import pytest

from coop.core.db import Sessions, transaction
from coop.core.periods import Month
from coop.sales.service import take_tickets
from coop.statements.building import build_value
from coop.statements.documents import said
from coop.statements.domain import OwedTaxLine, TaxLine
from coop.tax.filing import move_tax_to_dealers
from coop.tax.models import TaxRate
from coop.tax.service import change_rate
from tests.factories.coops import line, ticket
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.tax import OFFICE, make_filer, setting

SEPTEMBER = Month(2026, 9)


@pytest.mark.parametrize("office", [OFFICE, ""])
def test_who_files_decides_where_tax_stands(sessions: Sessions, now: datetime, office: str) -> None:
    """5% and 0.5%; the state's tax rises to 6% and passes to the dealers on the 15th, filed by the quarter."""
    with transaction(sessions) as session:
        make_coop(session, now)
        dealers = [make_dealer(session, now, code) for code in ("D01", "D02")]
        mall = make_mall(session, now)
        filer = make_filer(session, now, mall, dealers)
        setting(session, starts_on=date(2026, 1, 1), frequency="quarter")
        setting(session, starts_on=date(2026, 9, 15), owed_by="dealer", office=office, frequency="quarter", year_begins=1)
        rate = session.get_one(TaxRate, filer.stack.jurisdictions[0].rates[0].rate_id)
        change_rate(session, rate, Decimal(6), from_day=date(2026, 9, 15))
        sold = ((3, 100_00), (20, 30_00), (21, 30_00))
        take_tickets(session, now, mall, [ticket(str(day), date(2026, 9, day), [line(dealers[0], cents)]) for day, cents in sold])
        move_tax_to_dealers(session, now, mall, SEPTEMBER)
        value = build_value(session, mall, dealers[0], SEPTEMBER, made_on=date(2026, 10, 2))
        other = build_value(session, mall, dealers[1], SEPTEMBER, made_on=date(2026, 10, 2))
    assert value.tax_collected == (TaxLine("State of Elder", 100_00, 5_00, "5"), TaxLine("Alder county", 100_00, 50, "0.5"))
    filed = (office, "July 2026 to September 2026" if office else "", date(2026, 10, 20) if office else None)
    assert value.tax_owed == (
        OwedTaxLine("State of Elder", "6", 60_00, 3_60, *filed),
        OwedTaxLine("Alder county", "0.5", 60_00, 30, *filed),
    )
    assert value.payments == ()
    assert value.closing_cents == value.net_cents + 3_90
    assert dict(value.sums)["Tax to file"] == 3_90
    whose = (
        f"File $3.90 of it with {OFFICE}, in your return for July 2026 to September 2026, by Oct 20, 2026."
        if office
        else "File $3.90 with the office that takes the return; the co-op has none on record."
    )
    assert said(value).to_file == [whose]
    assert (other.tax_owed, "Tax to file" in dict(other.sums)) == ((), False)
