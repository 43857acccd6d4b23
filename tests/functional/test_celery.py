"""Celery workers, two beats and a Redis of their own, as real processes: killed, flushed, and away; every effect exactly once."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import redis
from sqlalchemy import select

from coop.app import create_app
from coop.config import Settings
from coop.core import broker, jobs, schedule
from coop.core.clock import utc_now
from coop.core.db import Sessions, make_engine, make_sessions, transaction
from tests.databases import PostgresDatabases
from tests.functional.trial_work import effects
from tests.functional.waiting import until
from tests.services import CHECKOUT, free_port, redis_fault
from worker.schedule import sign_of_life

pytestmark = [pytest.mark.postgres, pytest.mark.redis]

PREFIX = "trial-coop"


class Crew:
    """One co-op's processes: its Redis, its workers, its two beats."""

    def __init__(self, folder: Path, database_url: str) -> None:
        self.folder = folder
        self.port = free_port()
        self.settings = Settings(
            data=folder,
            database_url=database_url,
            jobs="celery",
            redis_url=f"redis://127.0.0.1:{self.port}/0",
            redis_prefix=PREFIX,
            job_lease_s=2,
        )
        self._env = {
            **os.environ,
            "COOP_DATA": str(folder),
            "COOP_DATABASE_URL": database_url,
            "COOP_JOBS": "celery",
            "COOP_REDIS_URL": self.settings.redis_url,
            "COOP_REDIS_PREFIX": PREFIX,
            "COOP_JOB_LEASE_S": "2",
        }
        self._running: dict[str, subprocess.Popen[bytes]] = {}

    def start(self, name: str, command: list[str]) -> None:
        with (self.folder / f"{name}.log").open("ab") as log:
            self._running[name] = subprocess.Popen(
                command,
                cwd=CHECKOUT,
                env=self._env,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def start_redis(self) -> None:
        program = shutil.which("redis-server")
        assert program, "redis-server is not installed; run: bash .ci/setup"
        self.start("redis", [program, "--bind", "127.0.0.1", "--port", str(self.port), "--save", "", "--appendonly", "no"])
        until(lambda: not redis_fault(self.settings.redis_url))

    def start_worker(self, name: str) -> None:
        options = ["worker", "--concurrency", "1", "--loglevel", "info", "--hostname", f"{name}@trial"]
        self.start(name, [sys.executable, "-m", "celery", "-A", "tests.functional.trial_work", *options])

    def start_beat(self, name: str) -> None:
        options = ["beat", "--loglevel", "info", "--pidfile="]
        self.start(name, [sys.executable, "-m", "celery", "-A", "tests.functional.trial_work", *options])

    def kill(self, name: str) -> None:
        """Kill a process and all it forked, at once and without a word."""
        process = self._running.pop(name)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def end(self) -> None:
        for name in list(self._running):
            self.kill(name)

    def said(self, name: str) -> str:
        return (self.folder / f"{name}.log").read_text(encoding="utf-8", errors="replace")

    @property
    def redis(self) -> redis.Redis:
        return redis.Redis.from_url(self.settings.redis_url)


@pytest.fixture(scope="module")
def crew(tmp_path_factory: pytest.TempPathFactory, postgres_databases: PostgresDatabases) -> Iterator[Crew]:
    database = postgres_databases.migrated()
    crew = Crew(tmp_path_factory.mktemp("celery"), database)
    try:
        crew.start_redis()
        crew.start_worker("worker-1")
        crew.start_beat("beat-1")
        crew.start_beat("beat-2")
        yield crew
    finally:
        crew.end()
        postgres_databases.drop(database)


@pytest.fixture
def sessions(crew: Crew) -> Iterator[Sessions]:
    """Sessions of a process that tells the broker, as the web and the command line do."""
    engine = make_engine(crew.settings.url)
    broker.connect(crew.settings)
    yield make_sessions(engine)
    jobs.DISPATCH.send = None
    engine.dispose()


def test_a_beat_is_healthy_while_the_broker_takes_its_ticks_and_not_when_none_came_for_long(crew: Crew) -> None:
    """The very command of the containers' health check, on this co-op's folder."""
    compose = (CHECKOUT / "docker-compose.yml").read_text(encoding="utf-8")
    test = re.search(r'test: "(python -c .*/var/lib/coop/beat.*)"\n', compose)
    assert test
    sign = sign_of_life(crew.settings)
    _, flag, code = shlex.split(test[1].replace('\\"', '"').replace("/var/lib/coop/beat", str(sign)))

    def healthy() -> bool:
        return subprocess.run([sys.executable, flag, code], stderr=subprocess.DEVNULL).returncode == 0

    until(healthy)
    beats = ("beat-1", "beat-2")
    for beat in beats:
        crew.kill(beat)
    os.utime(sign, (0, 0))
    assert not healthy()
    for beat in beats:
        crew.start_beat(beat)
    until(healthy)


def name(sessions: Sessions, kind: str, numbers: range, **args: object) -> None:
    with transaction(sessions) as session:
        some = [(None, {"n": n, **args}) for n in numbers]
        jobs.name_jobs(session, utc_now(), kind, some, queue="statements")


def done(sessions: Sessions, numbers: range) -> bool:
    """Whether the jobs of these numbers are all done."""
    with transaction(sessions) as session:
        rows = session.scalars(select(jobs.Job).where(jobs.Job.kind.startswith("trial")))
        left = [job.id for job in rows if job.args["n"] in numbers and job.state != "done"]
    return not left


def times(sessions: Sessions, numbers: range, action: str = "trial") -> dict[int, int]:
    """How many times each number's effect is there."""
    count = Counter(effects(sessions, action))
    return {n: count[str(n)] for n in numbers}


def test_two_beats_schedule_each_thing_once(crew: Crew, sessions: Sessions) -> None:
    def sweeps() -> int:
        with transaction(sessions) as session:
            slots = select(schedule.ScheduleSlot.slot).where(schedule.ScheduleSlot.schedule == "sweep")
            return len(session.scalars(slots).all())

    until(lambda: sweeps() >= 3)
    until(lambda: all("Sending due task tick" in crew.said(beat) for beat in ("beat-1", "beat-2")))
    before = sweeps()
    until(lambda: sweeps() >= before + 2)
    with transaction(sessions) as session:
        named = Counter(session.scalars(select(jobs.Job.kind)))
        slots = Counter(session.scalars(select(schedule.ScheduleSlot.schedule)))
    # What is done every few minutes may have had a second slot meanwhile.
    assert named == {each.kind: slots[each.kind] for each in schedule.SCHEDULE}
    assert all(slots[each.kind] == 1 for each in schedule.SCHEDULE if each.every >= timedelta(days=1))
    assert crew.said("worker-1").count("Task worker.tick") > sweeps()


def test_jobs_named_in_a_web_process_are_done_once_under_the_co_ops_prefix(crew: Crew, sessions: Sessions) -> None:
    numbers = range(100, 140)
    name(sessions, "trial.count", numbers)
    until(lambda: done(sessions, numbers))
    assert times(sessions, numbers) == dict.fromkeys(numbers, 1)
    with crew.redis as client:
        keys = [key.decode() for key in client.keys("*")]
    assert keys
    assert all(key.startswith(f"{PREFIX}:") for key in keys), keys


def test_the_web_tells_the_broker_if_the_settings_say_so(crew: Crew) -> None:
    try:
        create_app(crew.settings)
        assert jobs.DISPATCH.send is not None
        create_app(crew.settings.model_copy(update={"jobs": "embedded"}))
        assert jobs.DISPATCH.send is None
    finally:
        jobs.DISPATCH.send = None


def test_a_job_put_off_for_a_moment_is_done_when_its_moment_has_come(crew: Crew, sessions: Sessions) -> None:
    with transaction(sessions) as session:
        now = utc_now()
        jobs.name_job(session, now, "trial.count", {"n": 150}, queue="mail", after=timedelta(seconds=1))
        jobs.name_job(session, now, "trial.count", {"n": 151}, queue="mail", after=timedelta(seconds=5))
    until(lambda: done(sessions, range(150, 152)))
    with transaction(sessions) as session:
        rows = session.scalars(select(jobs.Job).where(jobs.Job.queue == "mail")).all()
        assert all(job.finished_at and job.finished_at >= job.run_after for job in rows)
    assert times(sessions, range(150, 152)) == {150: 1, 151: 1}


def test_a_whole_worker_killed_in_mid_job_loses_and_doubles_nothing(crew: Crew, sessions: Sessions) -> None:
    numbers = range(200, 203)
    name(sessions, "trial.slow", numbers, seconds=1)
    until(lambda: times(sessions, numbers, "begun")[200])
    crew.kill("worker-1")
    assert not done(sessions, numbers)
    crew.start_worker("worker-2")
    until(lambda: done(sessions, numbers))
    assert times(sessions, numbers) == dict.fromkeys(numbers, 1)
    assert times(sessions, numbers, "begun")[200] == 2


def test_what_a_flushed_broker_lost_is_sent_again(crew: Crew, sessions: Sessions) -> None:
    numbers = range(300, 320)
    name(sessions, "trial.slow", range(300, 301), seconds=2)
    until(lambda: times(sessions, range(300, 301), "begun")[300])
    name(sessions, "trial.count", range(301, 320))
    with crew.redis as client:
        assert client.llen(f"{PREFIX}:statements") >= 15
        client.flushall()
    until(lambda: done(sessions, numbers))
    assert times(sessions, numbers) == dict.fromkeys(numbers, 1)


def test_a_broker_that_is_away_harms_no_request_and_the_work_is_done_later(crew: Crew, sessions: Sessions) -> None:
    numbers = range(400, 410)
    crew.kill("redis")
    failures = jobs.DISPATCH.failures
    name(sessions, "trial.count", numbers)
    name(sessions, "trial.count", range(410, 411))
    assert jobs.DISPATCH.failures == failures + 2  # once for each commit
    crew.start_redis()
    until(lambda: done(sessions, range(400, 411)))
    assert times(sessions, range(400, 411)) == dict.fromkeys(range(400, 411), 1)


def test_a_backlog_is_not_sent_twice(crew: Crew) -> None:
    nobody_serves_it = crew.settings.model_copy(update={"redis_prefix": "no-workers"})
    sender = broker.Broker(nobody_serves_it)
    for job_id in range(5):
        sender.send(job_id, "rota")
    assert +sender.waiting() == {"rota": 5}
    assert sender.resend([(job_id, "rota") for job_id in range(5)]) == 0
    assert sender.resend([(job_id, "rota") for job_id in range(7)] + [(9, "mail")]) == 3
    assert +sender.waiting() == {"rota": 7, "mail": 1}


@pytest.mark.parametrize(
    ("setting", "value", "sentence"),
    [
        ("COOP_JOBS", "embedded", "Set COOP_JOBS=celery to use these workers."),
        ("COOP_JOB_LEASE_S", "soon", "COOP_JOB_LEASE_S 'soon' is wrong"),
    ],
)
def test_a_worker_with_a_wrong_setting_says_which(crew: Crew, setting: str, value: str, sentence: str) -> None:
    env = {**crew._env, setting: value}
    command = [sys.executable, "-c", "import worker.celery_app"]
    tried = subprocess.run(command, cwd=CHECKOUT, env=env, capture_output=True, text=True, timeout=60)
    assert tried.returncode == 1
    assert sentence in tried.stderr
    assert "Traceback" not in tried.stderr
