"""The embedded runner: processes that poll the jobs table and work it off, and the watcher that keeps them running.

Nothing is kept in a process: any may be killed at any moment, and others may work on the same table.
"""

from __future__ import annotations

import logging
import os
import resource
import secrets
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from coop.config import Settings
from coop.core import faults
from coop.core.clock import utc_now
from coop.core.db import Sessions, make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.job_groups import GroupState, group_state, nothing_soon
from coop.core.jobs import (
    QUEUES,
    claim_next,
    release_leases,
    run_job,
)
from coop.core.schedule import ASK_EVERY, name_due

log = logging.getLogger("coop.runner")

PATIENCE = timedelta(seconds=20)
"""Work that is put off for longer is not waited for. A failed job's own next attempts all come sooner."""
RENEW_AFTER_JOBS = 500
RENEW_AFTER_GROWTH_MB = 400
RENEW_EXIT = 75
"""Exit code of a runner that wants a fresh process in its place (EX_TEMPFAIL of sysexits.h)."""
OVERRUN_EXIT = 76
"""Exit code of a runner whose job hung."""
_SHORTEST_PAUSE_S = 0.3
_LONGEST_PAUSE_S = 1.0
_AFTER_DATABASE_FAULT_S = 3.0
_DATABASE_FAULTS = 3
"""So often in a row may the database fail a runner that is to end; then it gives up. One that serves tries for ever."""
GAVE_UP_EXIT = 77
"""Exit code of a runner that gave up because the database took nothing (a full disk, a server that is gone)."""


WATCHED = "COOP_RUNNER"
"""Set by a watcher for each process it starts: a name that begins the tokens of its leases, a slash, the watcher's process id."""


class Stop:
    """Whether a process should stop after its current job: it was asked to, or whoever watched it is gone."""

    def __init__(self, watcher_pid: int | None = None) -> None:
        self._asked = False
        self._watcher_pid = watcher_pid

    @property
    def asked(self) -> bool:
        return self._asked or (self._watcher_pid is not None and os.getppid() != self._watcher_pid)

    def ask(self, *_signal: object) -> None:
        # No lock and no event: a signal's handler may come at any instruction, inside theirs too.
        self._asked = True

    def on_signals(self) -> Stop:
        """Be asked by SIGTERM and SIGINT."""
        signal.signal(signal.SIGTERM, self.ask)
        signal.signal(signal.SIGINT, self.ask)
        return self


def watcher_of(env: Mapping[str, str]) -> tuple[str, int | None]:
    """The name this process was given and its watcher's process id; ("", None) for a process nobody watches."""
    owner, _, pid = env.get(WATCHED, "").partition("/")
    return (owner, int(pid)) if pid.isdigit() else ("", None)


def run_loop(
    sessions: Sessions,
    settings: Settings,
    stop: Stop,
    *,
    queues: Sequence[str] = QUEUES,
    until_idle: bool = False,
    group_key: str | None = None,
    clock: Callable[[], datetime] = utc_now,
    patience: timedelta = PATIENCE,
    owner: str = "",
    renew_after_jobs: int = RENEW_AFTER_JOBS,
    renew_after_growth_mb: int = RENEW_AFTER_GROWTH_MB,
) -> int:
    """Claim and run jobs, one at a time, until asked to stop; the exit code of the process: 0, RENEW_EXIT or GAVE_UP_EXIT.

    `until_idle`: end too when nothing (of these queues and this group) runs anywhere or becomes ready within `patience`.
    A runner that goes on also names what is due by the clock. A database that does not answer is waited for,
    for ever by one that goes on, for some seconds by one that is to end.
    """
    lease = timedelta(seconds=settings.job_lease_s)
    keeps_schedule = settings.jobs == "embedded" and not until_idle and group_key is None
    begun_mb = _memory_mb()
    asked_at: datetime | None = None
    ran, database_faults, pause_s = 0, 0, _SHORTEST_PAUSE_S
    longest_pause_s = _SHORTEST_PAUSE_S if until_idle else _LONGEST_PAUSE_S
    while not stop.asked:
        try:
            if keeps_schedule and (asked_at is None or clock() - asked_at >= ASK_EVERY):
                asked_at = clock()
                with transaction(sessions) as session:
                    name_due(session, asked_at)
            with transaction(sessions) as session:
                claimed = claim_next(session, clock(), lease, queues, group_key, owner)
            if claimed:
                job_id, token = claimed
                run_job(
                    sessions,
                    job_id,
                    lease=lease,
                    settings=settings,
                    token=token,
                    clock=clock,
                    on_overrun=lambda: os._exit(OVERRUN_EXIT),
                )
                ran, database_faults, pause_s = ran + 1, 0, _SHORTEST_PAUSE_S
                if ran >= renew_after_jobs or _memory_mb() - begun_mb > renew_after_growth_mb:
                    return RENEW_EXIT
                continue
            if until_idle:
                with transaction(sessions) as session:
                    if nothing_soon(session, clock(), patience, queues, group_key):
                        return 0
        except DBAPIError as error:
            database_faults += 1
            if until_idle and database_faults >= _DATABASE_FAULTS:
                log.error("the database does not take the work; giving up: %s", error.orig)
                return GAVE_UP_EXIT
            log.warning("the database does not answer; trying again: %s", error.orig)
            pause_s = _AFTER_DATABASE_FAULT_S
        time.sleep(pause_s)
        pause_s = min(longest_pause_s, pause_s * 1.3)
    return 0


def _memory_mb() -> float:
    """What this process holds in memory now; where the system does not tell, the most it ever held."""
    try:
        # Not the peak of getrusage: on Linux a process inherits its parent's.
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        return pages * resource.getpagesize() / 2**20
    except OSError:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak / 2**20 if sys.platform == "darwin" else peak / 2**10


