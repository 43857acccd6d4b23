"""The services the tests talk to: PostgreSQL and Redis, started from installed binaries where nobody names one that runs.

`python -m tests.services -- COMMAND ARGS` runs a command with both there, their addresses in COOP_TEST_POSTGRES and
COOP_TEST_REDIS, and stops afterwards what it started. Its exit code is the command's. A PostgreSQL that this machine happens to
run is used only where it is named, or no other can be started: one made for a run waits for no disk, and takes half the time.
The mail server is in `tests.mail_server`.
"""

from __future__ import annotations

import contextlib
import glob
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import click
import psycopg
import redis

CHECKOUT = Path(__file__).resolve().parent.parent
POSTGRES = os.environ.get("COOP_TEST_POSTGRES", "postgresql://postgres@127.0.0.1:5432/postgres")
REDIS = os.environ.get("COOP_TEST_REDIS", "redis://127.0.0.1:6379")
START_LIMIT_S = 60
MEMORY = Path("/dev/shm")
ROOM_BYTES = 4 << 30
"""What must be free in memory for a database server to have its files there."""


class ServiceMissing(Exception):
    """A service is not there and cannot be started; the message says what to do."""


def postgres_fault(url: str) -> str:
    """Why the tests cannot use this PostgreSQL, or an empty string."""
    try:
        with psycopg.connect(url, connect_timeout=5) as connection:
            row = connection.execute("SELECT rolcreatedb OR rolsuper FROM pg_roles WHERE rolname = current_user")
            allowed = row.fetchone()
    except psycopg.Error as error:
        return str(error).strip().splitlines()[0]
    return "" if allowed and allowed[0] else "its user may not create databases"


def redis_fault(url: str) -> str:
    """Why the tests cannot use this Redis, or an empty string."""
    try:
        with redis.Redis.from_url(url, socket_connect_timeout=5) as client:
            client.ping()
    except redis.RedisError as error:
        return str(error)
    return ""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


# --- binaries -----------------------------------------------------------------------------------------------------------


def postgres_bin() -> Path | None:
    """Folder of the newest installed PostgreSQL's programs (Debian keeps them off the PATH)."""
    found = glob.glob("/usr/lib/postgresql/*/bin/postgres")
    found += glob.glob("/opt/homebrew/opt/postgresql*/bin/postgres") + glob.glob("/usr/local/opt/postgresql*/bin/postgres")
    on_path = shutil.which("postgres")
    if on_path:
        found.append(os.path.realpath(on_path))
    versions = {_major(path): Path(path).parent for path in found if (Path(path).parent / "initdb").exists()}
    return versions[max(versions)] if versions else None


def _major(path: str) -> int:
    said = subprocess.run([path, "--version"], capture_output=True, text=True, check=True).stdout.split()
    return int(next(word for word in said if word[0].isdigit()).split(".")[0].rstrip("abcdefghijklmnopqrstuvwxyz"))


def chromium() -> Path | None:
    """The browser: Debian's, a Mac's, or the one Playwright fetched."""
    for name in ("chromium", "chromium-browser"):
        path = shutil.which(name)
        if path:
            return Path(path)
    own = [Path("/Applications/Chromium.app/Contents/MacOS/Chromium")]
    for cache in (Path.home() / ".cache", Path.home() / "Library/Caches"):
        own += sorted(cache.glob("ms-playwright/chromium-*/chrome-*/chrome"), reverse=True)
        own += sorted(cache.glob("ms-playwright/chromium-*/chrome-*/Chromium.app/Contents/MacOS/Chromium"), reverse=True)
    return next((path for path in own if path.exists()), None)


def missing_programs() -> list[str]:
    """What the tests need that is not installed."""
    missing = []
    if postgres_fault(POSTGRES) and postgres_bin() is None:
        missing.append("PostgreSQL")
    if redis_fault(REDIS) and shutil.which("redis-server") is None:
        missing.append("Redis")
    if chromium() is None:
        missing.append("Chromium")
    missing += [name for name in ("pdftotext", "pdftoppm", "hledger") if shutil.which(name) is None]
    return missing


# --- starting and stopping ----------------------------------------------------------------------------------------------


