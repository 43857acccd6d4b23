"""Two managers at once, each in a transaction of its own that commits: one is first, the other is told in a sentence."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import date, datetime
from decimal import Decimal

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall, Space
from coop.leases.agreements import make_lease
from coop.leases.asking import ask_for_space
from coop.leases.changing import resize_space
from coop.leases.holding import insert_span, lock
from coop.leases.leaving import give_notice, take_back_notice
from coop.leases.letters import write_agreement
from coop.leases.models import Charge, Dispute, Lease, LeaseSpace, Letter, Offer, Waiting
from coop.leases.offering import accept_offer, decline_offer, make_offer
from coop.leases.posting import post_rents
from coop.leases.settling import close_dispute, open_dispute
from tests.integration.leases.conftest import Yard

POSTGRESQL = pytest.mark.parametrize(
    "database_url", [pytest.param("postgresql", marks=pytest.mark.postgres)], indirect=True, ids=["postgresql"]
)


class Told(threading.Thread):
    """Somebody's transaction, and the sentence it was refused with; empty when it was done. Any other error is the test's."""

    def __init__(self, sessions: Sessions, body: Callable[[Session], object], gate: threading.Barrier) -> None:
        super().__init__(daemon=True)
        self.sessions, self.body, self.gate = sessions, body, gate
        self.said = ""
        self.error: BaseException | None = None
        self.start()

    def run(self) -> None:
        self.gate.wait()
        try:
            with transaction(self.sessions) as session:
                self.body(session)
        except Refusal as refusal:
            self.said = str(refusal)
        except BaseException as error:
            self.error = error

    def answer(self) -> str:
        self.join(60)
        assert not self.is_alive()
        if self.error is not None:
            raise self.error
        return self.said


def race(sessions: Sessions, *bodies: Callable[[Session], object]) -> Sequence[str]:
    """What each was told, sorted, all having begun together."""
    gate = threading.Barrier(len(bodies))

    threads = [Told(sessions, body, gate) for body in bodies]
    return sorted(thread.answer() for thread in threads)


@pytest.fixture
def ids(sessions: Sessions, now: datetime) -> dict[str, int]:
    """A yard that is committed: its mall, spaces 11 to 15 and dealers by code."""
    with transaction(sessions) as session:
        yard = Yard(session, now)
        named = {code: space.id for code, space in yard.spaces.items()}
        return named | {code: dealer.id for code, dealer in yard.dealers.items()} | {"mall": yard.mall.id}


def leasing(now: datetime, ids: dict[str, int], dealer: str, *spaces: str) -> Callable[[Session], Lease]:
    def body(session: Session) -> Lease:
        return make_lease(
            session,
            now,
            session.get_one(Mall, ids["mall"]),
            session.get_one(Dealer, ids[dealer]),
            starts_on=date(2026, 12, 1),
            commission_percent=Decimal(10),
            spaces=[session.get_one(Space, ids[code]) for code in spaces],
        )

    return body


def test_one_space_is_leased_once_whoever_asks_in_which_order(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    """Two spaces each, asked for the other way round: nobody waits for ever, and the second is told who was first."""
    for _ in range(3):
        said = race(sessions, leasing(now, ids, "D01", "11", "12"), leasing(now, ids, "D02", "12", "11"))
        assert said[0] == ""
        assert "is leased already in these dates, to D0" in said[1]
        with transaction(sessions) as session:
            assert session.scalar(select(func.count(LeaseSpace.id))) == 2
            session.execute(text("DELETE FROM lease_space"))
            session.execute(text("DELETE FROM lease"))


@POSTGRESQL
def test_who_did_not_see_the_other_is_told_by_the_database(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    """The exclusion constraint's own refusal, met without any lock or look, is the same sentence."""
    with transaction(sessions) as session:
        lease_id = leasing(now, ids, "D01", "12")(session).id
    for holder, code, error, said in (
        (lease_id, "12", Refusal, "Space 12 is leased already in these dates: end that lease first"),
        (-1, "13", IntegrityError, "fk_lease_space_lease_id"),
    ):
        with sessions() as session:
            span = LeaseSpace(
                lease_id=holder, space_id=ids[code], starts_on=date(2027, 1, 1), ends_on=None, leased_area_sqft100=100
            )
            with pytest.raises(error, match=said):
                insert_span(session, span, session.get_one(Space, ids[code]))


