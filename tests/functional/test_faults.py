"""A full disk, a mail server that refuses or hangs, a file of many rows: a clear sentence, nothing half-done, nothing twice."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import func, select, update

from coop.books.checking import check_books
from coop.closing.service import start_close
from coop.config import Settings
from coop.core import runner
from coop.core.clock import utc_now
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.jobs import Job
from coop.core.mail import SILENT_FOR, MailAttempt, Outbox
from coop.sales.models import SalesImport, Ticket
from tests.factories.coops import MARCH, build_coop, content, found, noon_zone
from tests.factories.sales import many_rows, write_csv
from tests.functional.warm import Ended, WarmCoop

ZONE = noon_zone()
CLOSE = ("month", "close", "2025-03", "--mall", "MAIN")


class Place:
    """One co-op on SQLite, and the commands on it."""

    def __init__(self, warm: WarmCoop, data: Path, template: Path) -> None:
        data.mkdir()
        shutil.copyfile(template, data / "coop.sqlite3")
        self.warm, self.data = warm, data
        self.engine = make_engine(f"sqlite:///{data / 'coop.sqlite3'}")
        self.sessions = make_sessions(self.engine)

    @property
    def size(self) -> int:
        """Bytes of the database: what it had on disk, its log included."""
        return sum(path.stat().st_size for path in self.data.glob("coop.sqlite3*"))

    def __call__(self, *words: str, file_limit: int | None = None, **env: str) -> Ended:
        return self.warm(*words, file_limit=file_limit, **{"COOP_DATA": str(self.data), "COOP_JOB_LEASE_S": "2", **env})

    def content(self) -> dict[str, list]:
        with transaction(self.sessions) as session:
            assert check_books(session) == []
            return content(session)

    def letters(self) -> list[str]:
        return sorted(path.name for path in (self.data / "mail" / "new").glob("*"))


@pytest.fixture(scope="module")
def warm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WarmCoop]:
    with WarmCoop(tmp_path_factory.mktemp("commands")) as coop:
        yield coop


@pytest.fixture
def places(warm, tmp_path, sqlite_template) -> Iterator[tuple[Place, Place]]:
    """Two places to do the same in: one is disturbed, the other is not."""
    both = (Place(warm, tmp_path / "disturbed", sqlite_template), Place(warm, tmp_path / "undisturbed", sqlite_template))
    yield both
    for place in both:
        place.engine.dispose()


@pytest.fixture
def place(places) -> Place:
    return places[0]


def import_words(path: Path) -> tuple[str, ...]:
    return ("sales", "import", str(path), "--mapping", "open-retail", "--mall", "MAIN", "--create-dealers")


def said_in_a_sentence(ended: Ended, *words: str) -> None:
    """The command ended with a refusal that says these things, without a traceback."""
    assert ended.code == 2, ended
    assert "Traceback" not in ended.err, ended.err
    assert ended.err.startswith("coop: ") or "\ncoop: " in ended.err
    for each in words:
        assert each in ended.err


# --- a full disk --------------------------------------------------------------------------------------------------------


def test_an_import_on_a_full_disk_says_so_and_goes_on_when_there_is_room(places, now, tmp_path):
    for each in places:
        with transaction(each.sessions) as session:
            found(session, now, zone=ZONE)
    file = write_csv(tmp_path / "march.csv", many_rows(11_000))
    disturbed, undisturbed = places
    taken = []
    limit = 200_000
    # Again and again with a little more room, as when somebody tidies up, until there is enough.
    while (ended := disturbed(*import_words(file), file_limit=limit)).code != 0:
        said_in_a_sentence(ended, "The database did not take it", "run the same command again")
        with transaction(disturbed.sessions) as session:
            assert check_books(session) == []
            taken.append(session.scalar(select(func.count(Ticket.id))))
            assert session.scalars(select(SalesImport.state)).all() in ([], ["running"])
        limit = limit * 3 // 2
    assert taken[0] == 0
    assert taken == sorted(taken)
    assert 0 < taken[-1] < 550  # it was stopped in the midst too
    assert undisturbed(*import_words(file)).out == ended.out
    assert disturbed.content() == undisturbed.content()


def test_a_month_end_on_a_full_disk_says_so_and_goes_on_when_there_is_room(places, now):
    disturbed, undisturbed = places
    for each in places:
        with transaction(each.sessions) as session:
            build_coop(session, now, zone=ZONE)
    before = disturbed.content()
    said_in_a_sentence(disturbed(*CLOSE, file_limit=20_000), "The database did not take it")
    assert disturbed.content() == before
    # Again with a little more room, until there is some for the steps and for no statement.
    limit = 200_000
    while "takes nothing any more" not in (ended := disturbed(*CLOSE, file_limit=limit)).err:
        said_in_a_sentence(ended, "The database did not take it")
        limit = limit * 5 // 4
    said_in_a_sentence(ended, "The database takes nothing any more", "run the same command again and it goes on")
    ended = disturbed(*CLOSE)
    assert ended.code == 0, ended
    with transaction(undisturbed.sessions) as session:
        start_close(session, utc_now(), mall_id=1, month=MARCH)
    settings = Settings(data=undisturbed.data, job_lease_s=2)
    assert runner.run_loop(undisturbed.sessions, settings, runner.Stop(), until_idle=True) == 0
    assert disturbed.content() == undisturbed.content()
    assert len(disturbed.letters()) == 3


def test_an_export_on_a_full_disk_leaves_whole_files_alone(places, now, tmp_path):
    place, _ = places
    with transaction(place.sessions) as session:
        build_coop(session, now, zone=ZONE)
    assert place(*CLOSE).code == 0
    folder = tmp_path / "out"
    export = ("statements", "export", "2025-03", "--mall", "MAIN", "--to", str(folder))
    said_in_a_sentence(place(*export, file_limit=1000), "could not be written (File too large)", "make room or choose another")
    assert list(folder.iterdir()) == []
    assert "4 statements written" in place(*export).out


def test_a_list_of_refused_rows_that_cannot_be_written_loses_no_sale(place, now, tmp_path):
    with transaction(place.sessions) as session:
        found(session, now, zone=ZONE)
    rows = many_rows(40)
    rows[3] = (*rows[3][:5], "O.5", *rows[3][6:])
    file = write_csv(tmp_path / "day.csv", rows)
    said_in_a_sentence(place(*import_words(file), "--refused", str(tmp_path)), "--refused", "The sales are in")
    ended = place(*import_words(file), "--refused", str(tmp_path / "refused.txt"))
    assert ended.code == 0, ended
    assert (tmp_path / "refused.txt").read_text() == "Line 5: UnitPrice 'O.5' is not an amount; write it like 1234.50.\n"


# --- a database that is none --------------------------------------------------------------------------------------------


def test_a_database_that_is_none_is_said_in_a_sentence(place):
    place.engine.dispose()
    (place.data / "coop.sqlite3").write_bytes(b"not a database" * 1000)
    said_in_a_sentence(place(*CLOSE), "The database cannot be read", "restore it from a backup")


# --- mail ---------------------------------------------------------------------------------------------------------------


@pytest.fixture
def mailed(place, now, smtp_server) -> dict[str, str]:
    """The small co-op ready to close, and the settings for the mail server."""
    with transaction(place.sessions) as session:
        build_coop(session, now, zone=ZONE)
    return {
        "COOP_SMTP_HOST": smtp_server.host,
        "COOP_SMTP_PORT": str(smtp_server.port),
        "COOP_SMTP_SECURITY": "none",
        "COOP_MAIL_FROM": "office@example.org",
        "COOP_MAIL_DOMAIN": "example.org",
        "COOP_SMTP_TIMEOUT_S": "1",
    }


def wait_is_over(place: Place) -> None:
    """As when the time has come for what was put off."""
    with transaction(place.sessions) as session:
        for outbox in session.scalars(select(Outbox).where(Outbox.state == "queued")):
            outbox.next_at = utc_now()
        for job in session.scalars(select(Job).where(Job.state == "queued")):
            job.run_after = utc_now()
        session.execute(update(MailAttempt).values(ended_at=utc_now() - SILENT_FOR))


def addressees(smtp_server) -> list[str]:
    return sorted(recipient for message in smtp_server.messages for recipient in message.recipients)


EVERYBODY = ["amos@example.org", "ida@example.org", "vera@example.org"]


def test_a_mail_server_takes_each_statement_once(place, mailed, smtp_server):
    ended = place(*CLOSE, **mailed)
    assert ended.code == 0, ended
    assert "3 are sent" in ended.out
    assert addressees(smtp_server) == EVERYBODY
    first = smtp_server.messages[0].message
    assert [part.get_content_type() for part in first.iter_attachments()] == ["application/pdf"]
    assert place(*CLOSE, **mailed).code == 0
    assert addressees(smtp_server) == EVERYBODY


def test_a_mail_server_that_refuses_for_a_while_does_not_hold_up_the_month_end(place, mailed, smtp_server):
    smtp_server.refuse_temporarily(times=2)
    ended = place(*CLOSE, **mailed)
    assert ended.code == 0, ended
    assert "1 is sent; 2 were put off by the mail server and go on being tried" in ended.out
    wait_is_over(place)
    assert place("work", "--until-idle", **mailed).code == 0
    assert addressees(smtp_server) == EVERYBODY
    with transaction(place.sessions) as session:
        assert set(session.scalars(select(Outbox.state))) == {"sent"}


def test_a_mail_server_that_refuses_for_ever_is_said_and_nothing_is_tried_again(place, mailed, smtp_server):
    smtp_server.refuse_for_ever()
    ended = place(*CLOSE, **mailed)
    assert ended.code == 0, ended
    assert "0 are sent; 3 could not be delivered: see Letters" in ended.out
    refused = smtp_server.refusals
    assert place(*CLOSE, **mailed).code == 0
    assert smtp_server.refusals == refused == 3
    with transaction(place.sessions) as session:
        assert set(session.execute(select(Outbox.state, Outbox.error)).all()) == {("failed", "550 5.1.1 No such mailbox")}


def test_a_mail_server_that_hangs_is_given_up_for_now(place, mailed, smtp_server):
    smtp_server.hang()
    ended = place(*CLOSE, **mailed)
    assert ended.code == 0, ended
    assert "0 are sent; 3 were put off by the mail server and go on being tried" in ended.out
    smtp_server.accept()
    wait_is_over(place)
    assert place("work", "--until-idle", **mailed).code == 0
    assert addressees(smtp_server) == EVERYBODY
    with transaction(place.sessions) as session:
        assert sorted(session.scalars(select(MailAttempt.outcome))) == ["put_off"] * 3 + ["sent"] * 3


def test_a_mail_that_was_kept_without_an_answer_comes_again_under_the_same_id(place, mailed, smtp_server):
    """The one case in which a mail may come twice: the server kept it and died before it said so."""
    smtp_server.hang(times=1, stage="answer")
    # The others are put off with it, but for one that another process was sending just then.
    assert "put off by the mail server" in place(*CLOSE, **mailed).out
    wait_is_over(place)
    assert place("work", "--until-idle", **mailed).code == 0
    assert sorted(set(addressees(smtp_server))) == EVERYBODY
    assert len(smtp_server.messages) == 4
    assert len({message.message_id for message in smtp_server.messages}) == 3


# --- many rows ----------------------------------------------------------------------------------------------------------


def test_memory_does_not_grow_with_the_file(place, now, tmp_path):
    """A file of 60,000 rows, each on a ticket of its own (the worst case), takes hardly more memory than one of 6,000."""
    with transaction(place.sessions) as session:
        found(session, now, zone=ZONE)
    peaks = {}
    for count in (6_000, 60_000):
        ended = place(*import_words(write_csv(tmp_path / f"{count}.csv.gz", many_rows(count, per_ticket=1))))
        assert ended.code == 0, ended
        peaks[count] = ended.peak_mb
    assert peaks[60_000] < peaks[6_000] + 16, peaks
