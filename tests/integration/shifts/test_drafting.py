"""A rota drafted: the job from the asking to the turns, on both databases; and what stands in the way of one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import select

from coop.core.audit import AuditLog
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.jobs import Job, claim_next, run_job
from coop.core.periods import Month
from coop.dealers.models import Dealer
from coop.floor.models import Mall
from coop.shifts import drafting
from coop.shifts.drafting import ask_draft, draft, is_drafted_now, stop_draft
from coop.shifts.judging import judge, would_break
from coop.shifts.models import Availability, Rota, Turn, TurnFact, TurnPair
from coop.shifts.planning import count_up
from tests.factories.leases import make_lease, make_rate, make_space
from tests.factories.people import make_coop, make_dealer, make_mall
from tests.factories.turns import lay_fact, lay_mall, lay_published, lay_rota, turns_of

DECEMBER = Month(2026, 12)
LEASE = timedelta(seconds=60)
CODES = tuple(f"D{n:02d}" for n in range(1, 9))


class Hall:
    """A mall of eight dealers who all hold keys but D07 and D08, who are not trained either. Its rota of December."""

    def __init__(self, sessions: Sessions, now: datetime) -> None:
        self.sessions, self.now = sessions, now
        with transaction(sessions) as session:
            make_coop(session, now)
            mall = make_mall(session, now)
            make_rate(session, mall)
            lay_mall(session, mall, owed_base=Decimal(6), most_week=4, silence="free")
            self.members: dict[str, int] = {}
            for code in CODES:
                dealer = make_dealer(session, now, code)
                make_lease(session, now, mall, dealer, [make_space(session, now, mall, code)])
                self.members[code] = dealer.member_id
                if code not in ("D07", "D08"):
                    lay_fact(session, dealer.member_id, "trained")
                    lay_fact(session, dealer.member_id, "keys")
            self.rota_id = lay_rota(session, mall, DECEMBER).id

    def says(
        self,
        code: str,
        kind: str,
        *,
        starts_on: date,
        ends_on: date | None = None,
        weekdays: int = 127,
        from_min: int = 0,
        to_min: int = 1440,
    ) -> None:
        with transaction(self.sessions) as session:
            session.add(
                Availability(
                    member_id=self.members[code],
                    kind=kind,
                    starts_on=starts_on,
                    ends_on=ends_on,
                    weekdays=weekdays,
                    every_weeks=1,
                    from_min=from_min,
                    to_min=to_min,
                    said_at=self.now,
                    ended_at=None,
                )
            )

    def draft(self, *, seconds: int = 20, seed: int | None = 7, meanwhile: Callable[[], None] = lambda: None) -> Job:
        with transaction(self.sessions) as session:
            ask_draft(session, self.now, session.get_one(Rota, self.rota_id), seconds=seconds, seed=seed)
        with transaction(self.sessions) as session:
            claimed = claim_next(session, self.now, LEASE)
        assert claimed is not None
        meanwhile()
        run_job(self.sessions, claimed[0], lease=LEASE, token=claimed[1], clock=lambda: self.now)
        with transaction(self.sessions) as session:
            return session.get_one(Job, claimed[0])

    def who(self) -> dict[int, int | None]:
        with transaction(self.sessions) as session:
            return {turn.id: turn.member_id for turn in turns_of(session, session.get_one(Rota, self.rota_id))}


@pytest.fixture
def hall(sessions: Sessions, now: datetime) -> Hall:
    return Hall(sessions, now)


def test_a_draft_covers_the_month_by_the_rules_and_shares_it_out(hall: Hall) -> None:
    """December 2026 has 26 open days but Christmas is open too here (nobody chose): 27 of Monday to Saturday, four Saturdays.

    27 mornings, 27 afternoons and 4 Saturdays on the floor are 58 turns. The desk is the six key holders': nine each; the two
    who are not trained have the Saturdays, two each.
    """
    assert hall.draft().state == "done"
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        assert judge(session, rota) == []
        assert rota.outcome is not None
        assert (rota.outcome["covered"], rota.outcome["turns"], rota.outcome["uncovered"]) == (58, 58, [])
        assert [tier["name"] for tier in rota.outcome["tiers"]] == ["cover", "availability", "holidays", "fairness", "wishes"]
        assert rota.outcome["tiers"][0]["proven"]
        assert rota.drafted_at == hall.now
        assert all(turn.why for turn in turns_of(session, rota))
    counts = Counter(hall.who().values())
    assert [counts[hall.members[code]] for code in CODES] == [9, 9, 9, 9, 9, 9, 2, 2]


def test_never_is_kept_and_the_hours_it_leaves_uncovered_say_who_is_missing_and_why(hall: Hall) -> None:
    christmas_eve = date(2026, 12, 24)
    for code in CODES:
        hall.says(code, "never", starts_on=christmas_eve, ends_on=christmas_eve)
    assert hall.draft().state == "done"
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        on_the_day = [turn.member_id for turn in turns_of(session, rota) if turn.on_date == christmas_eve]
        assert on_the_day == [None, None]
        others = [turn.member_id for turn in turns_of(session, rota) if turn.on_date != christmas_eve]
        assert None not in others
        assert rota.outcome is not None
        told = rota.outcome["uncovered"]
        assert [one["what"] for one in told] == ["turn", "turn"], "a key holder is not missed where nobody stands"
        assert [(one["day"], one["hours"], one["missing"]) for one in told] == [
            ("2026-12-24", "10 am to 2 pm", 1),
            ("2026-12-24", "2 to 6 pm", 1),
        ]
        assert told[0]["why"][0]["words"] == "said never"
        assert {one.rule for one in judge(session, rota) if one.hard} == set()


def test_locks_stay_and_contradictory_ones_are_named_and_the_rest_is_drafted(hall: Hall) -> None:
    with transaction(hall.sessions) as session:
        turns = turns_of(session, session.get_one(Rota, hall.rota_id))
        first, second, later = turns[0], turns[1], turns[10]
        for turn in (first, second, later):
            turn.member_id, turn.locked = hall.members["D01"], True
        ids = [first.id, second.id, later.id]
    hall.draft()
    who = hall.who()
    assert {who[each] for each in ids} == {hall.members["D01"]}
    assert None not in who.values()
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        assert rota.outcome is not None
        assert len(rota.outcome["conflicts"]) == 1
        assert "Tue, Dec 1" in rota.outcome["conflicts"][0]
        assert "Unlock one of them" in rota.outcome["conflicts"][0]
        assert "turns a day" in {one.rule for one in judge(session, rota)}


def test_whoever_stays_by_a_lock_that_was_left_out_is_given_nothing_else_at_that_time(hall: Hall) -> None:
    """D01 is locked twice on a Saturday, at the desk from opening to closing; and D01 alone could have the floor."""
    saturday = date(2026, 12, 5)
    for code in CODES[3:]:
        hall.says(code, "never", starts_on=saturday, ends_on=saturday)
    with transaction(hall.sessions) as session:
        turns = turns_of(session, session.get_one(Rota, hall.rota_id))
        at_desk = [turn for turn in turns if turn.on_date == saturday and turn.needs_keys]
        for turn in at_desk:
            turn.member_id, turn.locked = hall.members["D01"], True
        ids = [turn.id for turn in at_desk]
        floor = next(turn.id for turn in turns if turn.on_date == saturday and not turn.needs_keys)
    for code, begins, ends in (("D02", 1020, 1440), ("D03", 0, 660)):
        hall.says(code, "never", starts_on=saturday, ends_on=saturday, from_min=begins, to_min=ends)
    assert hall.draft().state == "done"
    who = hall.who()
    assert len(ids) == 2
    assert {who[each] for each in ids} == {hall.members["D01"]}
    assert who[floor] is None


def test_drafted_again_after_a_small_change_few_are_moved(hall: Hall) -> None:
    hall.draft()
    before = hall.who()
    hall.says("D03", "never", starts_on=date(2026, 12, 14), ends_on=date(2026, 12, 15))
    hall.draft()
    after = hall.who()
    assert sum(before[turn] != after[turn] for turn in before) <= 6
    assert None not in after.values()


def test_a_seed_gives_the_same_draft_again(hall: Hall) -> None:
    hall.draft(seed=3)
    first = hall.who()
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        rota.drafted_at = None
        for turn in turns_of(session, rota):
            turn.member_id = None
    hall.draft(seed=3)
    assert hall.who() == first


def test_a_rota_that_was_changed_while_it_was_drafted_is_left_as_it_is(hall: Hall, monkeypatch: pytest.MonkeyPatch) -> None:
    def and_then_move(*given: Any, **more: Any) -> Any:
        found = draft(*given, **more)
        with transaction(hall.sessions) as session:
            rota = session.get_one(Rota, hall.rota_id)
            turns_of(session, rota)[0].member_id = hall.members["D01"]
            count_up(session, rota)
        return found

    monkeypatch.setattr(drafting, "draft", and_then_move)
    job = hall.draft(seconds=5)
    assert (job.state, job.error) == (
        "failed",
        "The rota of December 2026 was changed while it was drafted, and the draft is left: draft it again.",
    )
    assert [member for member in hall.who().values() if member] == [hall.members["D01"]]


def test_a_second_draft_at_a_time_and_one_of_a_published_rota_are_refused(hall: Hall) -> None:
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        ask_draft(session, hall.now, rota)
        assert is_drafted_now(session, rota)
        with pytest.raises(Refusal, match="A draft of December 2026 is under way"):
            ask_draft(session, hall.now, rota)
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        lay_published(session, rota, hall.now)
        with pytest.raises(Refusal, match="December 2026 is published"):
            ask_draft(session, hall.now, rota)


@pytest.mark.parametrize(
    ("seconds", "seed", "said"), [(0, None, "The seconds are 0"), (601, None, "601"), (5, -1, "The seed is -1")]
)
def test_times_and_seeds_that_cannot_be_meant_are_refused(hall: Hall, seconds: int, seed: int | None, said: str) -> None:
    with transaction(hall.sessions) as session:
        with pytest.raises(Refusal, match=said):
            ask_draft(session, hall.now, session.get_one(Rota, hall.rota_id), seconds=seconds, seed=seed)


def test_a_draft_that_is_stopped_before_it_began_changes_nothing(hall: Hall) -> None:
    def stop() -> None:
        with transaction(hall.sessions) as session:
            stop_draft(session, hall.now, session.get_one(Rota, hall.rota_id))

    with transaction(hall.sessions) as session:
        with pytest.raises(Refusal, match="No draft of December 2026 is under way"):
            stop_draft(session, hall.now, session.get_one(Rota, hall.rota_id))
    assert hall.draft(seconds=600, seed=None, meanwhile=stop).state == "done"
    with transaction(hall.sessions) as session:
        assert session.scalars(select(AuditLog.subject_id).where(AuditLog.action == "draft stopped")).all() == ["MAIN 2026-12"]
    assert set(hall.who().values()) == {None}


def test_a_member_with_leases_in_two_malls_is_at_one_of_them_at_a_time(hall: Hall) -> None:
    """At the barn D01 and D02 alone have leases: each of its 54 desk turns is one of theirs or nobody's, and none is doubled."""
    hall.draft()
    with transaction(hall.sessions) as session:
        barn = make_mall(session, hall.now, "BARN")
        lay_mall(session, barn, owed_base=Decimal(4), most_week=4)
        from_hall = session.scalars(select(Turn).where(Turn.rota_id == hall.rota_id)).all()
        taken = {(turn.member_id, turn.on_date) for turn in from_hall}
        make_rate(session, barn)
        for code in CODES[:2]:
            dealer = session.scalars(select(Dealer).where(Dealer.code == code)).one()
            make_lease(session, hall.now, barn, dealer, [make_space(session, hall.now, barn, f"B{code}")])
        hall.rota_id = lay_rota(session, barn, DECEMBER).id
    hall.draft()
    with transaction(hall.sessions) as session:
        there = turns_of(session, session.get_one(Rota, hall.rota_id))
        assert any(turn.member_id for turn in there)
        assert not {(turn.member_id, turn.on_date) for turn in there if turn.member_id} & taken


