"""Members of a rota on the office's pages: what their turns go by, who is trained, who helps, which pairs stand together."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import select

from coop.core.db import transaction
from coop.shifts.models import Turn, TurnFact, TurnHelper, TurnPair
from coop.shifts.people import fact_rows
from tests.integration.web.conftest import Web, send
from tests.integration.web.test_rota_house import MAIN, member_id, read, said, told


def test_members_are_listed_with_what_turns_go_by(web: Web) -> None:
    page = said(web, f"{MAIN}/people")
    assert "D01 Ida Fenwick Treasurer, 1 turn less, since Jan 1, 2026 helped by Rufus Fenwick yes yes 3 −1" in page
    assert "D02 Amos Pell yes yes 4" in page
    assert "Ida Fenwick and Amos Pell would like to work together" in page


def test_members_are_sorted_narrowed_and_taken_away(web: Web) -> None:
    amos = member_id(web, "D02")
    with transaction(web.sessions) as session:
        for row in session.scalars(select(TurnFact).where(TurnFact.member_id == amos, TurnFact.kind == "trained")):
            session.delete(row)
    browser = web.browser("auditor")

    def codes(**asked: str) -> list[str]:
        answer = browser.get(f"{MAIN}/people", query_string=asked | {"as": "csv"})
        assert answer.headers["Content-Disposition"] == "attachment; filename=members-MAIN-2026-11-03.csv"
        return [line.split(",")[0] for line in answer.text.splitlines()[1:]]

    assert codes() == ["D01", "D02"]
    assert codes(sort="-member") == ["D02", "D01"]
    assert codes(sort="-owes") == ["D02", "D01"], "4 and 3"
    assert codes(sort="balance") == ["D01", "D02"], "-1 and 0"
    assert codes(find="d02 amos") == ["D02"]
    assert [codes(who=kind) for kind in ("untrained", "keyless", "spared", "behind")] == [["D02"], [], ["D01"], ["D01"]]
    whole = browser.get(f"{MAIN}/people", query_string={"as": "csv"}).text.splitlines()
    assert whole[0] == "Code,Member,Trained,Key,Office or exempt,Helpers,Owes,Balance"
    assert whole[2] == "D02,Amos Pell,no,yes,,,4,0"
    page = said(web, f"{MAIN}/people?find=nobody")
    assert "There is none like it." in page
    assert "Nobody has a lease" not in page


def test_members_stand_on_pages_and_what_is_written_down_leads_back_to_its_own(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coop.core.listing.PAGE", 1)
    amos, browser = member_id(web, "D02"), web.browser("manager")
    with transaction(web.sessions) as session:
        for row in session.scalars(select(TurnFact).where(TurnFact.member_id == amos)):
            session.delete(row)
    page = browser.get(f"{MAIN}/people?page=2").text
    assert "D02 Amos Pell" in page
    assert "D01 Ida Fenwick" not in page
    assert 'action="/office/rota/MAIN/people/many?page=2"' in page
    answer = send(browser, f"{MAIN}/people/many?page=2", kind="keys", members=[str(amos)], starts_on="soon")
    assert told(answer) == {"starts_on": "This is not a day. Write it like 2026-10-19."}
    assert "D02 Amos Pell" in answer.text
    assert answer.text.count(" checked") == 1
    answer = send(browser, f"{MAIN}/people/many?page=2&as=csv", kind="keys", members=[str(amos)], starts_on="soon")
    assert (answer.status_code, answer.mimetype) == (422, "text/html"), "what is refused is shown on its page"
    answer = send(browser, f"{MAIN}/people/many?page=2", kind="keys", members=[str(amos)], starts_on="2026-11-03")
    assert answer.headers["Location"] == f"{MAIN}/people?page=2"


def test_many_are_trained_at_once_and_who_is_already_is_left(web: Web) -> None:
    ida, amos = member_id(web, "D01"), member_id(web, "D02")
    with transaction(web.sessions) as session:
        for row in session.scalars(select(TurnFact).where(TurnFact.member_id == amos)):
            session.delete(row)
    browser = web.browser("manager")
    answer = send(browser, f"{MAIN}/people/many", kind="keys", starts_on="2026-11-03")
    assert "Tick one member at least, in the list above." in answer.text
    answer = send(browser, f"{MAIN}/people/many", kind="keys", members=[str(ida), str(amos)], starts_on="soon")
    assert told(answer) == {"starts_on": "This is not a day. Write it like 2026-10-19."}
    assert answer.text.count(" checked") == 2, "who was ticked stays ticked"
    send(browser, f"{MAIN}/people/many", kind="keys", members=[str(ida), str(amos), "999999"], starts_on="2026-11-03")
    assert "1 member is written down as holding a key." in browser.get(f"{MAIN}/people").text
    with transaction(web.sessions) as session:
        facts = session.scalars(select(TurnFact).where(TurnFact.member_id == amos)).all()
        assert [(row.kind, row.mall_id) for row in facts] == [("keys", web.house.mall.id)]


def test_a_fact_is_written_down_and_ended(web: Web) -> None:
    browser, amos = web.browser("manager"), member_id(web, "D02")
    fact = {"kind": "exempt", "words": "abroad", "where": "every", "starts_on": "2026-11-10", "ends_on": "2026-11-20"}
    answer = send(browser, f"{MAIN}/people/{amos}/facts", **fact | {"ends_on": "2026-11-01"})
    assert told(answer) == {"ends_on": "It ends before it begins: write a later day, or leave it empty."}
    answer = send(browser, f"{MAIN}/people/{amos}/facts", **fact | {"kind": "office", "words": ""})
    assert told(answer) == {
        "words": "Name the office, such as Treasurer.",
        "less": "Write how many turns a month it is worth, like 1 or 0.5.",
    }
    send(browser, f"{MAIN}/people/{amos}/facts", **fact)
    page = said(web, f"{MAIN}/people/{amos}")
    assert "Exempt (abroad) from Nov 10, 2026 until Nov 20, 2026" in page
    # 4 x 19/30
    assert "Owes this month 2.53" in page
    answer = send(browser, f"{MAIN}/people/{amos}/facts", **fact)
    assert "Amos Pell is written down so since Nov 10, 2026 (exempt)" in told(answer)["kind"]
    with transaction(web.sessions) as session:
        row = session.scalars(select(TurnFact.id).where(TurnFact.kind == "exempt")).one()
    assert "Amos Pell: exempt (abroad)" in said(web, f"{MAIN}/people/facts/{row}")
    send(browser, f"{MAIN}/people/facts/{row}", ends_on="2026-11-12")
    days = (date(2026, 11, 12), date(2026, 11, 13))
    last, after = read(web, lambda session, mall: [fact_rows(session, mall.id, day, day, member_ids=[amos]) for day in days])
    assert [{fact.kind for fact in rows[amos]} for rows in (last, after)] == [{"trained", "keys", "exempt"}, {"trained", "keys"}]
    send(browser, f"{MAIN}/people/facts/{row}", ends_on="2026-11-09")
    with transaction(web.sessions) as session:
        assert session.get(TurnFact, row) is None


def test_helpers_are_named_trained_and_ended(web: Web) -> None:
    browser, amos = web.browser("manager"), member_id(web, "D02")
    assert told(send(browser, f"{MAIN}/people/{amos}/helpers", name=" ")) == {"name": "Write the helper's name."}
    send(browser, f"{MAIN}/people/{amos}/helpers", name="Nell Arden", phone="555-0199")
    assert "Nell Arden, 555-0199, not trained yet" in said(web, f"{MAIN}/people/{amos}")
    with transaction(web.sessions) as session:
        nell = session.scalars(select(TurnHelper.id).where(TurnHelper.name == "Nell Arden")).one()
    send(browser, f"{MAIN}/people/helpers/{nell}/trained")
    assert "may stand alone since Nov 3, 2026" in said(web, f"{MAIN}/people/{amos}")
    send(browser, f"{MAIN}/people/helpers/{nell}/end")
    assert "Nell Arden, 555-0199" not in said(web, f"{MAIN}/people/{amos}")


@pytest.mark.parametrize("deed", ["trained", "end"])
def test_a_helper_whom_the_office_calls_off_comes_to_no_turn(web: Web, deed: str) -> None:
    """Rufus is trained and sent to a turn of Ida's; then is not trained any more, or ended."""
    turns, manager = web.house.turns, web.browser("manager")
    send(web.browser("dealer"), f"/portal/turns/{turns.turn}/helper", helper=str(turns.helper))
    with transaction(web.sessions) as session:
        assert session.get_one(Turn, turns.turn).helper_id == turns.helper
    send(manager, f"{MAIN}/people/helpers/{turns.helper}/{deed}")
    assert "to those the helper had the member comes" in said(web, f"{MAIN}/people", manager)
    with transaction(web.sessions) as session:
        assert session.get_one(Turn, turns.turn).helper_id is None
        row = session.get_one(TurnHelper, turns.helper)
        assert (row.trained_on is None, row.ended_on) == ((True, None) if deed == "trained" else (False, date(2026, 11, 2)))


def test_pairs_are_kept_apart_or_together_until_ended(web: Web) -> None:
    browser = web.browser("manager")
    pair = {"one": "d01", "other": "D02", "how": "apart", "pair_from": "2026-11-03"}
    assert "are written down already" in told(send(browser, f"{MAIN}/people/pairs", **pair))["other"]
    send(browser, f"{MAIN}/people/pairs/{web.house.turns.pair}/end")
    assert told(send(browser, f"{MAIN}/people/pairs", **pair | {"other": "D01"})) == {
        "other": "That is the same member: write another's code."
    }
    answer = send(browser, f"{MAIN}/people/pairs", **pair | {"one": "", "other": "D99"})
    assert told(answer) == {
        "one": "Write a dealer's code, such as D01.",
        "other": "Nobody who takes part here has the code D99: look at the list above.",
    }
    assert 'value="D99"' in answer.text
    send(browser, f"{MAIN}/people/pairs", **pair)
    assert "Ida Fenwick and Amos Pell must not work together, since Nov 3, 2026" in said(web, f"{MAIN}/people")
    with transaction(web.sessions) as session:
        assert len(session.scalars(select(TurnPair).where(TurnPair.ended_on.is_(None))).all()) == 1
