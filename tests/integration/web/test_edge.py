"""The edge of every request: its transaction, its headers, its log line, health, and files that may be kept."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from sqlalchemy import select, update
from werkzeug.exceptions import MethodNotAllowed, NotFound
from werkzeug.routing import IntegerConverter

from coop.app import create_app
from coop.closing.models import MonthClose
from coop.config import Settings
from coop.core import audit
from coop.core.audit import AuditLog
from coop.core.db import transaction
from coop.core.jobs import Job
from coop.core.logs import configure_logs
from coop.core.paths import static
from coop.core.web import FONT_FILES, IdConverter, db, now
from coop.dealers.models import SignInAttempt, WebSession
from coop.resets.reset_models import Reset
from tests.factories.house import NOVEMBER, PASSPHRASE
from tests.integration.web.conftest import Web, form_token, send
from tests.integration.web.test_rights import TABLE, shown_form


def test_a_refusal_is_told_and_nothing_of_it_is_kept(web: Web) -> None:
    """November is not over on the 3rd: the month-end is refused in a sentence, with no row left behind."""
    answer = send(web.browser("manager"), "/office/months/MAIN/2026-11/begin")
    assert answer.status_code == 422
    assert "November 2026 is not over yet" in answer.text
    with transaction(web.sessions) as session:
        assert session.scalar(select(MonthClose).where(MonthClose.first_day == NOVEMBER.first_day)) is None


def test_what_a_view_wrote_is_kept_when_it_answers_that_something_is_wrong(web: Web) -> None:
    send(web.browser(), "/sign-in", email="manager@example.org", passphrase="not the one at all")
    with transaction(web.sessions) as session:
        assert [a.succeeded for a in session.scalars(select(SignInAttempt))] == [False]


def test_a_failure_keeps_nothing_and_says_a_number(own_web: Web) -> None:
    def breaks() -> str:
        audit.record(db(), now(), "never", "thing", 1)
        db().flush()
        raise RuntimeError("inside knowledge")

    breaks.allowed = frozenset({"anyone"})  # type: ignore[attr-defined]
    own_web.app.add_url_rule("/breaks", "breaks", breaks)
    answer = own_web.browser("manager").get("/breaks")
    assert answer.status_code == 500
    assert answer.headers["X-Request-ID"] in answer.text
    assert "inside knowledge" not in answer.text
    with transaction(own_web.sessions) as session:
        assert session.scalar(select(AuditLog.id).where(AuditLog.action == "never")) is None


@pytest.mark.parametrize("flushes", [True, False], ids=["in the view", "when it is kept"])
def test_a_row_that_somebody_changed_meanwhile_is_told_and_nothing_is_kept(own_web: Web, flushes: bool) -> None:
    def changes() -> str:
        audit.record(db(), now(), "never", "thing", 1)
        row = db().scalars(select(Reset)).first()
        table = Reset.__table__
        db().execute(update(table).where(table.c.id == row.id).values(version=row.version + 1))
        row.note = "Bring the ladder."
        if flushes:
            db().flush()
        return "kept"

    changes.allowed = frozenset({"anyone"})  # type: ignore[attr-defined]
    own_web.app.add_url_rule("/changes", "changes", changes)
    answer = own_web.browser("manager").get("/changes")
    assert answer.status_code == 409
    assert "Somebody changed this meanwhile, or took it away. Nothing of yours was written. Look at it again" in answer.text
    with transaction(own_web.sessions) as session:
        assert session.scalar(select(AuditLog.id).where(AuditLog.action == "never")) is None


def test_beginning_a_month_end_carries_the_request_to_log_and_jobs(web: Web) -> None:
    with transaction(web.sessions) as session:
        for job in session.scalars(select(Job).where(Job.kind.startswith("closing."))):
            session.delete(job)
    answer = send(web.browser("manager"), "/office/months/MAIN/2026-10/begin")
    assert answer.status_code == 303
    request_id = answer.headers["X-Request-ID"]
    with transaction(web.sessions) as session:
        line = session.scalars(select(AuditLog).where(AuditLog.request_id == request_id)).one()
        assert (line.action, line.user_id) == ("month-end taken up again", web.house.users["manager"])
        assert [job.kind for job in session.scalars(select(Job).where(Job.request_id == request_id))] == ["closing.step"]


@pytest.mark.parametrize("address", ["/sign-in", "/office/", "/nothing-here", "/healthz"])
def test_every_answer_carries_the_policy(web: Web, address: str) -> None:
    headers = web.browser("manager").get(address).headers
    assert headers["Content-Security-Policy"] == (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
        "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    )
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert "camera=()" in headers["Permissions-Policy"]
    assert headers["Cache-Control"] == "no-store"
    assert "Strict-Transport-Security" not in headers
    assert len(headers["X-Request-ID"]) == 16


def test_pages_hold_no_inline_script_or_style(web: Web) -> None:
    client = web.browser("manager")
    for address in ("/office/", "/office/months/MAIN/2026-10", "/office/letters", "/account"):
        page = client.get(address).text
        assert "<style" not in page
        assert " style=" not in page
        assert page.count("<script") == page.count('<script type="module" src=')
        assert " onclick" not in page


def test_secure_settings_make_cookies_and_transport_strict(web: Web, settings: Settings) -> None:
    app = create_app(settings.model_copy(update={"secure_cookies": True}), clock=web.clock)
    client = app.test_client()
    base = "https://coop.example.org"
    page = client.get("/sign-in", base_url=base)
    assert page.headers["Strict-Transport-Security"].startswith("max-age=31536000")
    token = page.text.split('name="csrf_token"')[1].split('value="')[1].split('"')[0]
    answer = client.post(
        "/sign-in",
        data={"csrf_token": token, "email": "manager@example.org", "passphrase": PASSPHRASE},
        base_url=base,
        headers={"Referer": f"{base}/sign-in"},
    )
    assert answer.status_code == 303
    cookie = next(c for c in answer.headers.getlist("Set-Cookie") if c.startswith("__Host-coop="))
    for part in ("Secure", "HttpOnly", "SameSite=Lax", "Path=/"):
        assert part in cookie
    assert "Domain" not in cookie
    app.extensions["coop"].engine.dispose()


def test_the_real_address_is_read_only_from_trusted_proxies(web: Web, settings: Settings) -> None:
    for proxies, address in ((0, "127.0.0.1"), (1, "198.51.100.9")):
        app = create_app(settings.model_copy(update={"trusted_proxies": proxies}), clock=web.clock)
        client = app.test_client()
        send_from = {"X-Forwarded-For": "203.0.113.66, 198.51.100.9"}
        token = client.get("/sign-in").text.split('name="csrf_token"')[1].split('value="')[1].split('"')[0]
        fields = {"csrf_token": token, "email": "desk@example.org", "passphrase": PASSPHRASE}
        assert client.post("/sign-in", data=fields, headers=send_from).status_code == 303
        with transaction(web.sessions) as session:
            newest = session.scalars(select(WebSession).order_by(WebSession.id.desc()).limit(1)).one()
            assert newest.address == address
        app.extensions["coop"].engine.dispose()


def test_log_lines_name_the_rule_and_no_person(web: Web) -> None:
    stream = io.StringIO()
    configure_logs("json", stream=stream)
    send(web.browser(), "/sign-in?next=/portal/", email="manager@example.org", passphrase="not the one at all")
    answer = web.browser("dealer").get("/portal/statements/MAIN.D01.2026-10")
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    last = lines[-1]
    assert (last["logger"], last["rule"], last["status"]) == ("coop.web", "/portal/statements/<number>", 200)
    assert last["request_id"] == answer.headers["X-Request-ID"]
    assert last["user"] == web.house.users["dealer"]
    for secret in ("example.org", "127.0.0.1", "not the one", "MAIN.D01", "next="):
        assert secret not in stream.getvalue()


def test_text_logs_carry_the_request(web: Web) -> None:
    stream = io.StringIO()
    configure_logs("text", stream=stream)
    answer = web.browser("desk").get("/home")
    assert f"request_id={answer.headers['X-Request-ID']}" in stream.getvalue()


def test_ready_means_the_database_is_of_this_version(web: Web, tmp_path: Path) -> None:
    assert web.browser().get("/readyz").json == {"ready": True}
    for url, why in (
        (f"sqlite:///{tmp_path / 'empty.sqlite3'}", "the database is of another version; run: coop upgrade"),
        ("postgresql+psycopg://nobody@127.0.0.1:9/nothing", "the database does not answer"),
        (f"sqlite:///{tmp_path / 'no-such-folder' / 'coop.sqlite3'}", "the database does not answer"),
    ):
        app = create_app(Settings(data=tmp_path, database_url=url, secret_key="k"))
        answer = app.test_client().get("/readyz")
        assert (answer.status_code, answer.json) == (503, {"ready": False, "why": why})
        assert app.test_client().get("/healthz").status_code == 200
        app.extensions["coop"].engine.dispose()


def test_a_database_that_does_not_answer_is_said_so(web: Web, tmp_path: Path) -> None:
    app = create_app(Settings(data=tmp_path, database_url="postgresql+psycopg://nobody@127.0.0.1:9/nothing", secret_key="k"))
    client = app.test_client()
    client.set_cookie("coop", "whatever")
    answer = client.get("/office/")
    assert answer.status_code == 503
    assert "does not answer just now" in answer.text
    app.extensions["coop"].engine.dispose()


def test_static_files_may_be_kept_when_named_with_their_hash(web: Web) -> None:
    client = web.browser()
    page = client.get("/sign-in").text
    address = page.split('rel="stylesheet" href="')[1].split('"')[0]
    answer = client.get(address)
    assert answer.data == (static() / "coop.css").read_bytes()
    assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
    plain = client.get("/static/coop.css")
    assert plain.headers["Cache-Control"] == "no-cache"


@pytest.mark.parametrize("name", FONT_FILES)
def test_the_text_face_is_served(web: Web, name: str) -> None:
    answer = web.browser().get(f"/static-fonts/{name}")
    assert (answer.status_code, answer.mimetype) == (200, "font/otf")
    assert answer.data[:4] == b"OTTO"
    assert answer.headers["Cache-Control"] == "public, max-age=31536000"


@pytest.mark.parametrize(
    "address",
    [
        "/static-fonts/LICENSE.txt",
        "/static-fonts/..%2F__init__.py",
        "/static-fonts/SourceSerifPro-Black.otf",
        "/static/..%2Fapp.py",
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/",
    ],
)
def test_nothing_else_lies_open(web: Web, address: str) -> None:
    assert web.browser("manager").get(address).status_code == 404


def test_an_oversized_form_is_refused(web: Web) -> None:
    answer = web.browser("manager").post("/sign-out", data={"csrf_token": "x" * 300_000})
    assert answer.status_code == 413


def test_every_page_template_compiles(web: Web) -> None:
    names = web.app.jinja_env.list_templates(extensions=["html"])
    assert len(names) > 15
    for name in names:
        web.app.jinja_env.get_template(name)


def test_the_first_wrong_field_of_a_form_takes_the_focus(web: Web) -> None:
    page = send(web.browser("manager"), "/office/dealers/new", name="", joined_on="soon", code="D09").text
    wrong = [tag.partition(">")[0] for tag in page.split("<input")[1:] if 'aria-invalid="true"' in tag.partition(">")[0]]
    assert ["autofocus" in tag for tag in wrong] == [True, False]


def numbered(web: Web, endpoint: str, method: str, actor: str) -> list[tuple[str, str]]:
    """The address of the table of rights with each of its numbers the largest there may be, and one more than that."""
    address, _ = TABLE[endpoint, method]
    path = address if isinstance(address, str) else address(web.house, actor)
    rule, values = web.app.url_map.bind("localhost").match(path.partition("?")[0], method=method, return_rule=True)
    found = []
    for name, converter in rule._converters.items():
        if isinstance(converter, IntegerConverter):
            assert isinstance(converter, IdConverter), f"{rule}: a number without a bound"
            built = rule.build({**values, name: converter.largest}, append_unknown=False)
            assert built is not None
            found.append((built[1], built[1].replace(str(converter.largest), str(converter.largest + 1))))
    return found


def test_the_largest_number_of_an_address_is_looked_for_and_a_larger_one_is_no_address(web: Web) -> None:
    tried = 0
    adapter = web.app.url_map.bind("localhost")
    for (endpoint, method), (_, allowed) in TABLE.items():
        actor = next((one for one in ("manager", "dealer", "desk") if one in allowed), None)
        for largest, larger in numbered(web, endpoint, method, actor) if actor else []:
            client = web.browser(actor)
            sent = {"data": {"csrf_token": shown_form(client)}} if method == "POST" else {}
            with client.open(largest, method=method, **sent) as answer:
                assert answer.status_code < 500, f"{method} {largest}"
            with pytest.raises((NotFound, MethodNotAllowed)):
                adapter.match(larger, method=method)
            tried += 1
    assert tried > 200
    for beyond in ("9" * 26, "9" * 5000, "٣"):
        assert web.browser("dealer").get(f"/portal/overflow/requests/{beyond}").status_code == 404


@pytest.mark.parametrize("number", ["9" * 11, "9" * 26, "9" * 5000])
def test_a_number_that_no_column_holds_names_nothing_in_a_query_or_a_form(web: Web, number: str) -> None:
    manager, dealer = web.browser("manager"), web.browser("dealer")
    answers = [
        manager.get(f"/office/books/find?find=rent&before={number}"),
        manager.get(f"/office/letters/questions/?before={number}"),
        manager.get(f"/office/letters/questions/?after={number}"),
        manager.get(f"/office/months?year={number}"),
        dealer.get(f"/portal/unclaimed?before={number}"),
        dealer.get(f"/portal/overflow/ask?piece={number}&like={number}"),
    ]
    assert [answer.status_code for answer in answers] == [200] * len(answers)
    sent = [
        send(manager, "/office/bank/lines/1/cancel", other=number),
        send(dealer, "/portal/resets/days/1/tick", move="1", plan=number),
        send(dealer, "/portal/resets/days/1/tick", move=number, plan="1"),
    ]
    assert [answer.status_code for answer in sent] == [422] * len(sent)


def test_a_nul_is_refused_wherever_it_is_sent(web: Web) -> None:
    """PostgreSQL keeps none in a text; the sentence is the same on both databases, and nothing is written."""
    client = web.browser("manager")
    token = form_token(client)
    bad = [
        client.get("/office/overflow/MA%00IN/bays"),
        client.get("/nowhere/%00"),
        client.get("/office/letters?state=fa%00iled"),
        client.get("/office/letters?st%00ate=failed"),
        client.post("/office/overflow/MAIN/bays/A1-1", data={"csrf_token": token, "note": "by the\0door"}),
        client.post("/office/overflow/MAIN/bays/A1-1", data={"csrf_token": token, "no\0te": "by the door"}),
        client.post("/office/tax/rates/read", data={"csrf_token": token, "file": (io.BytesIO(b"a"), "ra\0tes.csv")}),
        web.browser().post("/sign-in", data={"csrf_token": token, "email": "a\0@example.org", "passphrase": "x"}),
    ]
    assert [answer.status_code for answer in bad] == [400] * len(bad)
    assert all("has a character of no meaning (NUL)" in answer.text for answer in bad)
    file = client.post("/nowhere", data={"csrf_token": token, "file": (io.BytesIO(b"\0"), "a.bin")})
    assert file.status_code == 404, "what is in a file is not text"
    draft = {"version": 1, "draft": {"spaces": [{"code": "1", "kind": "booth", "zone": "fr\0nt"}]}}
    saved = client.post("/office/floor/MAIN/save", json=draft, headers={"X-CSRFToken": token})
    assert saved.status_code == 422
    assert "has a character of no meaning (NUL)" in saved.json["faults"][0]["sentence"]


def test_who_may_not_send_is_turned_away_before_what_was_sent_is_read(web: Web) -> None:
    answer = web.browser().post("/office/overflow/MAIN/bays/A1-1", data={"note": "by the\0door"})
    assert answer.status_code == 303