# --- watching -----------------------------------------------------------------------------------------------------------


def runner_command(settings: Settings, *options: str) -> list[str]:
    """The command that starts a runner on this co-op, in a process of its own."""
    return [sys.executable, "-m", "coop", "work", "--data", str(settings.data), *options]


class Watched:
    """A process that is started again when it ends before its time."""

    def __init__(self, name: str, command: Sequence[str], *, fds: Sequence[int] = (), env: dict[str, str] | None = None):
        self.name = name
        self._command = list(command)
        self._fds = tuple(fds)
        self._env = dict(os.environ if env is None else env)
        self._process: subprocess.Popen[bytes] | None = None
        self._started_at = 0.0
        self._start_at = 0.0
        self._cannot_start = False
        self.owner = ""
        self.bad_starts = 0
        """How often in a row it ended within a minute of its start, with an error."""

    def start(self) -> None:
        self.owner = secrets.token_hex(4)
        env = {**self._env, WATCHED: f"{self.owner}/{os.getpid()}"}
        # A group of its own: Ctrl-C reaches the watcher, and the watcher asks each process to end its work first.
        self._process = subprocess.Popen(self._command, env=env, pass_fds=self._fds, stdin=subprocess.DEVNULL, process_group=0)
        self._started_at = time.monotonic()
        # A test kills a process at a named point once; the one in its place lives.
        self._env.pop(faults.VARIABLE, None)

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process else None

    def ended(self) -> int | None:
        """The exit code, once, of a process that has ended since the last call; None while it runs or is not started."""
        if self._process is None:
            return None
        code = self._process.poll()
        if code is None:
            return None
        self._process = None
        bad = code not in (0, RENEW_EXIT, OVERRUN_EXIT) and time.monotonic() - self._started_at < 60
        self.bad_starts = self.bad_starts + 1 if bad else 0
        # A process that cannot start must not be started a hundred times a second.
        self._start_at = time.monotonic() + (min(10, 0.2 * 2**self.bad_starts) if bad else 0)
        self._cannot_start = bad and code > 0 and self.bad_starts >= 3
        return code

    @property
    def cannot_start(self) -> bool:
        """Whether it ended by itself three times in a row: a setting is wrong, say. (One that is killed is started for ever.)"""
        return self._cannot_start

    @property
    def due(self) -> bool:
        """Whether it does not run and may be started."""
        return self._process is None and time.monotonic() >= self._start_at

    def ask_to_stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()

    def wait(self, within_s: float) -> None:
        """Wait for its end; kill it when it takes longer."""
        if self._process is None:
            return
        try:
            self._process.wait(max(0.0, within_s))
        except subprocess.TimeoutExpired:
            log.warning("%s did not stop in time and is killed; its work is taken up again", self.name)
            self._process.kill()
            self._process.wait()


def stop_all(watched: Sequence[Watched], within_s: float) -> None:
    """Ask all to stop after what they are doing, wait for them together, kill the rest."""
    for each in watched:
        each.ask_to_stop()
    end = time.monotonic() + within_s
    for each in watched:
        each.wait(end - time.monotonic())


def release_after(sessions: Sessions, watched: Watched, code: int) -> None:
    """A runner ended: if it left work half-done, let another take that at once instead of waiting for the lease."""
    if code in (0, RENEW_EXIT):
        return
    try:
        with transaction(sessions) as session:
            released = release_leases(session, utc_now(), watched.owner)
    except DBAPIError:
        log.warning("%s ended (%s); its leases will run out", watched.name, code)
        return
    log.warning("%s ended (%s) and is started again; jobs it left: %s", watched.name, code, released)


@dataclass(frozen=True)
class GroupEnd:
    """How a group of jobs stood when nothing of it was left to wait for."""

    state: GroupState

    @property
    def put_off(self) -> int:
        """Jobs that wait for a later moment: a mail server asked for patience, say."""
        return self.state.pending


def run_group_with_processes(
    settings: Settings,
    group_key: str,
    on_progress: Callable[[GroupState], None],
    processes: int | None = None,
    patience: timedelta = PATIENCE,
) -> GroupEnd:
    """See a group of jobs through with runner processes (as many as processors), whoever else works on the table too.

    Calls `on_progress` with each new state. Raises Refusal when the runners cannot start, and when they give up because the
    database takes nothing. Interrupted, it stops them after
    their current jobs; what is left stays in the table.
    """
    engine = make_engine(settings.url)
    sessions = make_sessions(engine)
    count = processes or os.cpu_count() or 1
    options = ("--until-idle", "--group", group_key, "--patience", f"{patience.total_seconds():g}")
    runners = [Watched(f"runner {n + 1}", runner_command(settings, *options)) for n in range(count)]
    seen: GroupState | None = None
    try:
        while True:
            with transaction(sessions) as session:
                state = group_state(session, group_key)
                idle = state.pending == 0 or nothing_soon(session, utc_now(), patience, group_key=group_key)
            if state != seen:
                on_progress(state)
                seen = state
            if idle:
                return GroupEnd(state)
            for runner in runners:
                code = runner.ended()
                if code is not None:
                    release_after(sessions, runner, code)
                if code == GAVE_UP_EXIT:
                    raise Refusal(
                        "The database takes nothing any more, as it said above. What was done is kept: when there is room and it "
                        "answers, run the same command again and it goes on."
                    )
                if runner.cannot_start:
                    raise Refusal(
                        f"The processes that do the work end as soon as they start (exit code {code}); they said why above."
                    )
                if runner.due:
                    runner.start()
            time.sleep(_SHORTEST_PAUSE_S)
    finally:
        stop_all(runners, within_s=30)
        engine.dispose()
