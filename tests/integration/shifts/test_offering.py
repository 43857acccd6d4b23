"""Turns offered, answered and taken: what goes, what is refused and in which words, who signs, what it costs, who is told."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from coop.books.queries import dealer_balances_before
from coop.books.service import ensure_period
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job
from coop.dealers.models import Member
from coop.leases.models import Charge
from coop.shifts import attending, lapsing, offer_limits, offering
from coop.shifts.judging import judge
from coop.shifts.models import Availability, Turn
from coop.shifts.offering import Terms
from coop.shifts.turn_models import TurnChange, TurnOffer
from tests.factories.swaps import DECEMBER, Swaps

LATE = datetime(2026, 12, 31, tzinfo=UTC)


@pytest.fixture
def session(sessions: Sessions) -> Session:
    with sessions() as session:
        yield session  # type: ignore[misc]


@pytest.fixture
def yard(session: Session, now: datetime) -> Swaps:
    return Swaps(session, now)


def offer(session: Session, now: datetime, yard: Swaps, day: int, by: str = "D01", **terms: object) -> TurnOffer:
    turn = yard.turn(session, day, opens=by != "D02")
    return offering.offer_turn(session, now, turn, Terms(**terms), member_id=yard.members[by])  # type: ignore[arg-type]


def take(session: Session, now: datetime, yard: Swaps, made: TurnOffer, who: str) -> None:
    offering.take_offer(session, now, made, member_id=yard.members[who], user_id=yard.users[who])


def jobs(session: Session) -> list[str]:
    return [row.args["what"] for row in session.scalars(select(Job).where(Job.kind == "shifts.tell").order_by(Job.id))]


def changes(session: Session, offer_id: int) -> list[tuple[str, int | None, int | None]]:
    rows = session.scalars(select(TurnChange).where(TurnChange.offer_id == offer_id).order_by(TurnChange.id))
    return [(row.how, row.from_member_id, row.to_member_id) for row in rows]


# --- gifts ----------------------------------------------------------------------------------------------------------------


def test_a_gift_goes_to_whoever_takes_it(session: Session, now: datetime, yard: Swaps) -> None:
    made = offer(session, now, yard, 8, words="  Out of\n town ")
    take(session, now, yard, made, "D03")
    turn = yard.turn(session, 8)
    ida, ruth = yard.members["D01"], yard.members["D03"]
    assert (turn.member_id, turn.for_member_id, turn.why) == (ruth, None, "Taken over on Nov 3, 2026.")
    assert (made.state, made.answered_by, made.ended_at, made.words) == ("taken", ruth, now, "Out of town")
    assert changes(session, made.id) == [("given", ida, ruth)]
    assert jobs(session) == ["offered", "taken"]
    assert session.scalar(select(Charge.id)) is None


def test_what_is_taken_is_not_taken_again(session: Session, now: datetime, yard: Swaps) -> None:
    made = offer(session, now, yard, 8)
    take(session, now, yard, made, "D03")
    with pytest.raises(Refusal, match=r"^Desk on Tue, Dec 8, 10 am to 2 pm is taken already, by Ruth Ambler\.$"):
        take(session, now, yard, made, "D02")
    # Pressed twice by whoever has it: nothing more happens.
    take(session, now, yard, made, "D03")
    assert len(changes(session, made.id)) == 1
    assert jobs(session) == ["offered", "taken"]


def test_one_alone_takes_what_is_offered_to_one(session: Session, now: datetime, yard: Swaps) -> None:
    made = offer(session, now, yard, 8, to_member_id=yard.members["D03"])
    with pytest.raises(Refusal, match=r"^This turn is offered to Ruth Ambler alone\.$"):
        take(session, now, yard, made, "D02")
    offering.decline_offer(session, now, made, member_id=yard.members["D03"])
    assert made.state == "withdrawn"
    assert jobs(session) == ["offered", "declined"]
    with pytest.raises(Refusal, match="was withdrawn"):
        take(session, now, yard, made, "D03")


@pytest.mark.parametrize(
    ("who", "day", "said"),
    [
        ("D02", 8, "Amos Pell has more than 1 turn on Tue, Dec 8"),
        ("D04", 8, "Dealer D04 is not trained yet, and nobody trained is there on Tue, Dec 8"),
        ("D01", 8, "This offer is your own"),
    ],
)
def test_a_rule_stands_in_the_way_in_its_own_words(
    session: Session, now: datetime, yard: Swaps, who: str, day: int, said: str
) -> None:
    made = offer(session, now, yard, day)
    with pytest.raises(Refusal, match=said):
        take(session, now, yard, made, who)
    assert said in offer_limits.refusal_to_take(session, now, made, yard.members[who])
    assert offer_limits.refusal_to_take(session, now, made, yard.members["D03"]) == ""


def test_whoever_has_said_never_may_take_a_turn_all_the_same(session: Session, now: datetime, yard: Swaps) -> None:
    said = {"starts_on": date(2026, 12, 1), "ends_on": None, "weekdays": 127, "every_weeks": 1, "from_min": 0, "to_min": 1440}
    session.add(Availability(member_id=yard.members["D03"], kind="never", said_at=now, ended_at=None, **said))
    session.flush()
    take(session, now, yard, offer(session, now, yard, 8), "D03")
    assert yard.turn(session, 8).member_id == yard.members["D03"]


def test_who_has_no_lease_takes_nothing(session: Session, now: datetime, yard: Swaps) -> None:
    stranger = Member(name="Wilma Rook", joined_on=date(2026, 1, 1))
    session.add(stranger)
    session.flush()
    made = offer(session, now, yard, 8)
    with pytest.raises(Refusal, match=r"^Wilma Rook has no lease at Lantern Yard Antiques Hall on Dec 8, 2026\.$"):
        offering.take_offer(session, now, made, member_id=stranger.id)
    with pytest.raises(Refusal, match="Wilma Rook has no lease"):
        offer(session, now, yard, 10, to_member_id=stranger.id)


# --- what may not be offered ----------------------------------------------------------------------------------------------


def test_what_may_not_be_offered(session: Session, now: datetime, yard: Swaps) -> None:
    with pytest.raises(Refusal, match=r"is Ida Fenwick’s turn now: only who has a turn can offer it\.$"):
        offering.offer_turn(session, now, yard.turn(session, 8), Terms(), member_id=yard.members["D03"])
    made = offer(session, now, yard, 8)
    with pytest.raises(Refusal, match="is offered already: withdraw that offer first"):
        offer(session, now, yard, 8)
    with pytest.raises(Refusal, match="only whoever made it"):
        offering.withdraw_offer(session, now, made, member_id=yard.members["D03"])
    offering.withdraw_offer(session, now, made, member_id=yard.members["D01"])
    assert offer(session, now, yard, 8).state == "open"
    with pytest.raises(Refusal, match="That is you"):
        offer(session, now, yard, 10, to_member_id=yard.members["D01"])
    with pytest.raises(Refusal, match="The words have 201 letters"):
        offer(session, now, yard, 10, words="x" * 201)
    turn = yard.turn(session, 10)
    turn.state = "closed"
    with pytest.raises(Refusal, match="The mall does not open for"):
        offer(session, now, yard, 10)


def test_swaps_end_at_the_cut_off(session: Session, now: datetime, yard: Swaps) -> None:
    """24 hours before 10 am in Chicago, which is 16:00 UTC."""
    made = offer(session, now, yard, 8)
    just, ends = datetime(2026, 12, 7, 15, 59, tzinfo=UTC), datetime(2026, 12, 7, 16, 0, tzinfo=UTC)
    assert lapsing.lapse_offers(session, just) == 0
    with pytest.raises(Refusal, match=r"swaps of it ended Mon, Dec 7 at 10 am\. The manager can still move it: ask\.$"):
        take(session, ends, yard, made, "D03")
    with pytest.raises(Refusal, match="swaps of it ended"):
        offer(session, ends, yard, 8)
    assert lapsing.lapse_offers(session, ends) == 1
    assert (made.state, made.ended_at) == ("lapsed", ends)
    assert jobs(session) == ["offered", "lapsed"]
    assert lapsing.lapse_offers(session, ends) == 0
    with pytest.raises(Refusal, match="has run out"):
        take(session, just, yard, made, "D03")


@pytest.mark.parametrize("what", ["closed", "left", "moved"])
def test_an_offer_that_means_nothing_any_more_lapses_without_a_word(
    session: Session, now: datetime, yard: Swaps, what: str
) -> None:
    made = offer(session, now, yard, 8)
    turn = yard.turn(session, 8)
    if what == "closed":
        turn.state = "closed"
    elif what == "left":
        session.get_one(Member, yard.members["D01"]).left_on = date(2026, 11, 30)
    else:
        turn.member_id = yard.members["D03"]
    session.flush()
    assert lapsing.lapse_offers(session, now) == 1
    assert made.state == "lapsed"
    assert jobs(session) == ["offered"]


# --- for money ------------------------------------------------------------------------------------------------------------


def test_a_substitute_is_paid_from_the_one_to_the_other(session: Session, now: datetime, yard: Swaps) -> None:
    made = offer(session, now, yard, 8, pays_cents=40_00)
    take(session, now, yard, made, "D03")
    turn = yard.turn(session, 8)
    assert (turn.member_id, turn.for_member_id) == (yard.members["D03"], yard.members["D01"])
    ida, ruth = yard.dealer(session, "D01"), yard.dealer(session, "D03")
    charged = {c.dealer_id: (c.amount_cents, c.label, c.what) for c in session.scalars(select(Charge))}
    assert charged == {
        ida.id: (40_00, "Turn of Dec 8, worked by D03", f"turn:substitute:{made.id}"),
        ruth.id: (-40_00, "Turn of Dec 8, worked for D01", f"turn:substitute:{made.id}"),
    }
    assert dealer_balances_before(session, yard.mall_id, date(2027, 1, 1)) == {ida.id: -40_00, ruth.id: 40_00}


def test_a_substitute_who_does_not_come_gives_back_what_was_paid(session: Session, now: datetime, yard: Swaps) -> None:
    """$40 from D01 to D03 for December 8; nobody came, so both stand at nothing; written down as worked after all, as before."""
    take(session, now, yard, offer(session, now, yard, 8, pays_cents=40_00), "D03")
    turn, after = yard.turn(session, 8), datetime(2026, 12, 9, 15, 0, tzinfo=UTC)
    ensure_period(session, yard.mall_id, DECEMBER)
    ida, ruth = yard.dealer(session, "D01").id, yard.dealer(session, "D03").id
    stood = {ida: -40_00, ruth: 40_00}

    def stand() -> dict[int, int]:
        return dealer_balances_before(session, yard.mall_id, date(2027, 1, 1))

    attending.write_down(session, after, turn, False, user_id=None)
    assert stand() == stood, "nothing is decided yet"
    for decision in ("excused", "owed"):
        attending.decide(session, after, turn, decision, user_id=None)
        assert stand() == {ida: 0, ruth: 0}
    attending.write_down(session, after, turn, True, user_id=None)
    assert stand() == stood


def test_a_paid_turn_given_on_still_works_off_the_payers(session: Session, now: datetime, yard: Swaps) -> None:
    take(session, now, yard, offer(session, now, yard, 8, pays_cents=40_00), "D03")
    made = offering.offer_turn(session, now, yard.turn(session, 8), Terms(), member_id=yard.members["D03"])
    with pytest.raises(Refusal, match="more than 1 turn on Tue, Dec 8"):
        take(session, now, yard, made, "D02")
    take(session, now, yard, made, "D01")
    assert (yard.turn(session, 8).member_id, yard.turn(session, 8).for_member_id) == (yard.members["D01"], None)


def test_the_house_rules_may_have_no_paid_substitutes(session: Session, now: datetime) -> None:
    yard = Swaps(session, now, paid_substitutes=False)
    with pytest.raises(Refusal, match="The house rules have no paid substitutes"):
        offer(session, now, yard, 8, pays_cents=40_00)
    with pytest.raises(Refusal, match=r"write \$0 to \$1,000\.00"):
        offer(session, now, yard, 8, pays_cents=1_000_01)
    with pytest.raises(Refusal, match="A turn in return is not paid for as well"):
        offer(session, now, yard, 8, pays_cents=1, kind="swap")


# --- a turn in return -----------------------------------------------------------------------------------------------------


def test_two_turns_are_swapped_when_the_named_one_agrees(session: Session, now: datetime, yard: Swaps) -> None:
    """Each has one turn on the other's day before, so that either alone would break a rule: both together do not."""
    back = yard.turn(session, 8, opens=False)
    made = offer(session, now, yard, 8, kind="swap", return_turn_id=back.id)
    assert made.to_member_id == yard.members["D02"]
    take(session, now, yard, made, "D02")
    ida, amos = yard.members["D01"], yard.members["D02"]
    assert (yard.turn(session, 8).member_id, yard.turn(session, 8, opens=False).member_id) == (amos, ida)
    assert changes(session, made.id) == [("swapped", ida, amos), ("swapped", amos, ida)]
    assert not any(one.hard for one in judge(session, yard.rota(session)))


