"""The manager's list of increases that come, and their letters written with one press."""

from __future__ import annotations

from datetime import date

from sqlalchemy import select

from coop.core.db import transaction
from coop.core.geometry import IN16_PER_FOOT as FOOT
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.floor.service import add_space
from coop.leases.models import Letter
from tests.factories.leases import make_lease, make_rate
from tests.integration.web.conftest import Web, send


def test_increases_of_a_day_are_told_with_one_press(web: Web) -> None:
    """D01 holds booth 12 at $2.25 a square foot, D02 booth 13; from January 1 it is $2.50."""
    with transaction(web.sessions) as session:
        mall = session.get_one(Mall, web.house.mall.id)
        booth = add_space(
            session, web.clock.at, mall, "13", kind="booth", zone="front", width_in16=10 * FOOT, depth_in16=10 * FOOT
        )
        amos = session.scalars(select(Dealer).where(Dealer.code == "D02")).one()
        make_lease(session, web.clock.at, mall, amos, [booth], starts_on=date(2026, 11, 1))
        make_rate(session, mall, "2.50", starts_on=date(2027, 1, 1))
    manager = web.browser("manager")
    page = manager.get("/office/leases/MAIN").text
    assert "$225.00, then $250.00 a month" in page
    assert "Write all 2 letters" in page
    assert "Write all" not in web.browser("bookkeeper").get("/office/leases/MAIN").text
    answer = send(manager, "/office/leases/MAIN/letters/increases", on="2027-01-01")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/office/leases/MAIN/letters")
    with transaction(web.sessions) as session:
        written = session.scalars(select(Letter.subject).where(Letter.kind == "increase").order_by(Letter.id)).all()
    assert written == ["Increase of the rent, D01", "Increase of the rent, D02"]
    assert "Increases that come" not in manager.get("/office/leases/MAIN").text
    assert send(manager, "/office/leases/MAIN/letters/increases", on="soon").headers["Location"] == "/office/leases/MAIN"
