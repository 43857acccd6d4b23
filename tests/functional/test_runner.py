"""Runners as real processes, killed at named points and in the middle: every effect exactly once, nobody left behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from coop.config import Settings
from coop.core import job_groups, jobs, runner
from coop.core.clock import utc_now
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.schedule import SCHEDULE
from tests.functional.trial_work import effects, states
from tests.functional.waiting import WITHIN_S, until
from tests.services import CHECKOUT

EMBEDDED = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


def alive(pid: int) -> bool:
    """Whether a process runs (one that ended and is only not yet reaped does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def children(pid: int, saying: str = "") -> list[int]:
    """Processes whose parent is `pid` and whose command says this."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == pid and saying in (folder / "cmdline").read_text().replace("\0", " "):
                found.append(int(folder.name))
    return sorted(found)


class Processes:
    """Starts commands on one co-op, and ends them with the test whatever happens."""

    def __init__(self, env: dict[str, str]) -> None:
        self.env = {**os.environ, **env}
        self._started: list[subprocess.Popen[str]] = []

    def start(self, *arguments: str, module: str = "tests.functional.trial_work", **env: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            cwd=CHECKOUT,
            env={**self.env, **env},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self._started.append(process)
        return process

    def end(self) -> None:
        left = [pid for process in self._started for pid in children(process.pid)]
        for process in self._started:
            process.kill()
            process.communicate()
        until(lambda: not [pid for pid in left if alive(pid)])


@pytest.fixture
def settings(tmp_path: Path, database_url: str) -> Settings:
    return Settings(data=tmp_path, database_url=database_url, job_lease_s=1)


def environment(settings: Settings) -> dict[str, str]:
    return {
        "COOP_DATA": str(settings.data),
        "COOP_DATABASE_URL": settings.database_url,
        "COOP_JOB_LEASE_S": str(settings.job_lease_s),
    }


@pytest.fixture
def processes(settings: Settings) -> Iterator[Processes]:
    started = Processes(environment(settings))
    yield started
    started.end()


def name(sessions: Sessions, kind: str, count: int, group_key: str | None = None, **args: object) -> None:
    with transaction(sessions) as session:
        some = [(None, {"n": n, **args}) for n in range(count)]
        jobs.name_jobs(session, utc_now(), kind, some, queue="default", group_key=group_key)


def once_each(count: int) -> list[str]:
    return sorted(str(n) for n in range(count))


# --- runners ------------------------------------------------------------------------------------------------------------


def test_two_runners_do_each_of_200_jobs_once(sessions: Sessions, processes: Processes) -> None:
    name(sessions, "trial.count", 200)
    pair = [processes.start("work", "--until-idle", "--patience", "0") for _ in range(2)]
    for each in pair:
        said, _ = each.communicate(timeout=WITHIN_S)
        assert each.returncode == 0, said
    assert effects(sessions) == once_each(200)
    assert states(sessions) == {"done": 200}


def test_runners_killed_at_each_point_lose_and_double_nothing(
    sessions: Sessions, settings: Settings, processes: Processes
) -> None:
    name(sessions, "trial.count", 6)
    points = ("job:claimed", "job:before-commit", "job:done")
    killed = [processes.start("work", COOP_KILL_AT=point, COOP_JOB_LEASE_S="3600") for point in points]
    for each in killed:
        said, _ = each.communicate(timeout=WITHIN_S)
        assert each.returncode == -signal.SIGKILL, said
    assert len(effects(sessions)) == 1  # of the one that died after its commit
    assert states(sessions, "trial") == {"done": 1, "running": 2, "queued": 3}
    with transaction(sessions) as session:  # as when the hour has passed
        assert jobs.release_leases(session, utc_now(), owner="") == 2
    assert runner.run_loop(sessions, settings, runner.Stop(), until_idle=True) == 0
    assert effects(sessions) == once_each(6)
    assert states(sessions, "trial") == {"done": 6}


def test_a_long_job_killed_in_its_midst_is_begun_again_and_ends_once(
    sessions: Sessions, settings: Settings, processes: Processes
) -> None:
    name(sessions, "trial.slow", 1, seconds=1.5)
    first = processes.start("work")
    until(lambda: effects(sessions, "begun"))
    first.kill()
    assert runner.run_loop(sessions, settings, runner.Stop(), until_idle=True) == 0
    assert effects(sessions, "begun") == ["0", "0"]
    assert effects(sessions) == ["0"]


@EMBEDDED
def test_a_runner_that_is_asked_to_stop_ends_its_job_and_takes_no_other(sessions: Sessions, processes: Processes) -> None:
    name(sessions, "trial.slow", 2, seconds=2)
    one = processes.start("work")
    until(lambda: effects(sessions, "begun"))
    one.terminate()
    said, _ = one.communicate(timeout=WITHIN_S)
    assert one.returncode == 0, said
    assert states(sessions, "trial") == {"done": 1, "queued": 1}
    assert effects(sessions) == ["0"]


@EMBEDDED
def test_only_the_queues_and_the_group_that_were_asked_for(sessions: Sessions, processes: Processes) -> None:
    name(sessions, "trial.count", 2, group_key="mine")
    name(sessions, "trial.count", 1, group_key="other")
    mail = processes.start("work", "--until-idle", "--queues", "mail, rota")
    wrong = processes.start("work", "--queues", "post")
    said, _ = mail.communicate(timeout=WITHIN_S)
    assert mail.returncode == 0, said
    assert states(sessions) == {"queued": 3}
    mine = processes.start("work", "--until-idle", "--group", "mine")
    said, _ = mine.communicate(timeout=WITHIN_S)
    assert said == "mine: 2 done, 0 failed, 0 put off, of 2\n"
    assert states(sessions) == {"done": 2, "queued": 1}
    said, _ = wrong.communicate(timeout=WITHIN_S)
    assert wrong.returncode == 2
    assert "there is no queue 'post'" in said


def test_a_runner_asks_for_a_fresh_process_after_so_many_jobs(sessions: Sessions, settings: Settings) -> None:
    name(sessions, "trial.count", 5)
    code = runner.run_loop(sessions, settings, runner.Stop(), until_idle=True, renew_after_jobs=3)
    assert code == runner.RENEW_EXIT
    assert states(sessions) == {"done": 3, "queued": 2}
    code = runner.run_loop(sessions, settings, runner.Stop(), until_idle=True, renew_after_growth_mb=-10_000)
    assert code == runner.RENEW_EXIT
    assert states(sessions) == {"done": 4, "queued": 1}
    assert runner.run_loop(sessions, settings, runner.Stop(), until_idle=True) == 0
    assert states(sessions) == {"done": 5}


# --- a group seen through -----------------------------------------------------------------------------------------------


@EMBEDDED
def test_a_group_is_seen_through_though_its_runners_are_killed(
    sessions: Sessions, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A lease nobody could wait for: what a dead runner left is taken up because its watcher saw it end.
    patient = settings.model_copy(update={"job_lease_s": 3600})
    for key, value in environment(patient).items():
        monkeypatch.setenv(key, value)
    monkeypatch.setenv("COOP_KILL_AT", "job:before-commit@3")
    name(sessions, "core.forget_slots", 20, group_key="close/MAIN")
    name(sessions, "core.forget_slots", 1, group_key="other")
    seen: list[job_groups.GroupState] = []
    end = runner.run_group_with_processes(patient, "close/MAIN", seen.append, processes=2)
    assert end.state == job_groups.GroupState(20, 20, 0)
    assert end.put_off == 0
    assert seen[0].done == 0
    assert seen[-1].done == 20
    with transaction(sessions) as session:
        attempts = session.scalars(select(jobs.Job.attempts).where(jobs.Job.group_key == "close/MAIN")).all()
    assert sorted(attempts) == [1] * 18 + [2] * 2
    assert states(sessions) == {"done": 20, "queued": 1}


@EMBEDDED
def test_a_group_that_waits_for_a_mail_server_is_not_waited_for(
    sessions: Sessions, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    for key, value in environment(settings).items():
        monkeypatch.setenv(key, value)
    name(sessions, "core.forget_slots", 1, group_key="g")
    with transaction(sessions) as session:
        jobs.name_job(session, utc_now(), "core.forget_slots", {}, queue="mail", group_key="g", after=timedelta(hours=1))
    end = runner.run_group_with_processes(settings, "g", lambda state: None, processes=1)
    assert end.state == job_groups.GroupState(2, 1, 0)
    assert end.put_off == 1


@EMBEDDED
def test_runners_that_cannot_start_are_not_tried_for_ever(
    sessions: Sessions, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    for key, value in environment(settings).items():
        monkeypatch.setenv(key, value)
    monkeypatch.setenv("COOP_SMTP_PORT", "none")
    name(sessions, "core.forget_slots", 1, group_key="g")
    with pytest.raises(Refusal, match="end as soon as they start"):
        runner.run_group_with_processes(settings, "g", lambda state: None, processes=1)
    assert states(sessions) == {"queued": 1}


# --- coop serve ---------------------------------------------------------------------------------------------------------


class Served:
    """A `coop serve` that has said where it serves."""

    def __init__(self, processes: Processes, *options: str) -> None:
        self.process = processes.start("serve", "--port", "0", "--runners", "1", "--web-workers", "1", *options, module="coop")
        assert self.process.stdout
        self.said = self.process.stdout.readline()
        assert "coop serves at http://127.0.0.1:" in self.said, self.said + self.process.stdout.read()
        self.address = self.said.split()[3]

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.address}healthz", timeout=5) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    @property
    def runners(self) -> list[int]:
        return children(self.process.pid, " work ")

    @property
    def web(self) -> list[int]:
        masters = children(self.process.pid, "gunicorn")
        return masters + [pid for master in masters for pid in children(master, "gunicorn")]


@EMBEDDED
def test_serve_answers_works_renews_what_dies_and_stops_whole(sessions: Sessions, processes: Processes) -> None:
    served = Served(processes)
    until(served.answers)
    name(sessions, "core.forget_slots", 3)
    until(lambda: states(sessions).keys() == {"done"})
    with transaction(sessions) as session:  # its runners keep the schedule too
        assert set(session.scalars(select(jobs.Job.kind))) == {each.kind for each in SCHEDULE}

    runners, web = served.runners, served.web
    assert len(runners) == 1
    assert len(web) == 2
    os.kill(runners[0], signal.SIGKILL)
    os.kill(web[0], signal.SIGKILL)
    until(lambda: len(served.runners) == 1 and runners[0] not in served.runners)
    until(lambda: not [pid for pid in web if alive(pid)] and len(served.web) == 2 and served.answers())
    name(sessions, "core.forget_slots", 3)
    until(lambda: states(sessions).keys() == {"done"})

    everybody = {*served.runners, *served.web}
    os.killpg(served.process.pid, signal.SIGINT)  # as Ctrl-C does
    said, _ = served.process.communicate(timeout=WITHIN_S)
    assert served.process.returncode == 0, said
    assert "Traceback" not in said
    assert not [pid for pid in everybody if alive(pid)]


@EMBEDDED
def test_a_serve_that_is_killed_leaves_nobody_behind(processes: Processes, sessions: Sessions) -> None:
    served = Served(processes)
    until(served.answers)
    everybody = [*served.runners, *served.web]
    assert len(everybody) == 3
    served.process.kill()
    until(lambda: not [pid for pid in everybody if alive(pid)])


@EMBEDDED
def test_a_port_that_is_taken_is_said_in_a_sentence(processes: Processes, sessions: Sessions) -> None:
    first = Served(processes)
    port = first.address.rstrip("/").rpartition(":")[2]
    second = processes.start("serve", "--port", port, module="coop")
    said, _ = second.communicate(timeout=WITHIN_S)
    assert second.returncode == 2
    assert said == f"coop: --port {port}: something else is listening there. Stop it, or choose another --port.\n"