def test_two_turns_swapped_over_the_end_of_a_month_are_judged_as_they_are_then(hall: Hall) -> None:
    """D01 has four turns in the last week of the year, the most there may be, and swaps one of December for one of January."""
    with transaction(hall.sessions) as session:
        december = session.get_one(Rota, hall.rota_id)
        january = lay_rota(session, session.get_one(Mall, december.mall_id), DECEMBER.next)
        opening = {
            turn.on_date: turn
            for rota in (december, january)
            for turn in turns_of(session, rota)
            if turn.needs_keys and turn.opens
        }
        mine, given = date(2026, 12, 31), date(2027, 1, 1)
        for on in (date(2026, 12, 28), date(2026, 12, 29), mine, date(2027, 1, 2)):
            opening[on].member_id = hall.members["D01"]
        opening[given].member_id = hall.members["D02"]
        session.flush()
        swapped = {opening[mine].id: hall.members["D02"]}
        assert would_break(session, opening[given], hall.members["D01"], also=swapped) == []
        assert {one.rule for one in would_break(session, opening[given], hall.members["D01"])} == {"turns a week"}


def test_one_more_turn_is_judged_in_words(hall: Hall) -> None:
    hall.says("D02", "never", starts_on=date(2026, 12, 2), ends_on=date(2026, 12, 2))
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        turns = turns_of(session, rota)
        one, two, three = hall.members["D01"], hall.members["D02"], hall.members["D07"]
        session.add(TurnPair(one_id=min(one, two), other_id=max(one, two), how="apart", starts_on=date(2026, 1, 1)))
        saturday = [turn for turn in turns if turn.on_date == date(2026, 12, 5)]
        desk, later = (turn for turn in saturday if turn.needs_keys)
        floor = next(turn for turn in saturday if not turn.needs_keys)
        desk.member_id, later.member_id = one, hall.members["D03"]
        turns[0].member_id = one
        session.flush()
        said = {member: [b.words for b in would_break(session, floor, member) if b.hard] for member in (one, two, three)}
        assert said[one] == [
            "Ida Fenwick has two turns at the same time on Sat, Dec 5.",
            "Ida Fenwick has more than 1 turn on Sat, Dec 5.",
        ]
        assert said[two] == ["Ida Fenwick and Amos Pell are not to work together, and are on Sat, Dec 5."]
        assert said[three] == []
        wednesday = next(turn for turn in turns if turn.on_date == date(2026, 12, 2))
        assert [b.words for b in would_break(session, wednesday, two) if b.hard] == [
            "Amos Pell said never for Wed, Dec 2, 10 am to 2 pm."
        ]
        assert {b.rule for b in would_break(session, wednesday, three) if b.hard} == {"beside", "keys"}


