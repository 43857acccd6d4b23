"""The rota in the office as it is sent and answered: begun, moved with what it breaks, undone, drafted, published, shared out."""

from __future__ import annotations

import re
from datetime import date
from html import unescape

from sqlalchemy import select, update

from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.periods import Month
from coop.dealers.models import UserAccount
from coop.floor.models import Mall
from coop.office.rota_month import month_of
from coop.shifts.models import Rota, Turn, TurnRule
from coop.shifts.planning import ensure_rota
from tests.factories.rota_hall import OUTCOME
from tests.integration.web.conftest import Web, send

DECEMBER = Month(2026, 12)
AT = "/office/rota/MAIN/2026-12"


def begin(web: Web) -> int:
    """December's rota laid out; its id."""
    with transaction(web.sessions) as session:
        return ensure_rota(session, web.clock.at, session.get_one(Mall, web.house.mall.id), DECEMBER).id


def turn_of(web: Web, day: int, *, opens: bool = True) -> int:
    """The desk's turn of a day in December by its id: the morning, or the afternoon."""
    with transaction(web.sessions) as session:
        rows = select(Turn.id).join(Rota, Rota.id == Turn.rota_id).where(Rota.first_day == DECEMBER.first_day)
        return session.scalars(
            rows.where(Turn.on_date == date(2026, 12, day), Turn.opens == opens, Turn.closes != opens).order_by(Turn.id)
        ).all()[0]


def member(web: Web, who: str = "dealer") -> int:
    with transaction(web.sessions) as session:
        found = session.get_one(UserAccount, web.house.users[who]).member_id
    assert found is not None
    return found


def version(web: Web) -> str:
    with transaction(web.sessions) as session:
        return str(session.scalars(select(Rota.version).where(Rota.first_day == DECEMBER.first_day)).one())


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_the_list_says_of_each_month_how_it_stands(web: Web) -> None:
    page = words(web.browser("auditor").get("/office/rota/").text)
    assert "November 2026 at Lantern Yard Antiques Hall ● published Oct 24, 2026" in page
    assert re.search(r"December 2026 at \S+ \S+ \S+ \S+ ○ not begun", page)
    assert "0 of 2 until Nov 20, 2026" in page
    begin(web)
    assert "begun, not drafted" in web.browser("auditor").get("/office/rota/").text


def test_a_month_is_begun_from_its_page(web: Web) -> None:
    manager = web.browser("manager")
    page = manager.get(AT).text
    assert "Begin the rota of December 2026" in page
    answer = send(manager, f"{AT}/begin", version="0")
    assert (answer.status_code, answer.location) == (303, AT)
    page = words(manager.get(AT).text)
    assert "The turns of December 2026 are laid out." in page
    assert "begun : " in page
    assert "nobody yet" in page
    send(manager, f"{AT}/begin", version="0")
    assert "Nothing has changed since" in manager.get(AT).text


def test_a_turn_is_given_told_what_it_breaks_and_put_back(web: Web) -> None:
    begin(web)
    manager, turn, ida = web.browser("manager"), turn_of(web, 1), member(web)
    shown = words(manager.get(f"{AT}/turns/{turn}?member={ida}").text)
    assert "Desk on Tue, Dec 1, 10 am to 2 pm: Ida Fenwick instead of nobody. It breaks nothing. It would mend:" in shown
    answer = send(manager, f"{AT}/turns/{turn}/move", member=str(ida), lock="yes", version=version(web))
    assert (answer.status_code, answer.location) == (303, f"{AT}?moved={turn}&had=0#rota-last")
    page = manager.get(answer.location).text
    assert "Desk on Tue, Dec 1, 10 am to 2 pm: Ida Fenwick has it now, and nobody had it before." in words(page)
    undo = page.partition('id="rota-last"')[2]
    assert 'name="member" value="nobody"' in undo
    send(manager, f"{AT}/turns/{turn}/move", member="nobody", version=version(web))
    with transaction(web.sessions) as session:
        assert session.get_one(Turn, turn).member_id is None