def test_an_answer_waits_for_the_offerer_to_sign(session: Session, now: datetime, yard: Swaps) -> None:
    made = offer(session, now, yard, 8, kind="swap")
    ruth, ida = yard.members["D03"], yard.members["D01"]
    with pytest.raises(Refusal, match="choose which of yours you give"):
        take(session, now, yard, made, "D03")
    given = yard.turn(session, 9)
    offering.answer_offer(session, now, made, given, member_id=ruth)
    assert (made.state, made.return_turn_id, given.member_id) == ("answered", given.id, ruth)
    with pytest.raises(Refusal, match="yet to agree"):
        offering.answer_offer(session, now, made, yard.turn(session, 8, opens=False), member_id=yard.members["D02"])
    with pytest.raises(Refusal, match="yet to agree"):
        take(session, now, yard, made, "D03")
    offering.turn_down(session, now, made, member_id=ida)
    assert (made.state, made.return_turn_id, made.answered_by) == ("open", None, None)
    with pytest.raises(Refusal, match="Nobody has answered"):
        offering.sign_offer(session, now, made, member_id=ida, agreed_turn_id=given.id)
    offering.answer_offer(session, now, made, given, member_id=ruth)
    with pytest.raises(Refusal, match="only whoever made it"):
        offering.sign_offer(session, now, made, member_id=ruth, agreed_turn_id=given.id)
    other = yard.turn(session, 16)
    with pytest.raises(Refusal, match="Another turn is given in return by now"):
        offering.sign_offer(session, now, made, member_id=ida, agreed_turn_id=other.id)
    offering.sign_offer(session, now, made, member_id=ida, agreed_turn_id=given.id, user_id=yard.users["D01"])
    assert (yard.turn(session, 8).member_id, yard.turn(session, 9).member_id, made.state) == (ruth, ida, "taken")
    assert jobs(session) == ["offered", "answered", "declined", "answered", "taken"]