def test_a_space_is_offered_to_one(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        mall = session.get_one(Mall, ids["mall"])
        askers = [ask_for_space(session, now, mall, session.get_one(Dealer, ids[code]).member).id for code in ("D01", "D02")]

    def offering(waiting_id: int) -> Callable[[Session], Offer]:
        return lambda session: make_offer(
            session, now, session.get_one(Space, ids["12"]), session.get_one(Waiting, waiting_id), reason="as agreed"
        )

    said = race(sessions, *(offering(waiting_id) for waiting_id in askers))
    assert said == ["", "Booth 12 is offered to another: wait for the answer or let that offer run out."]
    with transaction(sessions) as session:
        assert sorted(session.scalars(select(Waiting.state))) == ["offered", "waiting"]


def test_an_offer_is_answered_once(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        asked = ask_for_space(session, now, session.get_one(Mall, ids["mall"]), session.get_one(Dealer, ids["D01"]).member)
        offer_id = make_offer(session, now, session.get_one(Space, ids["12"]), asked).id
    said = race(
        sessions,
        lambda session: accept_offer(session, now, session.get_one(Offer, offer_id)),
        lambda session: decline_offer(session, now, session.get_one(Offer, offer_id)),
    )
    assert said[0] == ""
    assert said[1] in ("The offer of Booth 12 was accepted already: make a new offer.", _DECLINED)


_DECLINED = "The offer of Booth 12 was declined already: make a new offer."


def test_a_promised_space_is_not_taken_back(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    """One takes the notice back while another leases the space from the day after: one of them is told."""
    with transaction(sessions) as session:
        lease = leasing(now, ids, "D01", "12")(session)
        lease.starts_on = date(2026, 6, 1)
        session.scalars(select(LeaseSpace)).one().starts_on = date(2026, 6, 1)
        assert give_notice(session, now, lease, by="dealer", given_on=date(2026, 10, 1)) == date(2026, 10, 31)
        lease_id = lease.id
        lease.ends_on = session.scalars(select(LeaseSpace)).one().ends_on = date(2026, 11, 30)
    said = race(
        sessions,
        lambda session: take_back_notice(session, now, session.get_one(Lease, lease_id)),
        leasing(now, ids, "D02", "12"),
    )
    assert said[0] == ""
    assert "is promised to another" in said[1] or "is leased already" in said[1]


def test_a_span_is_changed_by_one_and_then_by_the_other(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    """Both grow the same span from the same day: the second finds a span that ends the day before."""
    with transaction(sessions) as session:
        leasing(now, ids, "D01", "12")(session)
        held_id = session.scalars(select(LeaseSpace.id)).one()
    day = date(2027, 2, 1)
    said = race(
        sessions,
        *(
            lambda session, area=area: resize_space(session, now, session.get_one(LeaseSpace, held_id), on=day, area_sqft100=area)
            for area in (9000, 15000)
        ),
    )
    assert said[0] == ""
    assert said[1].startswith("Booth 12 is held like this from Dec 1, 2026 through Jan 31, 2027: choose a day among these")
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(LeaseSpace.id))) == 2


@POSTGRESQL
def test_rent_is_posted_while_a_lease_is_held(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    """Who settles a lease holds it, then wants the mall; who posts rent holds the mall, and must not wait for the lease."""
    with transaction(sessions) as session:
        lease_id = leasing(now, ids, "D01", "12")(session).id
    with sessions() as settling, sessions() as posting:
        lock(settling, settling.get_one(Lease, lease_id))
        posting.execute(text("SET LOCAL lock_timeout = '2s'"))
        assert post_rents(posting, now, posting.get_one(Mall, ids["mall"]), Month(2026, 12)) == 1


def test_a_dispute_is_raised_and_decided_once(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        leasing(now, ids, "D01", "12")(session)
        post_rents(session, now, session.get_one(Mall, ids["mall"]), Month(2026, 12))
        charge_id = session.scalars(select(Charge.id)).one()
    on = date(2026, 12, 31)

    def raising(session: Session) -> Dispute:
        return open_dispute(session, session.get_one(Charge, charge_id), on=on, reason="not mine")

    def deciding(session: Session) -> None:
        close_dispute(session, session.scalars(select(Dispute)).one(), on=on, outcome="it stands")

    assert race(sessions, raising, raising) == ["", "Booth 12 is in dispute since Dec 31, 2026 already."]
    assert race(sessions, deciding, deciding) == ["", "The dispute was decided on Dec 31, 2026 already."]


def test_a_letter_is_written_once_by_two(sessions: Sessions, now: datetime, ids: dict[str, int]) -> None:
    with transaction(sessions) as session:
        lease_id = leasing(now, ids, "D01", "12")(session).id

    def writing(session: Session) -> Letter:
        return write_agreement(session, now, session.get_one(Lease, lease_id))

    assert race(sessions, writing, writing) == ["", ""]
    with transaction(sessions) as session:
        assert session.scalar(select(func.count(Letter.id))) == 1
