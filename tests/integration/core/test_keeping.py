"""Backup and restore on both kinds of database: all of it comes back, or none of it and a sentence."""

from __future__ import annotations

import json
import mailbox
import os
import tarfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import Engine, MetaData, inspect, select, text
from sqlalchemy.exc import DBAPIError

from coop import rooms
from coop.books.checking import check_books
from coop.cli.keeping import backup_command, restore_command
from coop.config import Settings
from coop.core import audit, migrate
from coop.core.archive import Manifest, writing_archive
from coop.core.db import Sessions, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.keeping import make_backup, restore_backup
from coop.core.mail_transport import Letter, compose, write_maildir
from tests.databases import PostgresDatabases, fill
from tests.factories.house import build_house
from tests.functional.warm import Ended, WarmCoop

PASSPHRASE = "walnut drawer brass key"
KEY = "an invented key of this co-op"
FIELD_KEY = "another invented key of this co-op"
MakeEngine = Callable[[str], Engine]


@dataclass
class Kept:
    """A co-op with rows, a key and a mail; and a place where none is yet."""

    settings: Settings
    engine: Engine
    sessions: Sessions
    elsewhere: Settings
    now: datetime
    make_engine: MakeEngine
    coop: WarmCoop

    def run(self, settings: Settings, *words: str, kill_at: str = "", limit: int | None = None) -> Ended:
        """The command in a process of its own, which may be killed, or may write no file longer than the limit."""
        env = {"COOP_DATA": str(settings.data), "COOP_DATABASE_URL": settings.database_url, "COOP_KILL_AT": kill_at}
        return self.coop(*words, file_limit=limit, **env)

    def back_up(self, to: Path, passphrase: str = "") -> Path:
        return make_backup(self.settings, self.engine, self.now, to, passphrase).path

    def restored(self) -> Engine:
        return self.make_engine(self.elsewhere.url)

    def nothing_there(self) -> bool:
        """Whether the place to restore to is as it was."""
        files = [path for path in self.elsewhere.data.rglob("*") if path.is_file()]
        return files == [] and (self.elsewhere.is_sqlite or inspect(self.restored()).get_table_names() == [])