@contextlib.contextmanager
def running_postgres(named: str | None = os.environ.get("COOP_TEST_POSTGRES"), usual: str = POSTGRES) -> Iterator[str]:
    """The address of a PostgreSQL that may make databases: the one named, else one of our own, else the usual one if it runs."""
    fault = postgres_fault(named) if named else "none is named"
    programs = postgres_bin()
    if fault and programs is None:
        named, fault = usual, postgres_fault(usual)
    if named and not fault:
        yield named
        return
    if programs is None:
        raise ServiceMissing(f"PostgreSQL does not answer ({fault}) and is not installed. Run: bash .ci/setup")
    owner = _postgres_owner()
    # The socket's path is short of a hundred characters everywhere only under these two.
    folder = Path(tempfile.mkdtemp(prefix="coop-pg-", dir=MEMORY if has_room(MEMORY, ROOM_BYTES) else "/tmp"))
    server = None
    try:
        if owner:
            shutil.chown(folder, owner)
        port = free_port()
        # Sorted by code point, and upper and lower case of every letter: as a server made in an ordinary UTF-8 locale knows them.
        letters = "UTF-8" if sys.platform == "darwin" else "C.UTF-8"
        encoding = ["--encoding=UTF8", "--locale=C", f"--lc-ctype={letters}"]
        _quietly(
            [programs / "initdb", "-D", folder / "data", "-U", "postgres", "-A", "trust", "--no-sync", *encoding],
            owner,
        )
        options = {
            "listen_addresses": "127.0.0.1",
            "port": port,
            "unix_socket_directories": folder,
            "max_connections": 200,
            # A cluster made for one run has nothing to survive: the tests kill clients, never this server.
            "fsync": "off",
            "full_page_writes": "off",
            "synchronous_commit": "off",
            "wal_level": "minimal",
            "max_wal_senders": 0,
            "max_wal_size": "512MB",
            # Small tables, never analyzed: compiling a query, or tidying beside the tests, costs more than it brings.
            "jit": "off",
            "autovacuum": "off",
        }
        command = [str(programs / "postgres"), "-D", str(folder / "data")]
        for name, value in options.items():
            command += ["-c", f"{name}={value}"]
        with (folder / "log").open("wb") as log:
            server = _start(command, log, owner)
        address = f"postgresql://postgres@127.0.0.1:{port}/postgres"
        _wait(server, lambda: postgres_fault(address), "PostgreSQL", folder / "log")
        yield address
    finally:
        # SIGQUIT is PostgreSQL's immediate stop; SIGINT would wait for nobody either but writes a checkpoint.
        _stop(server, signal.SIGQUIT)
        shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def running_redis(url: str = REDIS) -> Iterator[str]:
    """The address of a Redis: the one at `url`, else one of our own that keeps nothing."""
    fault = redis_fault(url)
    if not fault:
        yield url
        return
    program = shutil.which("redis-server")
    if program is None:
        raise ServiceMissing(f"Redis does not answer ({fault}) and is not installed. Run: bash .ci/setup")
    folder = Path(tempfile.mkdtemp(prefix="coop-redis-", dir="/tmp"))
    server = None
    try:
        port = free_port()
        command = [program, "--bind", "127.0.0.1", "--port", str(port), "--dir", str(folder), "--databases", "64"]
        command += ["--save", "", "--appendonly", "no"]
        with (folder / "log").open("wb") as log:
            server = _start(command, log, None)
        address = f"redis://127.0.0.1:{port}"
        _wait(server, lambda: redis_fault(address), "Redis", folder / "log")
        yield address
    finally:
        _stop(server, signal.SIGTERM)
        shutil.rmtree(folder, ignore_errors=True)


def has_room(place: Path, bytes_free: int) -> bool:
    """Whether this machine has such a folder, and so much is free in it."""
    return place.is_dir() and os.access(place, os.W_OK) and shutil.disk_usage(place).free > bytes_free


def _postgres_owner() -> str | None:
    """PostgreSQL refuses to run as root: the user it runs as then, None for ourselves."""
    if os.geteuid() != 0:
        return None
    known = {line.split(":", 1)[0] for line in Path("/etc/passwd").read_text(encoding="utf-8").splitlines()}
    return "postgres" if "postgres" in known else "nobody"


def _quietly(command: list[str | Path], owner: str | None) -> None:
    done = subprocess.run(command, capture_output=True, text=True, cwd="/", user=owner, extra_groups=_no_groups(owner))
    if done.returncode != 0:
        raise ServiceMissing(f"{command[0]} failed: {done.stderr.strip() or done.stdout.strip()}")


def _start(command: list[str], log: IO[bytes], owner: str | None) -> subprocess.Popen[bytes]:
    # A session of its own: Ctrl-C stops the tests, and they stop the server.
    return subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=log,
        stderr=subprocess.STDOUT,
        cwd="/",
        user=owner,
        extra_groups=_no_groups(owner),
        start_new_session=True,
    )


def _no_groups(owner: str | None) -> list[int] | None:
    return [] if owner else None


def _wait(server: subprocess.Popen[bytes], fault: Callable[[], str], name: str, log: Path) -> None:
    end = time.monotonic() + START_LIMIT_S
    why = ""
    while time.monotonic() < end and server.poll() is None:
        why = fault()
        if not why:
            return
        time.sleep(0.05)
    said = log.read_text(encoding="utf-8", errors="replace")[-1500:]
    raise ServiceMissing(f"{name} was started but does not answer ({why or 'it ended'}). It said:\n{said}")


def _stop(server: subprocess.Popen[bytes] | None, how: signal.Signals) -> None:
    if server is None or server.poll() is not None:
        return
    server.send_signal(how)
    try:
        server.wait(20)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


# --- the command --------------------------------------------------------------------------------------------------------


def install_missing() -> None:
    """Have .ci/setup install what the tests need and this machine lacks."""
    missing = missing_programs()
    if missing:
        click.echo(f"services: not installed: {', '.join(missing)}; asking .ci/setup")
        subprocess.run(["bash", str(CHECKOUT / ".ci" / "setup")], check=False, stdin=subprocess.DEVNULL)


def run_with_services(command: list[str]) -> int:
    """Run the command with its services there; its exit code, or 3 when a service is missing."""
    # Ended from outside, this still stops what it started.
    signal.signal(signal.SIGTERM, lambda _signal, _frame: sys.exit(143))
    install_missing()
    try:
        with running_postgres() as postgres, running_redis() as redis_at:
            for name, address, given in (("PostgreSQL", postgres, POSTGRES), ("Redis", redis_at, REDIS)):
                click.echo(f"services: {name} {'runs' if address == given else 'started'} at {address}")
            env = {**os.environ, "COOP_TEST_POSTGRES": postgres, "COOP_TEST_REDIS": redis_at}
            child = subprocess.Popen(command, env=env, cwd=CHECKOUT)
            try:
                return child.wait()
            finally:
                _stop(child, signal.SIGTERM)
    except ServiceMissing as missing:
        click.echo(f"services: {missing}", err=True)
        return 3
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    arguments = sys.argv[1:]
    sys.exit(run_with_services(arguments[1:] if arguments[:1] == ["--"] else arguments))
