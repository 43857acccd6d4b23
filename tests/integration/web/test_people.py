"""People and sign-ins through the pages: invited, given roles, locked; and the pages of a lost passphrase."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from flask import Flask
from sqlalchemy import select

from coop.config import Settings
from coop.core.audit import AuditLog, record
from coop.core.db import transaction
from coop.core.jobs import Job, run_job
from coop.core.outbox import Outbox
from coop.core.sealed_text import FieldKeys
from coop.dealers import links
from coop.dealers.models import RoleGrant, SignInLink, UserAccount
from tests.factories.house import PASSPHRASE, add_person
from tests.integration.web.conftest import Web, form_token, send
from tests.integration.web.test_office import count_queries

PAGE = "/office/settings/people"
NEW = "a lamp under the oak stair"
LEASE = timedelta(seconds=60)


def secret_of(web: Web, email: str) -> str:
    """The secret that the newest mail to somebody brings."""
    with transaction(web.sessions) as session:
        user = session.scalars(select(UserAccount).where(UserAccount.email == email)).one()
        newest = select(SignInLink).where(SignInLink.user_id == user.id).order_by(SignInLink.id.desc()).limit(1)
        link = session.scalars(newest).one()
        return FieldKeys.of(web.app.extensions["coop"].settings).open(link.token_sealed)


def person(web: Web, who: str) -> str:
    return f"{PAGE}/{web.house.users[who]}"


def test_a_person_is_invited_chooses_her_passphrase_and_comes_in(web: Web) -> None:
    manager = web.browser("manager")
    answer = send(manager, PAGE, email="Orla@example.org ", roles=["bookkeeper", "desk"], dealer="")
    assert answer.status_code == 303
    page = manager.get(answer.headers["Location"]).text
    assert "An invitation is on its way to orla@example.org." in page
    assert "invited, has not chosen a passphrase yet" in page
    assert "invited, until Nov 10, 2026" in manager.get(PAGE, query_string={"find": "orla"}).text
    address = f"/sign-in/link/{secret_of(web, 'orla@example.org')}"
    hers = web.browser()
    for _ in range(2):
        assert "orla@example.org" in hers.get(address).text
    assert send(hers, address, new=NEW, again=NEW).headers["Location"] == "/sign-in"
    assert send(hers, "/sign-in", email="orla@example.org", passphrase=NEW).status_code == 303
    assert hers.get("/office/").status_code == 200
    assert hers.get(address).status_code == 410
    page = manager.get(PAGE, query_string={"find": "orla"}).text
    assert "invited, until" not in page
    assert "bookkeeper, desk" in page


@pytest.mark.parametrize(
    ("fields", "field", "says"),
    [
        ({"email": "orla", "roles": ["desk"]}, "email", "is not a mail address"),
        ({"email": "desk@example.org", "roles": ["desk"]}, "email", "has a sign-in already"),
        ({"email": "a.dealer", "roles": ["desk"]}, "email", "is not a mail address"),
        ({"email": "in.every.role", "roles": ["desk"]}, "email", "is not a mail address"),
        ({"email": "orla@example.org"}, "roles", "Choose one role at least."),
        ({"email": "orla@example.org", "roles": ["dealer"]}, "dealer", "code is empty"),
        ({"email": "orla@example.org", "roles": ["dealer"], "dealer": "D77"}, "dealer", "There is no dealer D77"),
        ({"email": "orla@example.org", "roles": ["dealer"], "dealer": "ROLE"}, "dealer", "There is no dealer ROLE"),
    ],
)
def test_who_cannot_be_invited_is_said_at_the_field_and_what_was_typed_stays(
    web: Web, fields: dict[str, str | list[str]], field: str, says: str
) -> None:
    answer = send(web.browser("manager"), PAGE, **fields)
    assert answer.status_code == 422
    assert says in answer.text.split(f'id="{field}-wrong"')[1].split("</p>")[0]
    assert f'value="{fields["email"]}"' in answer.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(Outbox.id).where(Outbox.kind == links.KIND)) is None


def test_roles_come_and_go_and_count_at_once(web: Web) -> None:
    manager, desk = web.browser("manager"), web.browser("desk")
    assert desk.get("/office/").status_code == 403
    assert send(manager, f"{person(web, 'desk')}/roles", role="auditor", dealer="").status_code == 303
    assert desk.get("/office/").status_code == 200
    assert send(manager, f"{person(web, 'desk')}/roles/auditor/take").status_code == 303
    assert desk.get("/office/").status_code == 403
    page = manager.get(person(web, "desk")).text
    assert "role given, auditor" in page
    assert "role taken, auditor" in page


def test_a_role_that_needs_the_dealer_asks_for_her(web: Web) -> None:
    manager = web.browser("manager")
    answer = send(manager, f"{person(web, 'nobody')}/roles", role="dealer", dealer="")
    assert answer.status_code == 422
    assert "code is empty" in answer.text.split('id="dealer-wrong"')[1]
    answer = send(manager, f"{person(web, 'nobody')}/roles", role="dealer", dealer="D77")
    assert "There is no dealer D77" in answer.text.split('id="dealer-wrong"')[1].split("</p>")[0]
    assert send(manager, f"{person(web, 'nobody')}/roles", role="dealer", dealer="d02").status_code == 303
    answer = send(manager, f"{person(web, 'nobody')}/roles", role="desk", dealer="D01")
    assert "another member already" in answer.text.split('id="dealer-wrong"')[1].split("</p>")[0]
    assert "My booth" in web.browser("nobody").get("/portal/").text


def test_the_last_manager_stays_and_none_takes_her_own(web: Web) -> None:
    manager = web.browser("manager")
    assert f"{person(web, 'manager')}/lock" not in manager.get(person(web, "manager")).text
    for deed, says in (("roles/manager/take", "take the manager’s role from yourself"), ("lock", "lock yourself out")):
        answer = send(manager, f"{person(web, 'manager')}/{deed}")
        assert answer.status_code == 303
        assert says in manager.get(answer.headers["Location"]).text
    assert manager.get(PAGE).status_code == 200
    with transaction(web.sessions) as session:
        second = add_person(session, web.clock.at, "second@example.org", ("manager",))
    assert send(manager, f"{PAGE}/{second}/roles/manager/take").status_code == 303
    with transaction(web.sessions) as session:
        assert session.scalars(select(RoleGrant.user_id).where(RoleGrant.role == "manager")).all() == [web.house.users["manager"]]


def test_locked_she_is_out_and_unlocked_she_comes_back(web: Web) -> None:
    manager = web.browser("manager")
    assert send(manager, f"{person(web, 'desk')}/lock").status_code == 303
    assert "locked since" in manager.get(person(web, "desk")).text
    assert web.browser("desk").get("/home").status_code == 303
    assert send(web.browser(), "/sign-in", email="desk@example.org", passphrase=PASSPHRASE).status_code == 422
    answer = send(manager, f"{person(web, 'desk')}/link")
    assert "is locked: unlock it first" in manager.get(answer.headers["Location"]).text
    assert send(manager, f"{person(web, 'desk')}/unlock").status_code == 303
    assert send(web.browser(), "/sign-in", email="desk@example.org", passphrase=PASSPHRASE).status_code == 303


def test_signed_out_everywhere(web: Web) -> None:
    manager = web.browser("manager")
    assert send(manager, f"{person(web, 'desk')}/sign-out").status_code == 303
    assert web.browser("desk").get("/home").status_code == 303
    assert send(manager, f"{person(web, 'manager')}/sign-out").status_code == 303
    assert manager.get(PAGE).status_code == 200


def test_the_list_is_sorted_narrowed_and_taken_away(web: Web) -> None:
    manager = web.browser("manager")

    def shown(**asked: str) -> list[str]:
        page = manager.get(PAGE, query_string=asked).text
        return [row.split("</a>")[0].split(">")[-1] for row in page.split('<th scope="row" class="long">')[1:]]

    assert shown(role="bookkeeper") == ["books@example.org"]
    assert shown(role="none") == ["nobody@example.org"]
    assert shown(find="FENWICK") == ["ida@example.org"]
    assert shown(sort="-email") == sorted(shown(), reverse=True)
    send(manager, f"{person(web, 'desk')}/lock")
    assert shown(state="locked") == ["desk@example.org"]
    assert "desk@example.org" not in shown(state="open")
    rows = manager.get(PAGE, query_string={"as": "csv", "role": "dealer"}).text.splitlines()
    assert rows[0] == "Mail address,Name,Dealer,Roles,Last signed in,Browsers,State"
    assert rows[1] == "amos@example.org,Amos Pell,D02,dealer,,1,may sign in"


def test_the_csv_gives_the_day_of_signing_in_where_the_office_is(web: Web) -> None:
    desk = web.house.users["desk"]
    with transaction(web.sessions) as session:
        late = datetime(2026, 11, 3, 3, 30, tzinfo=UTC)
        record(session, late, "signed in", "user", desk, user_id=desk)
    rows = web.browser("manager").get(PAGE, query_string={"as": "csv", "role": "desk"}).text.splitlines()
    assert rows[1] == "desk@example.org,,,desk,2026-11-02,1,may sign in"
    assert "Nov 2, 2026, 9:30 pm" in web.browser("manager").get(PAGE, query_string={"role": "desk"}).text


def test_its_queries_do_not_grow_with_people(web: Web) -> None:
    before = count_queries(web, "manager", PAGE)
    with transaction(web.sessions) as session:
        for n in range(20):
            add_person(session, web.clock.at, f"person{n}@example.org", ("desk", "auditor"))
    assert count_queries(web, "manager", PAGE) == before
    assert before <= 12


# --- a lost passphrase ------------------------------------------------------------------------------------------------------


@pytest.fixture
def addressed(settings: Settings, app: Flask) -> Iterator[Flask]:
    """The same co-op where it is said at which address people reach it."""
    site = app.extensions["coop"]
    said = settings.model_copy(update={"web_address": "https://office.example.org"})
    app.extensions["coop"] = replace(site, settings=said)
    yield app
    app.extensions["coop"] = site


def lines(page: str) -> list[str]:
    return [line for line in page.splitlines() if "csrf_token" not in line]


def test_the_answer_is_the_same_whether_or_not_there_is_such_an_account(web: Web, addressed: Flask) -> None:
    pages = []
    for email in ("desk@example.org", "nobody.at.all@example.org"):
        client = web.browser()
        answer = send(client, "/sign-in/forgotten", email=email)
        assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in")
        pages.append(lines(client.get("/sign-in").text))
    assert pages[0] == pages[1]
    assert any("If somebody signs in with that mail address" in line for line in pages[0])
    with transaction(web.sessions) as session:
        assert len(session.scalars(select(Job).where(Job.kind == "dealers.answer_request")).all()) == 2
        assert session.scalar(select(SignInLink.id).where(SignInLink.user_id == web.house.users["desk"])) is None


def work(web: Web) -> None:
    settings = web.app.extensions["coop"].settings
    while True:
        with transaction(web.sessions) as session:
            job = session.scalars(select(Job).where(Job.kind == "dealers.answer_request", Job.state == "queued")).first()
            if job is None:
                return
            job_id = job.id
        run_job(web.sessions, job_id, lease=LEASE, settings=settings, clock=web.clock)


def test_a_lost_passphrase_is_replaced_by_the_link(web: Web, addressed: Flask) -> None:
    client = web.browser()
    send(client, "/sign-in/forgotten", email="Desk@example.org")
    work(web)
    with transaction(web.sessions) as session:
        mail = session.scalars(select(Outbox).where(Outbox.kind == links.KIND)).one()
        assert mail.recipient == "desk@example.org"
        assert "https://office.example.org/sign-in/link/" in mail.text_body
    address = f"/sign-in/link/{secret_of(web, 'desk@example.org')}"
    short = send(client, address, new="short", again="short")
    assert short.status_code == 422
    assert "12 characters or more" in short.text.split('id="new-wrong"')[1]
    assert "differ" in send(client, address, new=NEW, again=f"{NEW}s").text.split('id="again-wrong"')[1]
    assert send(client, address, new=NEW, again=NEW).status_code == 303
    assert web.browser("desk").get("/home").status_code == 303
    assert send(client, "/sign-in", email="desk@example.org", passphrase=PASSPHRASE).status_code == 422
    assert send(client, "/sign-in", email="desk@example.org", passphrase=NEW).status_code == 303


def test_the_office_reads_the_mail_but_not_its_secret(web: Web, addressed: Flask) -> None:
    send(web.browser(), "/sign-in/forgotten", email="manager@example.org")
    work(web)
    secret = secret_of(web, "manager@example.org")
    with transaction(web.sessions) as session:
        mail_id = session.scalars(select(Outbox.id).where(Outbox.kind == links.KIND)).one()
    page = web.browser("auditor").get(f"/office/letters/{mail_id}").text
    assert "/sign-in/link/••••" in page
    assert secret not in page


def test_too_many_askings_must_wait(web: Web, addressed: Flask) -> None:
    for email in ("desk@example.org", "nobody.at.all@example.org"):
        client = web.browser()
        for _ in range(5):
            assert send(client, "/sign-in/forgotten", email=email).status_code == 303
        answer = send(client, "/sign-in/forgotten", email=email)
        assert answer.status_code == 429
        assert "Wait 1 minute, then try again." in answer.text.split('id="email-wrong"')[1]


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "evil.example:80", "office.example.org"])
def test_a_stranger_cannot_say_where_the_link_leads(web: Web, host: str) -> None:
    """Whoever asks names the host in the request: without the setting, no mail is sent for a host that is not this machine."""
    client = web.browser()
    data = {"csrf_token": form_token(client, host), "email": "desk@example.org"}
    answer = client.post("/sign-in/forgotten", data=data, headers={"Host": host})
    assert answer.status_code == 200
    assert "Ask the manager" in answer.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(Job.id).where(Job.kind == "dealers.answer_request")) is None


@pytest.mark.parametrize(("address", "asked"), [("127.0.0.1", 1), ("::1", 1), ("198.51.100.7", 0)])
def test_only_who_sits_at_this_machine_may_name_it(web: Web, address: str, asked: int) -> None:
    """From elsewhere a request can say that its host is localhost too: the link would lead its reader to her own machine."""
    client = web.browser()
    data = {"csrf_token": form_token(client, "localhost:8000"), "email": "desk@example.org"}
    client.post("/sign-in/forgotten", data=data, headers={"Host": "localhost:8000"}, environ_overrides={"REMOTE_ADDR": address})
    with transaction(web.sessions) as session:
        jobs = session.scalars(select(Job).where(Job.kind == "dealers.answer_request")).all()
        assert [job.args["base"] for job in jobs] == ["http://localhost:8000"] * asked


def test_a_link_that_is_no_longer_good_says_so(web: Web) -> None:
    client = web.browser()
    assert client.get(f"/sign-in/link/{web.house.link_token}").status_code == 200
    web.clock.at += timedelta(hours=2)
    answer = client.get(f"/sign-in/link/{web.house.link_token}")
    assert answer.status_code == 410
    assert "no longer good" in answer.text
    assert "have another link sent" in answer.text


def test_what_was_done_is_in_the_log(web: Web) -> None:
    manager = web.browser("manager")
    send(manager, f"{person(web, 'desk')}/link")
    address = f"/sign-in/link/{secret_of(web, 'desk@example.org')}"
    send(web.browser(), address, new=NEW, again=NEW)
    with transaction(web.sessions) as session:
        said = session.execute(select(AuditLog.action, AuditLog.detail).order_by(AuditLog.id.desc()).limit(2)).all()
    assert [tuple(row) for row in said] == [("invitation accepted", ""), ("link sent", "invitation")]
