"""Backup and restore: one archive of a whole co-op, made while it runs, and the co-op made again from it."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from psycopg.conninfo import make_conninfo
from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from coop import __version__
from coop.config import Settings
from coop.core import faults, migrate
from coop.core.archive import DUMPS, KEY_FILES, Manifest, is_encrypted, unpack, writing_archive
from coop.core.db import make_engine, make_sessions
from coop.core.errors import Refusal

_LEFTOVER_S = 24 * 3600

Check = Callable[[Session], list[str]]
"""Looks through a restored co-op; a sentence for each fault. `coop.books.checking.check_books`."""


@dataclass(frozen=True)
class BackupReport:
    path: Path
    size_bytes: int
    encrypted: bool
    manifest: Manifest


@dataclass(frozen=True)
class RestoreReport:
    manifest: Manifest
    revision: str
    """At which the database is now: an older one has been brought forward."""
    mails_waiting: int
    """Mails that were not yet sent when the backup was made, and will be when work begins."""


# --- making -------------------------------------------------------------------------------------------------------------


def make_backup(settings: Settings, engine: Engine, now: datetime, to: Path, passphrase: str = "") -> BackupReport:
    """Write one consistent archive while the co-op runs. `to` is a file that is not there yet, or a folder.

    Encrypted if there is a passphrase. The file has its name only once it is complete and on the disk. Raises Refusal.
    """
    kind = engine.dialect.name
    if kind == "sqlite" and not settings.sqlite_path.exists():
        raise Refusal(f"There is no co-op in {settings.data}. Name its folder with --data.")
    if to.is_dir():
        to = to / f"coop-{now:%Y%m%d-%H%M%S}.backup"
    if to.exists():
        raise Refusal(f"--to {to}: there is a file of that name already. Choose another, or move that one away.")
    if not to.parent.is_dir():
        raise Refusal(f"--to {to}: there is no folder {to.parent}. Make it first.")
    draft = to.with_name(f".{to.name}.{secrets.token_hex(6)}")
    with _told_what_failed(to.parent), _work_folder(settings.data) as work:
        dump = work / DUMPS[kind]
        revision, counts = _copy_sqlite(settings, dump) if kind == "sqlite" else _dump_postgres(engine, dump)
        if revision is None:
            raise Refusal("There is nothing to back up: the database is empty.")
        faults.point("backup:dumped")
        try:
            with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                # pg_dump has compressed its file already.
                with writing_archive(file, passphrase, 6 if kind == "sqlite" else 1) as archive:
                    archive.add_file(dump.name, dump)
                    for name, path in _kept_beside(settings):
                        with suppress(FileNotFoundError):  # a reader of the post-box has moved it
                            archive.add(name, path.read_bytes())
                    manifest = Manifest(kind, revision, __version__, now.isoformat(), counts, dict(archive.files))
                    archive.add_manifest(manifest)
                file.flush()
                os.fsync(file.fileno())
            faults.point("backup:written")
            draft.rename(to)
            _fsync_folder(to.parent)
        finally:
            draft.unlink(missing_ok=True)
    return BackupReport(to, to.stat().st_size, bool(passphrase), manifest)


_Described = tuple[str | None, dict[str, int]]
"""A database's revision, and its tables' counts of rows."""


def _copy_sqlite(settings: Settings, copy: Path) -> _Described:
    """SQLite's own copy: one moment of the database, while others write."""
    source, target = sqlite3.connect(settings.sqlite_path, timeout=60), sqlite3.connect(copy)
    try:
        source.backup(target)
    finally:
        source.close()
        target.close()
    engine = make_engine(f"sqlite:///{copy}")
    try:
        with engine.connect() as connection:
            return _describe(connection)
    finally:
        engine.dispose()
        _make_one_file(copy)


def _dump_postgres(engine: Engine, dump: Path) -> _Described:
    """pg_dump and the counts, both of the one moment that this transaction sees."""
    with engine.connect().execution_options(isolation_level="REPEATABLE READ") as connection, connection.begin():
        moment = connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()
        _run_postgres(engine, "pg_dump", "-Fc", "--no-owner", "--no-privileges", f"--snapshot={moment}", f"--file={dump}")
        return _describe(connection)


def _run_postgres(engine: Engine, program: str, *arguments: str) -> None:
    """Run one of PostgreSQL's programs on the engine's database. The password goes through the environment only."""
    path = shutil.which(program)
    if path is None:
        raise Refusal(f"{program} is not installed. On Debian and Ubuntu: sudo apt-get install postgresql-client")
    url = engine.url
    where = {"host": url.host, "port": url.port, "user": url.username, "dbname": url.database, **url.query}
    texts = {name: ",".join(value) if isinstance(value, tuple) else str(value) for name, value in where.items() if value}
    conninfo = make_conninfo("", **texts)
    password = {"PGPASSWORD": str(url.password)} if url.password else {}
    done = subprocess.run([path, f"--dbname={conninfo}", *arguments], env=os.environ | password, capture_output=True, text=True)
    if done.returncode != 0:
        said = done.stderr.strip() or f"it ended with {done.returncode}"
        if "No space left" in said:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        raise Refusal(f"{program} could not do its work: {said}")


