"""The second thread that keeps a lease, and the small parts of running that need no database."""

from __future__ import annotations

import threading
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from coop.config import Settings
from coop.core import broker
from coop.core.heartbeat import beating
from coop.core.jobs import Dispatcher
from coop.core.runner import Stop, watcher_of
from tests.services import free_port

SOON = timedelta(milliseconds=5)
LONG = timedelta(hours=1)
WITHIN_S = 20


def _threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name == "heartbeat"]


def test_it_beats_while_the_body_runs_and_ends_with_it() -> None:
    beats, enough = [], threading.Event()

    def beat() -> bool:
        beats.append(1)
        if len(beats) == 3:
            enough.set()
        return True

    with beating(beat, SOON, LONG):
        assert enough.wait(WITHIN_S)
        assert _threads()
    assert not _threads()


def test_it_ends_when_the_lease_is_lost() -> None:
    beats, asked = [], threading.Event()

    def beat() -> bool:
        beats.append(1)
        asked.set()
        return False

    with beating(beat, SOON, LONG):
        assert asked.wait(WITHIN_S)
        for thread in threading.enumerate():
            if thread.name == "heartbeat":
                thread.join(WITHIN_S)
        assert not _threads()
    assert len(beats) == 1


def test_a_beat_the_database_does_not_take_is_tried_again() -> None:
    beats, again = [], threading.Event()

    def beat() -> bool:
        beats.append(1)
        if len(beats) == 1:
            raise OperationalError("UPDATE job", {}, Exception("database is locked"))
        again.set()
        return True

    with beating(beat, SOON, LONG):
        assert again.wait(WITHIN_S)


def test_a_body_that_outlives_its_limit_is_told_of_and_no_longer_kept() -> None:
    beats, overrun = [], threading.Event()

    with beating(lambda: bool(beats.append(1)) or True, SOON, 3 * SOON, overrun.set):
        assert overrun.wait(WITHIN_S)
    assert len(beats) == 2


def test_an_error_of_the_body_passes_through() -> None:
    with pytest.raises(ZeroDivisionError), beating(lambda: True, SOON, LONG):
        raise ZeroDivisionError
    assert not _threads()


def test_a_broker_that_fails_harms_nobody() -> None:
    def send(job_id: int, queue: str, after: timedelta) -> None:
        raise ConnectionError("refused")

    dispatch = Dispatcher(send)
    assert dispatch(1, "mail", timedelta(0)) is False
    assert dispatch.failures == 1
    assert Dispatcher()(1, "mail", timedelta(0)) is True


def test_a_broker_that_is_down_is_asked_once_and_then_left_alone() -> None:
    away = broker.Broker(Settings(data=Path("/nowhere"), jobs="celery", redis_url=f"redis://127.0.0.1:{free_port()}/0"))
    with pytest.raises(Exception, match="refused"):
        away.send(1, "mail")
    with pytest.raises(broker.BrokerDown):
        away.send(2, "mail")


def test_what_is_put_off_for_long_is_left_to_the_sweep() -> None:
    settings = Settings(data=Path("/nowhere"), jobs="celery", redis_url=f"redis://127.0.0.1:{free_port()}/0")
    broker.Broker(settings).send(1, "mail", timedelta(hours=1))  # would be refused if it were sent


@pytest.mark.parametrize("lease_s", [1, 2, 30, 120, 3600])
def test_redis_delivers_again_after_the_lease_and_the_sweep_comes_often_enough(lease_s: int) -> None:
    settings = Settings(data=Path("/nowhere"), job_lease_s=lease_s)
    assert broker.visibility_timeout(settings) > timedelta(seconds=lease_s)
    assert timedelta(seconds=1) <= broker.sweep_every(settings) <= timedelta(seconds=15)


def test_a_process_knows_its_watcher() -> None:
    assert watcher_of({"COOP_RUNNER": "0a1b2c3d/41"}) == ("0a1b2c3d", 41)
    assert watcher_of({}) == ("", None)
    assert watcher_of({"COOP_RUNNER": "nonsense"}) == ("", None)


def test_a_process_stops_when_asked_or_when_its_watcher_is_gone() -> None:
    stop = Stop()
    assert not stop.asked
    stop.ask()
    assert stop.asked
    assert Stop(watcher_pid=-1).asked