def test_a_move_from_an_older_page_says_so_at_the_field(web: Web) -> None:
    begin(web)
    manager, turn = web.browser("manager"), turn_of(web, 1)
    answer = send(manager, f"{AT}/turns/{turn}/move", member=str(member(web)), version="0")
    assert answer.status_code == 422
    assert "The rota of December 2026 was changed since this page was shown" in answer.text
    for text in ("", "99", "x", "nobody "):
        assert send(manager, f"{AT}/turns/{turn}/move", member=text, version=version(web)).status_code in (404, 422)


def test_what_would_break_is_said_as_it_is_chosen_and_nothing_is_kept(web: Web) -> None:
    begin(web)
    manager, morning, afternoon, ida = web.browser("manager"), turn_of(web, 1), turn_of(web, 1, opens=False), member(web)
    send(manager, f"{AT}/turns/{morning}/move", member=str(ida), version=version(web))
    said = words(manager.get(f"{AT}/turns/{afternoon}/would?member={ida}").text)
    assert "It would break: ✻ Ida Fenwick has more than 1 turn on Tue, Dec 1." in said
    said = words(manager.get(f"{AT}/turns/{morning}/would?with={afternoon}").text)
    assert "Ida Fenwick" in said
    assert "It breaks nothing. It would leave short: Tue, Dec 1, Desk, 10 am to 2 pm: 1 of 1 uncovered." in said
    assert words(manager.get(f"{AT}/turns/{morning}/would?member={ida}").text).startswith("Desk on Tue, Dec 1")
    assert manager.get(f"{AT}/turns/{morning}/would?member=x").status_code == 404
    with transaction(web.sessions) as session:
        assert session.get_one(Turn, afternoon).member_id is None


def test_turns_are_exchanged_locked_and_let_go(web: Web) -> None:
    begin(web)
    manager, one, other, ida = web.browser("manager"), turn_of(web, 1), turn_of(web, 2), member(web)
    send(manager, f"{AT}/turns/{one}/move", member=str(ida), version=version(web))
    answer = send(manager, f"{AT}/turns/{one}/exchange", other=str(other), locks="both", version=version(web))
    assert answer.status_code == 303
    page = words(manager.get(answer.location).text)
    assert "nobody has it now, and Ida Fenwick has Desk on Wed, Dec 2, 10 am to 2 pm." in page
    with transaction(web.sessions) as session:
        assert (session.get_one(Turn, one).member_id, session.get_one(Turn, other).member_id) == (None, ida)
        assert session.get_one(Turn, other).locked
    send(manager, f"{AT}/turns/{other}/lock", locked="", version=version(web))
    with transaction(web.sessions) as session:
        assert not session.get_one(Turn, other).locked
    send(manager, f"{AT}/turns/{other}/lock", locked="yes", version=version(web))
    with transaction(web.sessions) as session:
        assert session.get_one(Turn, other).locked


def test_a_draft_is_asked_for_and_stopped_and_wrong_figures_are_told_at_their_field(web: Web) -> None:
    begin(web)
    manager = web.browser("manager")
    answer = send(manager, f"{AT}/draft", seconds="0", seed="x")
    assert answer.status_code == 422
    assert answer.text.count("Write a whole number from") == 2
    assert send(manager, f"{AT}/draft", seconds="5", seed="").status_code == 303
    with transaction(web.sessions) as session:
        assert session.scalars(select(Job.args).where(Job.kind == "shifts.draft")).one()["seconds"] == 5
    page = manager.get(AT).text
    assert "The draft waits for its turn." in page
    assert "live.js" in page
    assert 'id="rota-drag"' not in page
    assert 'data-ended="no"' in manager.get(f"{AT}/progress").text
    send(manager, f"{AT}/draft", seconds="5", seed="")
    assert "A draft of December 2026 is under way" in manager.get(AT).text
    send(manager, f"{AT}/stop", version=version(web))
    assert "It is being stopped" in manager.get(AT).text