def _describe(connection: Connection) -> _Described:
    quote = connection.dialect.identifier_preparer.quote
    counts = {
        name: int(connection.execute(text(f"SELECT count(*) FROM {quote(name)}")).scalar_one())
        for name in sorted(inspect(connection).get_table_names())
    }
    return MigrationContext.configure(connection).get_current_revision(), counts


def _kept_beside(settings: Settings) -> Iterator[tuple[str, Path]]:
    """What belongs to the co-op and is not in its database: the key files, and the post-box."""
    yield from ((name, settings.data / name) for name in KEY_FILES if (settings.data / name).is_file())
    # `new` before `cur`: what a reader moves meanwhile is found in the one or in the other.
    for part in ("new", "cur"):
        folder = settings.maildir / part
        if folder.is_dir():
            yield from ((f"mail/{part}/{path.name}", path) for path in sorted(folder.glob("[!.]*")) if path.is_file())


# --- restoring ----------------------------------------------------------------------------------------------------------


def restore_backup(settings: Settings, archive: Path, check: Check, passphrase: str = "") -> RestoreReport:
    """Make a co-op again from an archive, in a folder (and for PostgreSQL a database) that holds none.

    Everything is unpacked, compared with the manifest and checked before it is put in its place. Raises Refusal, and then
    nothing has been restored.
    """
    if is_encrypted(archive) and not passphrase:
        raise Refusal(f"{archive} is encrypted. Give its passphrase in COOP_BACKUP_PASSPHRASE.")
    _require_no_database(settings)
    folder = settings.sqlite_path.parent if settings.is_sqlite else settings.data
    with _told_what_failed(folder), _work_folder(folder) as work:
        manifest = unpack(archive, passphrase, work)
        kind = "sqlite" if settings.is_sqlite else "postgresql"
        if manifest.engine != kind:
            names = {"sqlite": "SQLite, in the data folder", "postgresql": "PostgreSQL"}
            mend = "unset COOP_DATABASE_URL" if kind == "postgresql" else "name an empty PostgreSQL database in COOP_DATABASE_URL"
            raise Refusal(
                f"{archive} holds a co-op on {names[manifest.engine]}, and the one to restore to is on {names[kind]}: {mend}."
            )
        if not _knows(manifest.revision):
            raise Refusal(
                f"{archive} was made by a newer version of this program ({manifest.program}, tables {manifest.revision}). "
                "Install that version, then restore."
            )
        for name in KEY_FILES:
            key = settings.data / name
            if (work / name).exists() and key.exists() and key.read_bytes() != (work / name).read_bytes():
                raise Refusal(f"{settings.data} holds the key of another co-op ({key}). Restore into a folder of its own.")
        if kind == "sqlite":
            report = _restore_sqlite(settings, work, manifest, check)
        else:
            report = _restore_postgres(settings, work, manifest, check)
    return report


def _knows(revision: str) -> bool:
    with suppress(CommandError):
        return ScriptDirectory.from_config(migrate.alembic_config()).get_revision(revision) is not None
    return False


def _require_no_database(settings: Settings) -> None:
    if settings.is_sqlite:
        path = settings.sqlite_path
        # A log left beside a database that is gone would be played into the restored one.
        for there in (path, *(path.with_name(path.name + end) for end in ("-wal", "-shm", "-journal"))):
            if there.exists():
                raise Refusal(
                    f"{path.parent} already holds a co-op ({there.name}). Restore into an empty folder: name it with --data."
                )
        return
    engine = make_engine(settings.url)
    try:
        tables = inspect(engine).get_table_names()
    except DBAPIError as error:
        raise Refusal(f"The database does not answer: {str(error.orig).strip()}") from error
    finally:
        engine.dispose()
    if tables:
        raise Refusal(
            f"The database {engine.url.database} already holds tables. Make an empty one and name it in COOP_DATABASE_URL."
        )


def _restore_sqlite(settings: Settings, work: Path, manifest: Manifest, check: Check) -> RestoreReport:
    copy = work / DUMPS["sqlite"]
    engine = make_engine(f"sqlite:///{copy}")
    try:
        with engine.connect() as connection:
            for pragma in ("integrity_check", "foreign_key_check"):
                said = [str(row[0]) for row in connection.execute(text(f"PRAGMA {pragma}"))]
                if said not in ([], ["ok"]):
                    raise Refusal(f"The database in the archive is broken ({pragma}: {said[0]}). Nothing was restored.")
        report = _check_restored(engine, manifest, check)
    finally:
        engine.dispose()
    _make_one_file(copy)
    _place_files(settings, work)
    with copy.open("rb") as file:
        os.fsync(file.fileno())
    faults.point("restore:before-database")
    copy.rename(settings.sqlite_path)
    _fsync_folder(settings.sqlite_path.parent)
    return report