def test_who_has_answered_is_told_that_the_offer_is_withdrawn(session: Session, now: datetime, yard: Swaps) -> None:
    made, ruth = offer(session, now, yard, 8, kind="swap"), yard.members["D03"]
    offering.answer_offer(session, now, made, yard.turn(session, 9), member_id=ruth)
    offering.withdraw_offer(session, now, made, member_id=yard.members["D01"])
    assert (made.state, made.answered_by) == ("withdrawn", None)
    assert jobs(session) == ["offered", "answered", "declined"]
    told = session.scalars(select(Job.args).where(Job.kind == "shifts.tell").order_by(Job.id.desc())).first()
    assert told is not None
    assert (told["by"], told["to"]) == (yard.members["D01"], ruth)


def test_an_answer_that_breaks_a_rule_is_refused_at_once(session: Session, now: datetime, yard: Swaps) -> None:
    made = offer(session, now, yard, 8, kind="swap")
    amos = yard.members["D02"]
    with pytest.raises(Refusal, match="more than 1 turn on"):
        offering.answer_offer(session, now, made, yard.turn(session, 10, opens=False), member_id=amos)
    with pytest.raises(Refusal, match="only who has a turn can offer it"):
        offering.answer_offer(session, now, made, yard.turn(session, 9), member_id=amos)
    with pytest.raises(Refusal, match="nobody else’s"):
        offer(session, now, yard, 10, kind="swap", return_turn_id=yard.turn(session, 15).id)