def test_the_last_draft_is_told_in_words(web: Web) -> None:
    rota_id = begin(web)
    with transaction(web.sessions) as session:
        rota = session.get_one(Rota, rota_id)
        rota.outcome, rota.drafted_at = OUTCOME, web.clock.at
    page = words(web.browser("auditor").get(AT).text)
    for sentence in (
        "The draft took 4 seconds, with the seed 7: 61 of 62 turns are covered, 2 turns were moved and it was stopped.",
        "The hours covered 20 20 the best there is",
        "When members can 0 0 nothing is missed",
        "Shared out fairly 1,250 1,000 at most 20% better can be",
        "Ivo Brandt on Sat, Dec 5, Desk, 9 am to 2 pm: cannot be, by the rules.",
        "Sat, Dec 26, Desk, 2 to 6 pm: 1 turn uncovered Amos Pell: said never. Cora Whitlock, Dean Marsh and 3 others: "
        "at the limit of turns in that week. Ida Fenwick could, and then miss elsewhere.",
    ):
        assert sentence in page
    with transaction(web.sessions) as session:
        session.get_one(Rota, rota_id).outcome = OUTCOME | {"found": False, "tiers": [], "uncovered": [], "conflicts": []}
    assert "The time ended before any draft was found" in web.browser("auditor").get(AT).text


def test_a_rota_is_published_and_a_published_turn_asks_for_consent(web: Web) -> None:
    begin(web)
    manager, turn, ida = web.browser("manager"), turn_of(web, 1), member(web)
    assert send(manager, f"{AT}/publish", version="0").status_code == 422
    assert send(manager, f"{AT}/publish", version=version(web)).status_code == 303
    page = manager.get(AT).text
    assert "is published, and its members are told." in page
    assert "Publish December 2026" not in page
    refused = send(manager, f"{AT}/turns/{turn}/move", member=str(ida), version=version(web))
    assert "nobody is moved without consent: ask Ida Fenwick" in refused.text
    answer = send(manager, f"{AT}/turns/{turn}/move", member=str(ida), consent="yes", version=version(web))
    assert answer.status_code == 303
    page = words(manager.get(f"{AT}/turns/{turn}").text)
    assert "moved by the manager from nobody to Ida Fenwick" in page
    assert "Undo" not in words(manager.get(answer.location).text)


def test_a_members_turns_are_told_with_what_the_member_owes(web: Web) -> None:
    begin(web)
    manager, ida = web.browser("manager"), member(web)
    send(manager, f"{AT}/turns/{turn_of(web, 1)}/move", member=str(ida), version=version(web))
    assert f'href="{AT}?who={ida}#days"' in manager.get(AT).text
    page = words(manager.get(f"{AT}?who={ida}").text)
    assert "Ida Fenwick D01 has 1 turn and owes 3 (4 less 1 (Treasurer) = 3); the account had −1 before." in page
    assert "Desk on Tue, Dec 1, 10 am to 2 pm Given by the manager on Nov 3, 2026." in page
    assert "What the member’s turns go by" not in manager.get(f"{AT}?who=99999").text


def test_readers_see_a_month_and_change_nothing(web: Web) -> None:
    begin(web)
    page = web.browser("bookkeeper").get(AT).text
    assert "rota.js" not in page
    assert '<form method="post"' not in page.partition("<main")[2].partition("</main>")[0]
    assert "Give it" not in web.browser("auditor").get(f"{AT}/turns/{turn_of(web, 1)}").text


def test_what_is_not_there_is_told_so(web: Web) -> None:
    manager = web.browser("manager")
    for path in ("/office/rota/NONE/2026-12", f"{AT}/progress", f"{AT}/turns/1", "/office/rota/NONE/fairness"):
        assert manager.get(path).status_code == 404
    begin(web)
    november = web.house.turns.turn
    assert manager.get(f"{AT}/turns/{november}").status_code == 404


def test_fairness_shows_turns_for_each_owed(web: Web) -> None:
    page = words(web.browser("auditor").get("/office/rota/MAIN/fairness").text)
    assert "December 2025 to November 2026, turns at every mall" in page
    assert "Ida Fenwick D01" in page
    assert "Turns for each turn owed" in page


def test_turns_of_a_closed_day_count_as_the_house_rules_say(web: Web) -> None:
    def had(how: str) -> int:
        with transaction(web.sessions) as session:
            session.execute(update(TurnRule).values(closed=how))
            month = month_of(session, web.clock.at, session.get_one(Mall, web.house.mall.id), Month(2026, 11))
            return next(row.turns for row in month.members if row.code == "D01")

    every = had("owed")
    with transaction(web.sessions) as session:
        session.get_one(Turn, web.house.turns.turn).state = "closed"
    assert (had("worked"), had("owed")) == (every, every - 1)