def _restore_postgres(settings: Settings, work: Path, manifest: Manifest, check: Check) -> RestoreReport:
    engine = make_engine(settings.url)
    try:
        with engine.connect() as connection:
            extensions = set(connection.scalars(text("SELECT extname FROM pg_extension")))
        options = ("--no-owner", "--no-privileges", "--no-comments", "--exit-on-error", "--single-transaction")
        _run_postgres(engine, "pg_restore", *options, str(work / DUMPS["postgresql"]))
        faults.point("restore:loaded")
        try:
            report = _check_restored(engine, manifest, check)
            _place_files(settings, work)
        except BaseException:
            _empty_postgres(engine, extensions)
            raise
        return report
    finally:
        engine.dispose()


def _empty_postgres(engine: Engine, extensions: set[str]) -> None:
    """Take out of a database, which was empty, what was restored into it; extensions that were there stay."""
    ours = "NOT EXISTS (SELECT FROM pg_depend WHERE objid = o.oid AND deptype = 'e')"
    here = "pg_namespace n WHERE n.nspname = current_schema()"
    drops = (
        f"SELECT format('DROP TABLE IF EXISTS %s CASCADE', o.oid::regclass) FROM pg_class o, {here} "
        f"AND o.relnamespace = n.oid AND o.relkind IN ('r', 'p') AND {ours}",
        f"SELECT format('DROP FUNCTION IF EXISTS %s CASCADE', o.oid::regprocedure) FROM pg_proc o, {here} "
        f"AND o.pronamespace = n.oid AND {ours}",
    )
    with engine.begin() as connection:
        for query in drops:
            for drop in list(connection.scalars(text(query))):
                connection.exec_driver_sql(drop)
        for name in set(connection.scalars(text("SELECT extname FROM pg_extension"))) - extensions:
            connection.exec_driver_sql(f"DROP EXTENSION {connection.dialect.identifier_preparer.quote(name)}")


def _check_restored(engine: Engine, manifest: Manifest, check: Check) -> RestoreReport:
    """Counts as in the manifest; then brought forward to this version; then what `check` finds. Raises Refusal."""
    with engine.connect() as connection:
        revision, counts = _describe(connection)
    wrong = [name for name in sorted({*counts, *manifest.counts}) if counts.get(name) != manifest.counts.get(name)]
    if wrong or revision != manifest.revision:
        raise Refusal(f"The database in the archive is not the one its manifest describes ({', '.join(wrong) or 'revision'}).")
    migrate.upgrade(engine)
    with make_sessions(engine)() as session:
        faults_found = check(session)
        waiting = session.scalar(text("SELECT count(*) FROM outbox WHERE state IN ('queued', 'sending')"))
    if faults_found:
        raise Refusal(f"The books in the archive do not hold; nothing was restored. {' '.join(faults_found)}")
    return RestoreReport(manifest, migrate.revision_of(engine) or "", int(waiting or 0))


def _place_files(settings: Settings, work: Path) -> None:
    """The key files and the post-box into the data folder. May be repeated: what is there stays."""
    settings.data.mkdir(parents=True, exist_ok=True)
    for name in KEY_FILES:
        if (work / name).exists() and not (settings.data / name).exists():
            _move(work / name, settings.data / name)
    for part in ("tmp", "new", "cur"):
        if (work / "mail").is_dir():
            (settings.maildir / part).mkdir(mode=0o700, parents=True, exist_ok=True)
        if (work / "mail" / part).is_dir():
            for path in sorted((work / "mail" / part).iterdir()):
                if not (settings.maildir / part / path.name).exists():
                    _move(path, settings.maildir / part / path.name)


def _move(source: Path, target: Path) -> None:
    """Into its place under its name in one step, also when the database's folder is on another disk than the data folder."""
    draft = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    shutil.copy2(source, draft)
    draft.rename(target)


# --- both ---------------------------------------------------------------------------------------------------------------


def _make_one_file(path: Path) -> None:
    connection = sqlite3.connect(path)
    try:
        connection.execute("PRAGMA journal_mode=DELETE")
    finally:
        connection.close()


def _fsync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _work_folder(parent: Path) -> Iterator[Path]:
    """A folder only we can read, beside the co-op's own data: an encrypted archive's plain text never leaves that disk."""
    parent.mkdir(parents=True, exist_ok=True)
    for old in parent.glob(".keeping-*"):  # of a backup that was killed
        if old.stat().st_mtime < time.time() - _LEFTOVER_S:
            shutil.rmtree(old, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=".keeping-", dir=parent) as folder:
        yield Path(folder)


@contextmanager
def _told_what_failed(folder: Path) -> Iterator[None]:
    """Say in a sentence what the disk or the database refused."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise Refusal(f"There is no room left in {folder} ({error.strerror}). Nothing was kept: free some space.") from error
        raise Refusal(f"{error.filename or folder} cannot be used: {error.strerror or error}.") from error
    except (sqlite3.OperationalError, DBAPIError) as error:
        said = str(getattr(error, "orig", error)).strip()
        raise Refusal(f"The database did not do its part: {said}. Nothing was kept.") from error