def test_a_swap_ends_other_offers_of_its_turns_and_opens_what_it_answered(session: Session, now: datetime, yard: Swaps) -> None:
    ida, amos, ruth = (yard.members[code] for code in ("D01", "D02", "D03"))
    given = yard.turn(session, 9)
    other = offering.offer_turn(session, now, given, Terms(), member_id=ruth)
    waiting = offer(session, now, yard, 10, "D02", kind="swap")
    offering.answer_offer(session, now, waiting, given, member_id=ruth)
    made = offer(session, now, yard, 8, kind="swap", return_turn_id=given.id)
    take(session, now, yard, made, "D03")
    assert (other.state, waiting.state, waiting.return_turn_id) == ("lapsed", "open", None)
    assert (given.member_id, yard.turn(session, 8).member_id) == (ida, ruth)
    assert yard.turn(session, 10, opens=False).member_id == amos


def test_for_whom_the_work_is_done_goes_along_with_who_does_it(session: Session, now: datetime, yard: Swaps) -> None:
    """D03 works D01's turn for money, and swaps it: what is worked off is D01's still, in the turn D03 has now."""
    take(session, now, yard, offer(session, now, yard, 8, pays_cents=40_00), "D03")
    back = yard.turn(session, 15, opens=False)
    paid = yard.turn(session, 8)
    swap = Terms("swap", return_turn_id=back.id)
    with pytest.raises(Refusal, match="more than 1 turn on Tue, Dec 8"):
        offering.offer_turn(session, now, paid, swap, member_id=yard.members["D03"])
    yard.turn(session, 8, opens=False).member_id = None
    session.flush()
    made = offering.offer_turn(session, now, paid, swap, member_id=yard.members["D03"])
    take(session, now, yard, made, "D02")
    assert (paid.member_id, paid.for_member_id) == (yard.members["D02"], None)
    assert (back.member_id, back.for_member_id) == (yard.members["D03"], yard.members["D01"])