def test_who_is_trained_in_the_middle_of_a_month_stands_alone_from_that_day_on(hall: Hall) -> None:
    """D07 is trained and has a key from the 15th on; D01's key is given back on the 20th."""
    with transaction(hall.sessions) as session:
        trained, back = date(2026, 12, 15), date(2026, 12, 20)
        for kind in ("trained", "keys"):
            lay_fact(session, hall.members["D07"], kind, starts_on=trained)
        session.scalars(
            select(TurnFact).where(TurnFact.member_id == hall.members["D01"], TurnFact.kind == "keys")
        ).one().ends_on = back
        mornings = {turn.on_date.day: turn for turn in turns_of(session, session.get_one(Rota, hall.rota_id)) if turn.opens}

        def broken(code: str, day: int) -> set[str]:
            return {b.rule for b in would_break(session, mornings[day], hall.members[code]) if b.hard}

        assert [broken("D07", day) for day in (14, 15)] == [{"beside", "keys"}, set()]
        assert [broken("D01", day) for day in (19, 21)] == [set(), {"keys"}]
        never = [code for code in CODES if code != "D07"]
    for code in never:
        hall.says(code, "never", starts_on=date(2026, 12, 1), ends_on=date(2026, 12, 31))
    assert hall.draft().state == "done"
    with transaction(hall.sessions) as session:
        seated = [turn for turn in turns_of(session, session.get_one(Rota, hall.rota_id)) if turn.member_id is not None]
        assert {turn.member_id for turn in seated} == {hall.members["D07"]}
        assert min(turn.on_date for turn in seated) == trained


def test_a_pair_is_kept_apart_from_its_first_day_to_its_last(hall: Hall) -> None:
    """On Saturdays the floor is beside the desk: from the 12th to the 19th D01 and D02 are not to be there together."""
    with transaction(hall.sessions) as session:
        rota = session.get_one(Rota, hall.rota_id)
        one, two = sorted((hall.members["D01"], hall.members["D02"]))
        pair = TurnPair(one_id=one, other_id=two, how="apart", starts_on=date(2026, 12, 12), ended_on=date(2026, 12, 19))
        # A pair that was ended on its first day never held.
        never = TurnPair(one_id=one, other_id=two, how="apart", starts_on=date(2026, 12, 5), ended_on=date(2026, 12, 4))
        session.add_all([pair, never])
        floor = {}
        for turn in turns_of(session, rota):
            if turn.opens and turn.closes:
                floor[turn.on_date.day] = turn
            elif turn.opens and turn.on_date.weekday() == 5:
                turn.member_id = hall.members["D01"]
        session.flush()
        apart = [day for day, turn in floor.items() if "apart" in {b.rule for b in would_break(session, turn, two)}]
        assert (sorted(floor), apart) == ([5, 12, 19, 26], [12, 19])