def rows(engine: Engine) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table."""
    metadata = MetaData()
    metadata.reflect(engine)
    with engine.connect() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key.columns))]
            for table in metadata.sorted_tables
        }


def guards(engine: Engine) -> list[str]:
    """Every trigger, with what it does."""
    query = {
        "sqlite": "SELECT name || ' ' || sql FROM sqlite_master WHERE type = 'trigger' ORDER BY 1",
        "postgresql": "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal ORDER BY 1",
    }[engine.dialect.name]
    with engine.connect() as connection:
        return [str(said) for said in connection.scalars(text(query))]


@pytest.fixture
def elsewhere(database_url: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Settings]:
    """A place of the same kind where no co-op is."""
    data = tmp_path / "elsewhere"
    if database_url.startswith("sqlite"):
        yield Settings(data=data)
        return
    databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
    address = databases.empty()
    yield Settings(data=data, database_url=address)
    databases.drop(address)


@pytest.fixture(scope="module")
def coop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WarmCoop]:
    with WarmCoop(tmp_path_factory.mktemp("commands")) as command:
        yield command


@pytest.fixture
def kept(
    engine: Engine,
    sessions: Sessions,
    database_url: str,
    elsewhere: Settings,
    now: datetime,
    tmp_path: Path,
    make_test_engine: MakeEngine,
    coop: WarmCoop,
) -> Kept:
    settings = Settings(data=tmp_path / "here", database_url=database_url)
    fill(engine, ("house", now), lambda session: build_house(session, now))
    settings.data.mkdir()
    (settings.data / "secret-key").write_text(KEY)
    (settings.data / "field-keys").write_text(FIELD_KEY)
    letter = Letter("dealer@example.org", "Hello", "Hello, Zoë\n", "", "abc@example.org", now)
    write_maildir(compose(letter, "office@example.org"), settings.maildir)
    return Kept(settings, engine, sessions, elsewhere, now, make_test_engine, coop)


# --- there and back -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("passphrase", ["", PASSPHRASE])
def test_all_of_it_comes_back(kept: Kept, tmp_path: Path, passphrase: str) -> None:
    archive = kept.back_up(tmp_path / "archive", passphrase)
    assert archive.stat().st_mode & 0o777 == 0o600
    assert (KEY.encode() in archive.read_bytes(), archive.read_bytes()[:2] == b"\x1f\x8b") == (False, not passphrase)
    report = restore_backup(kept.elsewhere, archive, check_books, passphrase)
    assert rows(kept.restored()) == rows(kept.engine)
    assert report.manifest.counts == {name: len(found) for name, found in rows(kept.engine).items()}
    assert report.manifest.counts["posting"] > 0
    assert guards(kept.restored()) == guards(kept.engine) != []
    assert (kept.elsewhere.data / "secret-key").read_text() == KEY
    assert (kept.elsewhere.data / "field-keys").read_text() == FIELD_KEY
    [mail] = mailbox.Maildir(kept.elsewhere.maildir, create=False)
    assert mail["Message-ID"] == "<abc@example.org>"
    assert [path.name for path in kept.settings.data.iterdir() if path.name.startswith(".")] == []
    assert [path.name for path in kept.elsewhere.data.iterdir() if path.name.startswith(".")] == []


def test_the_books_restored_refuse_what_they_refused(kept: Kept, tmp_path: Path) -> None:
    restore_backup(kept.elsewhere, kept.back_up(tmp_path / "archive"), check_books)
    with pytest.raises(DBAPIError), kept.restored().begin() as connection:
        connection.execute(text("UPDATE posting SET amount_cents = amount_cents + 1"))


def test_a_co_op_that_is_being_written_to_is_one_moment_of_it(kept: Kept, tmp_path: Path) -> None:
    stop = threading.Event()

    def write() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            with transaction(kept.sessions) as session:
                # Two rows at once: a moment between them is never seen.
                audit.record(session, kept.now, "one", "test", number)
                session.flush()
                audit.record(session, kept.now, "other", "test", number)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        archives = [kept.back_up(tmp_path / f"archive {number}") for number in range(3)]
    finally:
        stop.set()
        writer.join()
    restore_backup(kept.elsewhere, archives[-1], check_books)
    with transaction(make_sessions(kept.restored())) as session:
        actions = list(session.scalars(select(audit.AuditLog.action).where(audit.AuditLog.subject_kind == "test")))
    assert actions.count("one") == actions.count("other") > 0


def test_a_folder_takes_archives_under_names_of_their_moments(kept: Kept, tmp_path: Path) -> None:
    assert kept.back_up(tmp_path) == tmp_path / "coop-20261103-150000.backup"
    with pytest.raises(Refusal, match="already"):
        kept.back_up(tmp_path)
    with pytest.raises(Refusal, match="no folder"):
        kept.back_up(tmp_path / "nowhere" / "archive")


def test_a_co_op_of_an_older_version_is_brought_forward(
    empty_database_url: str, tmp_path: Path, now: datetime, make_test_engine: MakeEngine, request: pytest.FixtureRequest
) -> None:
    engine = make_test_engine(empty_database_url)
    with pytest.raises(Refusal, match=r"empty|no co-op"):
        make_backup(Settings(data=tmp_path / "a", database_url=empty_database_url), engine, now, tmp_path / "none")
    migrate.upgrade(engine, "+1")
    oldest = migrate.revision_of(engine)
    archive = make_backup(Settings(data=tmp_path / "a", database_url=empty_database_url), engine, now, tmp_path / "b").path
    target = Settings(data=tmp_path / "c")
    if engine.dialect.name == "postgresql":
        databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
        target = target.model_copy(update={"database_url": databases.empty()})
    report = restore_backup(target, archive, check_books)
    assert report.manifest.revision == oldest != report.revision
    assert report.revision == migrate.newest_revision()
    assert set(inspect(make_test_engine(target.url)).get_table_names()) >= set(rooms.METADATA.tables)


# --- refused ------------------------------------------------------------------------------------------------------------


def test_a_co_op_of_a_newer_version_is_refused(kept: Kept, tmp_path: Path) -> None:
    with kept.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(Refusal, match="newer version"):
        restore_backup(kept.elsewhere, kept.back_up(tmp_path / "archive"), check_books)
    assert kept.nothing_there()


def test_the_wrong_passphrase_or_none_restores_nothing(kept: Kept, tmp_path: Path) -> None:
    archive = kept.back_up(tmp_path / "archive", PASSPHRASE)
    with pytest.raises(Refusal, match="passphrase is not the one"):
        restore_backup(kept.elsewhere, archive, check_books, "walnut drawer brass keys")
    with pytest.raises(Refusal, match="COOP_BACKUP_PASSPHRASE"):
        restore_backup(kept.elsewhere, archive, check_books)
    assert kept.nothing_there()


@pytest.mark.parametrize("passphrase", ["", PASSPHRASE])
def test_a_damaged_or_shortened_archive_restores_nothing(kept: Kept, tmp_path: Path, passphrase: str) -> None:
    whole = kept.back_up(tmp_path / "archive", passphrase).read_bytes()
    middle = len(whole) // 2
    shortened = [whole[:length] for length in (0, 30, middle, len(whole) - 1)]
    flipped = [whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :] for at in (0, middle, len(whole) - 6)]
    for number, content in enumerate(shortened + flipped):
        damaged = tmp_path / f"damaged {number}"
        damaged.write_bytes(content)
        with pytest.raises(Refusal, match="damaged"):
            restore_backup(kept.elsewhere, damaged, check_books, passphrase)
        assert kept.nothing_there()


def test_where_a_co_op_is_none_is_restored(kept: Kept, tmp_path: Path) -> None:
    archive = kept.back_up(tmp_path / "archive")
    before = rows(kept.engine)
    with pytest.raises(Refusal, match="already holds"):
        restore_backup(kept.settings, archive, check_books)
    assert rows(kept.engine) == before


def test_the_key_of_another_co_op_is_not_overwritten(kept: Kept, tmp_path: Path) -> None:
    kept.elsewhere.data.mkdir()
    (kept.elsewhere.data / "secret-key").write_text("of another")
    with pytest.raises(Refusal, match="key of another"):
        restore_backup(kept.elsewhere, kept.back_up(tmp_path / "archive"), check_books)
    assert (kept.elsewhere.data / "secret-key").read_text() == "of another"


def test_a_log_left_beside_a_database_that_is_gone_would_be_played_into_the_restored_one(tmp_path: Path) -> None:
    (tmp_path / "coop.sqlite3-wal").touch()
    archive = tmp_path / "archive"
    archive.write_bytes(b"not looked at")
    with pytest.raises(Refusal, match=r"coop\.sqlite3-wal"):
        restore_backup(Settings(data=tmp_path), archive, check_books)


def test_one_kind_is_not_restored_into_the_other(
    sqlite_url: str,
    postgres_database_url: str,
    postgres_databases: PostgresDatabases,
    tmp_path: Path,
    now: datetime,
    make_test_engine: MakeEngine,
) -> None:
    empty = postgres_databases.empty()
    for source, target, mend in (
        (sqlite_url, Settings(data=tmp_path / "b", database_url=empty), "unset COOP_DATABASE_URL"),
        (postgres_database_url, Settings(data=tmp_path / "c"), "an empty PostgreSQL database"),
    ):
        archive = tmp_path / f"archive {mend}"
        engine = make_test_engine(source)
        make_backup(Settings(data=tmp_path / "a", database_url=source), engine, now, archive)

        with pytest.raises(Refusal, match=mend):
            restore_backup(target, archive, check_books)


def test_books_that_do_not_hold_are_not_restored(kept: Kept, tmp_path: Path) -> None:
    archive = kept.back_up(tmp_path / "archive")
    with pytest.raises(Refusal, match=r"do not hold.*The trial balance is off by a cent\."):
        restore_backup(kept.elsewhere, archive, lambda _session: ["The trial balance is off by a cent."])
    assert kept.nothing_there()
    restore_backup(kept.elsewhere, archive, check_books)
    assert rows(kept.restored()) == rows(kept.engine)


def test_a_database_that_is_not_what_the_manifest_says_is_not_restored(kept: Kept, tmp_path: Path) -> None:
    archive = kept.back_up(tmp_path / "archive")
    contents = {}
    with tarfile.open(archive) as tar:
        for info in tar:
            file = tar.extractfile(info)
            assert file is not None
            contents[info.name] = file.read()
    said = json.loads(contents.pop("manifest.json"))
    said.pop("format")
    manifest = Manifest(**said)
    counts = manifest.counts | {"posting": manifest.counts["posting"] + 1}
    _write(tmp_path / "lying", contents, replace(manifest, counts=counts))
    with pytest.raises(Refusal, match=r"not the one its manifest describes \(posting\)"):
        restore_backup(kept.elsewhere, tmp_path / "lying", check_books)
    _write(tmp_path / "other", contents | {"secret-key": b"another"}, manifest)
    with pytest.raises(Refusal, match="damaged"):
        restore_backup(kept.elsewhere, tmp_path / "other", check_books)
    for name in ("../escaped", "/tmp/escaped", "mail/new/../../../escaped", "mail/tmp/x", "coop.sqlite3"):
        _write(tmp_path / "foreign", contents | {name: b"x"}, manifest)
        with pytest.raises(Refusal, match="not a backup of a co-op"):
            restore_backup(kept.elsewhere, tmp_path / "foreign", check_books)
    assert kept.nothing_there()
    assert list(tmp_path.rglob("escaped")) == []


def _write(path: Path, contents: dict[str, bytes], manifest: Manifest) -> None:
    with path.open("wb") as file, writing_archive(file, "", 1) as archive:
        for name, content in contents.items():
            archive.add(name, content)
        archive.add_manifest(manifest)


# --- cut off ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("point", ["backup:dumped", "backup:written"])
def test_a_backup_cut_off_never_has_its_name(kept: Kept, tmp_path: Path, point: str) -> None:
    folder = tmp_path / "backups"
    folder.mkdir()
    done = kept.run(kept.settings, "backup", "--to", str(folder / "archive"), kill_at=point)
    assert done.killed
    assert not (folder / "archive").exists()
    assert kept.run(kept.settings, "backup", "--to", str(folder / "archive")).code == 0
    restore_backup(kept.elsewhere, folder / "archive", check_books)
    assert rows(kept.restored()) == rows(kept.engine)


def test_a_restore_cut_off_is_seen_and_may_be_repeated(kept: Kept, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    archive = kept.back_up(tmp_path / "archive")
    point = "restore:before-database" if kept.elsewhere.is_sqlite else "restore:loaded"
    done = kept.run(kept.elsewhere, "restore", str(archive), kill_at=point)
    assert done.killed
    if not kept.elsewhere.is_sqlite:
        # PostgreSQL has all of it already, but nobody has checked it: another empty database is asked for.
        again = kept.run(kept.elsewhere, "restore", str(archive))
        assert "already holds tables" in again.err
        databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
        kept.elsewhere = kept.elsewhere.model_copy(update={"database_url": databases.empty()})
    again = kept.run(kept.elsewhere, "restore", str(archive))
    assert again.code == 0, again.err
    assert rows(kept.restored()) == rows(kept.engine)
    assert (kept.elsewhere.data / "secret-key").read_text() == KEY


def test_a_full_disk_is_told_and_leaves_nothing(kept: Kept, tmp_path: Path) -> None:
    # A limit on the length of a file stands for the disk's end: the same call fails, at the same place.
    (kept.settings.maildir / "new" / "large").write_bytes(os.urandom(3 * 2**20))
    folder = tmp_path / "backups"
    folder.mkdir()
    done = kept.run(kept.settings, "backup", "--to", str(folder / "archive"), limit=2 * 2**20)
    assert done.code == 2
    assert f"There is no room left in {folder}" in done.err
    assert list(folder.iterdir()) == []
    assert sorted(path.name for path in kept.settings.data.iterdir()) == ["field-keys", "mail", "secret-key"]


def test_no_room_for_the_copy_of_the_database_is_told_too(kept: Kept, tmp_path: Path) -> None:
    done = kept.run(kept.settings, "backup", "--to", str(tmp_path / "archive"), limit=4096)
    assert (done.code, done.err.count("\n")) == (2, 1), done.err
    assert not (tmp_path / "archive").exists()


# --- the commands -------------------------------------------------------------------------------------------------------


def test_the_commands_say_what_they_did(kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COOP_DATABASE_URL", kept.settings.database_url)
    monkeypatch.setenv("COOP_BACKUP_PASSPHRASE", "too short")
    arguments = ["--to", str(tmp_path / "archive"), "--data", str(kept.settings.data)]
    refused = CliRunner().invoke(backup_command, arguments)
    assert "at least 12" in str(refused.exception)
    secret = tmp_path / "passphrase"
    secret.write_text(PASSPHRASE + "\n")
    monkeypatch.delenv("COOP_BACKUP_PASSPHRASE")
    refused = CliRunner().invoke(backup_command, [*arguments, "--encrypt"])
    assert "COOP_BACKUP_PASSPHRASE" in str(refused.exception)
    monkeypatch.setenv("COOP_BACKUP_PASSPHRASE_FILE", str(secret))
    made = CliRunner().invoke(backup_command, arguments)
    assert made.exit_code == 0, made.exception
    assert "1 mails of the post-box" in made.output
    assert "encrypted" in made.output
    monkeypatch.setenv("COOP_DATABASE_URL", kept.elsewhere.database_url)
    back = CliRunner().invoke(restore_command, [str(tmp_path / "archive"), "--data", str(kept.elsewhere.data)])
    assert back.exit_code == 0, back.exception
    assert "The co-op as it was at 20" in back.output
    assert "the books hold" in back.output
    assert rows(kept.restored()) == rows(kept.engine)