# --- two at once ----------------------------------------------------------------------------------------------------------


def _race(sessions: Sessions, *bodies: Callable[[Session], object]) -> list[str]:
    """What each was told, sorted, all having begun together; nothing for who was first."""
    gate, told = threading.Barrier(len(bodies)), []

    def run(body: Callable[[Session], object]) -> None:
        gate.wait()
        try:
            with transaction(sessions) as session:
                body(session)
        except Refusal as refusal:
            told.append(str(refusal))
        except BaseException as error:
            told.append(repr(error))
        else:
            told.append("")

    threads = [threading.Thread(target=run, args=(body,), daemon=True) for body in bodies]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    return sorted(told)


def _taking(now: datetime, yard: Swaps, offer_id: int, who: str) -> Callable[[Session], None]:
    def body(session: Session) -> None:
        take(session, now, yard, session.get_one(TurnOffer, offer_id), who)

    return body


def test_of_two_who_press_together_one_takes_it(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        offers = [offer(session, now, yard, day, pays_cents=10_00).id for day in (10, 17, 22)]
        for day in (10, 17, 22):
            yard.turn(session, day, opens=False).member_id = None
    for offer_id in offers:
        said = _race(sessions, _taking(now, yard, offer_id, "D02"), _taking(now, yard, offer_id, "D03"))
        assert said[0] == ""
        assert "is taken already, by " in said[1]
        with transaction(sessions) as session:
            made = session.get_one(TurnOffer, offer_id)
            turn = session.get_one(Turn, made.turn_id)
            assert turn.member_id == made.answered_by
            assert len(changes(session, offer_id)) == 1
            kept = session.scalars(select(Charge).where(Charge.what == f"turn:substitute:{offer_id}")).all()
            assert sorted(c.amount_cents for c in kept) == [-10_00, 10_00]


def test_two_offers_taken_at_once_by_one_are_judged_together(sessions: Sessions, now: datetime) -> None:
    """Both on one day: each alone would do, the two would be more than a turn a day."""
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        both = [offer(session, now, yard, 8, by).id for by in ("D01", "D02")]
    said = _race(sessions, *(_taking(now, yard, offer_id, "D03") for offer_id in both))
    assert said[0] == ""
    assert "Ruth Ambler has more than 1 turn on Tue, Dec 8" in said[1]


def test_two_who_ask_each_other_for_the_same_swap_swap_once(sessions: Sessions, now: datetime) -> None:
    """Each offers the own turn for the other's, and both press at once: nobody waits for ever, and they are swapped once."""
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        mine, theirs = yard.turn(session, 8), yard.turn(session, 8, opens=False)
        both = [
            offer(session, now, yard, 8, "D01", kind="swap", return_turn_id=theirs.id).id,
            offer(session, now, yard, 8, "D02", kind="swap", return_turn_id=mine.id).id,
        ]
    said = _race(sessions, _taking(now, yard, both[0], "D02"), _taking(now, yard, both[1], "D01"))
    assert said[0] == ""
    assert "has run out" in said[1]
    with transaction(sessions) as session:
        assert yard.turn(session, 8).member_id == yard.members["D02"]
        assert sorted(session.get_one(TurnOffer, one).state for one in both) == ["lapsed", "taken"]


def test_a_turn_nobody_has_is_taken_by_one_of_two(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        turn_id = yard.turn(session, 11).id

    def taking(who: str) -> Callable[[Session], None]:
        return lambda session: offering.take_free_turn(
            session, now, session.get_one(Turn, turn_id), member_id=yard.members[who], user_id=yard.users[who]
        )

    said = _race(sessions, taking("D01"), taking("D03"))
    assert said[0] == ""
    assert "is taken already, by " in said[1]
    with transaction(sessions) as session:
        assert session.get_one(Turn, turn_id).member_id in (yard.members["D01"], yard.members["D03"])
        with pytest.raises(Refusal, match="Dealer D04 is not trained yet"):
            offering.take_free_turn(session, now, yard.turn(session, 14), member_id=yard.members["D04"])
        with pytest.raises(Refusal, match="has begun"):
            offering.take_free_turn(session, LATE, yard.turn(session, 14), member_id=yard.members["D01"])


def test_taking_and_withdrawing_at_once_leave_one_of_the_two(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        offer_id = offer(session, now, yard, 8).id

    def withdrawing(session: Session) -> None:
        offering.withdraw_offer(session, now, session.get_one(TurnOffer, offer_id), member_id=yard.members["D01"])

    said = _race(sessions, _taking(now, yard, offer_id, "D03"), withdrawing)
    assert said[0] == ""
    assert "is taken already" in said[1] or "was withdrawn" in said[1]
    with transaction(sessions) as session:
        made = session.get_one(TurnOffer, offer_id)
        has = yard.turn(session, 8).member_id
        assert has == (yard.members["D03"] if made.state == "taken" else yard.members["D01"])


def test_the_job_that_lapses_leaves_what_is_being_taken(sessions: Sessions, now: datetime) -> None:
    with transaction(sessions) as session:
        yard = Swaps(session, now)
        offer_id = offer(session, now, yard, 8).id
    ends = datetime(2026, 12, 7, 16, 0, tzinfo=UTC)
    said = _race(
        sessions,
        _taking(ends - timedelta(seconds=1), yard, offer_id, "D03"),
        lambda session: lapsing.lapse_offers(session, ends),
    )
    assert said[0] == ""
    with transaction(sessions) as session:
        state = session.get_one(TurnOffer, offer_id).state
        assert (state, yard.turn(session, 8).member_id) in (("taken", yard.members["D03"]), ("lapsed", yard.members["D01"]))
