"""The office's pages of days: who came, decided and written down; an account set right; the mall's own lists."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from sqlalchemy import func, select

from coop.books.service import ensure_period
from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.periods import Month
from coop.dealers.models import Member, UserAccount
from coop.floor.models import Mall
from coop.leases.models import Charge
from coop.shifts.models import TurnRule
from coop.shifts.turn_models import Attendance, ChecklistItem, TurnAccount
from tests.integration.web.conftest import Web, send

PAGE = "/office/rota/MAIN/2026-11/attendance"
LISTS = "/office/rota/MAIN/checklists"


def text(page: str) -> str:
    return " ".join(page.split())


def attendance(web: Web, turn_id: int) -> Attendance:
    with transaction(web.sessions) as session:
        return session.scalars(select(Attendance).where(Attendance.turn_id == turn_id)).one()


def test_the_month_says_who_came_and_what_waits(web: Web) -> None:
    page = text(web.browser("auditor").get(PAGE).text)
    assert "<strong>Amos Pell</strong> did not come to Desk on Mon, Nov 2, 2 to 6 pm" in page
    assert "each is owed on, by the house rules" in page
    assert "10 am to 2 pm" in page
    # Who only reads has nothing to press.
    assert "Excuse it" not in page
    assert "Set an account right" not in page
    page = text(web.browser("manager").get(PAGE).text)
    assert "Excuse it" in page
    # There is no price of a no-show: nothing is charged.
    assert "Charge $" not in page
    assert "Nov 2, at opening: Lights on; Count the float" in page
    assert "employment under local law" in page
    assert web.browser("manager").get("/office/rota/MAIN/2026-12/attendance").status_code == 200


def test_the_list_is_narrowed_and_taken_away(web: Web) -> None:
    client = web.browser("manager")
    page = text(client.get(f"{PAGE}?state=missed").text)
    assert "1 turn</p>" in page
    csv = client.get(f"{PAGE}?as=csv&state=worked").text
    assert csv.splitlines() == [
        "Day,Turn,Who,Came,How it stands",
        '2026-11-02,"Desk, 10 am to 2 pm",Ida Fenwick,10 am to 2 pm,worked',
    ]


def test_a_no_show_is_decided_and_decided_otherwise(web: Web) -> None:
    client, missed = web.browser("manager"), web.house.turns.missed
    answer = send(client, f"{PAGE}/{missed}/decide", decision="excused", note="The road was closed")
    assert answer.headers["Location"] == f"{PAGE}#to-do"
    page = text(client.get(PAGE).text)
    assert "Desk on Mon, Nov 2, 2 to 6 pm: excused: it is not owed any more." in page
    assert "1 was decided: decide otherwise" in page
    assert "Nothing waits." in page
    assert attendance(web, missed).note == "The road was closed"
    assert send(client, f"{PAGE}/{missed}/decide", decision="forgiven").status_code == 422
    with transaction(web.sessions) as session:
        session.execute(TurnRule.__table__.update().values(no_show_cents=25_00))
    assert "Charge $25.00" in client.get(PAGE).text
    send(client, f"{PAGE}/{missed}/decide", decision="charged", note="")
    with transaction(web.sessions) as session:
        assert session.scalars(select(Charge.amount_cents).where(Charge.kind == "turn")).all() == [25_00]
        log = session.scalars(select(AuditLog.action).where(AuditLog.subject_kind == "turn")).all()
        assert log == ["turn excused", "turn charged"]


def test_what_nobody_signed_in_to_is_written_down_one_by_one_or_all(web: Web) -> None:
    client = web.browser("manager")
    web.clock.at += timedelta(hours=10)
    page = text(client.get(PAGE).text)
    assert "Ida Fenwick, Desk on Tue, Nov 3, 10 am to 2 pm" in page
    assert "All 2 were worked" in page
    today = web.house.turns.today
    send(client, f"{PAGE}/{today}/written", came="no")
    assert "Ida Fenwick did not come to Desk on Tue, Nov 3" in client.get(PAGE).text
    assert attendance(web, today).missed_at is not None
    send(client, f"{PAGE}/{today}/written", came="yes")
    assert attendance(web, today).signed_in_at is not None
    answer = send(client, f"{PAGE}/all-worked")
    assert "1 turn is written down as worked." in client.get(answer.headers["Location"]).text
    with transaction(web.sessions) as session:
        assert session.scalar(select(func.count(Attendance.id)).where(Attendance.signed_in_at.is_not(None))) == 3
    # A turn of another month or mall is not here.
    assert send(client, f"/office/rota/MAIN/2026-12/attendance/{today}/written", came="yes").status_code == 404


def test_a_manager_leaves_the_turns_of_their_own_to_another(web: Web) -> None:
    client = web.browser("manager")
    with transaction(web.sessions) as session:
        ida = session.scalars(select(Member.id).where(Member.name == "Ida Fenwick")).one()
        session.get_one(UserAccount, web.house.users["dealer"]).member_id = None
        session.flush()
        session.get_one(UserAccount, web.house.users["manager"]).member_id = ida
    web.clock.at += timedelta(hours=10)
    answer = send(client, f"{PAGE}/all-worked")
    assert "1 turn is written down as worked. 1 of your own is left" in text(client.get(answer.headers["Location"]).text)


def test_a_closed_month_is_not_decided_any_more(web: Web) -> None:
    with transaction(web.sessions) as session:
        mall = session.scalars(select(Mall)).one()
        for month in (Month(2026, 10), Month(2026, 11)):
            ensure_period(session, mall.id, month).state = "closed"
    page = text(web.browser("manager").get(PAGE).text)
    assert "November 2026 is closed, and its turns are counted." in page
    assert "Excuse it" not in page
    assert send(web.browser("manager"), f"{PAGE}/{web.house.turns.missed}/decide", decision="owed").status_code == 422


def test_an_account_is_set_right_with_its_reason(web: Web) -> None:
    client = web.browser("manager")
    with transaction(web.sessions) as session:
        ida = session.scalars(select(Member.id).where(Member.name == "Ida Fenwick")).one()
    fields = {"member": str(ida), "how": "more", "turns": "1.5", "why": "Worked at the spring fair"}
    for changed, said in (
        ({"member": ""}, "Choose one of those listed."),
        ({"turns": "x"}, "This is not a number."),
        ({"turns": "0"}, "Write how many turns the account is off by"),
        ({"why": " "}, "Say why."),
    ):
        answer = send(client, f"{PAGE}/account", **fields | changed)
        assert answer.status_code == 422
        assert said in answer.text
    answer = send(client, f"{PAGE}/account?as=csv", **fields | {"why": ""})
    assert (answer.status_code, answer.mimetype) == (422, "text/html"), "what is refused is shown on its page"
    answer = send(client, f"{PAGE}/account", **fields)
    assert "The account of Ida Fenwick is set right by +1.5, in November 2026." in client.get(answer.headers["Location"]).text
    send(client, f"{PAGE}/account", **fields | {"how": "less", "turns": "0.5"})
    with transaction(web.sessions) as session:
        rows = session.scalars(select(TurnAccount.turns).where(TurnAccount.kind == "set right").order_by(TurnAccount.id))
        assert list(rows) == [Decimal("1.5"), Decimal("-0.5")]


def test_the_malls_lists_are_set_line_by_line(web: Web) -> None:
    client = web.browser("manager")
    page = client.get(LISTS).text
    assert "Lights on\nCount the float</textarea>" in page
    answer = send(client, f"{LISTS}/opening", **{"opening-words": "Count the float\r\nHeating up\r\n"})
    assert "The list at opening has 2 lines." in client.get(answer.headers["Location"]).text
    answer = send(client, f"{LISTS}/closing", **{"closing-words": "Lights out\nLights out"})
    assert answer.status_code == 422
    assert "is on the list twice" in answer.text
    assert "Lights out\nLights out</textarea>" in answer.text
    assert send(client, f"{LISTS}/noon").status_code == 404
    page = web.browser("auditor").get(LISTS).text
    assert "<li>Heating up</li>" in page
    assert "Set the list" not in page
    with transaction(web.sessions) as session:
        ended = session.scalars(select(ChecklistItem).where(ChecklistItem.words == "Lights on")).one()
        assert ended.ended_on == date(2026, 11, 2)
