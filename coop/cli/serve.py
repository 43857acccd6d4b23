"""`coop serve`: the pages and the work behind them, in processes of their own. `coop work`: one process that works."""

from __future__ import annotations

import errno
import os
import socket
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import click

from coop.cli.context import data_option, open_coop
from coop.config import Settings
from coop.core import logs
from coop.core.db import Sessions, transaction
from coop.core.errors import Refusal
from coop.core.job_groups import group_state
from coop.core.jobs import QUEUES
from coop.core.runner import (
    PATIENCE,
    RENEW_EXIT,
    Stop,
    Watched,
    release_after,
    run_loop,
    runner_command,
    stop_all,
    watcher_of,
)

_STOP_WITHIN_S = 30


@click.command("serve")
@data_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8000, show_default=True, type=click.IntRange(0, 65535), help="0 takes a free one.")
@click.option("--web-workers", default=2, show_default=True, type=click.IntRange(1, 64), help="Web processes.")
@click.option(
    "--runners",
    type=click.IntRange(0, 64),
    help="Processes that do the work (else as many as processors; none where Celery does it).",
)
@click.option("--no-runner", is_flag=True, help="Pages only: the work is done elsewhere.")
def serve_command(data: Path | None, host: str, port: int, web_workers: int, runners: int | None, no_runner: bool) -> None:
    """Serve the co-op's pages, and do its work in the background, until Ctrl-C."""
    coop = open_coop(data)
    logs.configure_logs(coop.settings.log_format)
    if runners is None:
        runners = (os.cpu_count() or 1) if coop.settings.jobs == "embedded" else 0
    serve(coop.settings, coop.sessions, host, port, web_workers=web_workers, runners=0 if no_runner else runners)


def serve(
    settings: Settings,
    sessions: Sessions,
    host: str,
    port: int,
    *,
    web_workers: int = 2,
    runners: int = 1,
    look_on: Callable[[], None] | None = None,
) -> None:
    """Start and watch the web server and the runners until SIGINT or SIGTERM, then stop them all.

    `look_on` is called at every look at them, some times a second, and must not take long.
    Raises Refusal when the address cannot be had, or when the web server cannot start.
    """
    stop = Stop().on_signals()
    with listen(host, port) as listener:
        web = Watched(
            "the web server", web_command(listener.fileno(), web_workers), fds=[listener.fileno()], env=environment(settings)
        )
        watched = [web, *(Watched(f"runner {n + 1}", runner_command(settings)) for n in range(runners))]
        address = listener.getsockname()
        at = f"[{address[0]}]" if ":" in address[0] else address[0]
        click.echo(f"coop serves at http://{at}:{address[1]}/ (Ctrl-C stops it)")
        try:
            while not stop.asked:
                for each in watched:
                    code = each.ended()
                    if code is not None and not stop.asked:
                        release_after(sessions, each, code)
                    if each is web and web.cannot_start:
                        raise Refusal(f"The web server cannot start (exit code {code}); it said why above.")
                    if each.due and not stop.asked:
                        each.start()
                if look_on is not None:
                    look_on()
                time.sleep(0.2)
        finally:
            stop_all(watched, _STOP_WITHIN_S)


def listen(host: str, port: int) -> socket.socket:
    """A listening socket, held by the watcher so that a web server started again finds its address free.

    Raises Refusal naming the option and the mend.
    """
    try:
        family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        listener = socket.socket(family, kind)
    except OSError as error:
        raise Refusal(f"--host {host}: there is no such address here ({error.strerror}).") from error
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(512)
    except OSError as error:
        listener.close()
        if error.errno == errno.EADDRINUSE:
            raise Refusal(f"--port {port}: something else is listening there. Stop it, or choose another --port.") from error
        if error.errno == errno.EACCES:
            raise Refusal(f"--port {port}: this user may not listen there. Choose a port above 1023.") from error
        raise Refusal(f"--host {host} --port {port}: cannot listen there ({error.strerror}).") from error
    return listener


def web_command(listener_fd: int, web_workers: int) -> list[str]:
    return [
        sys.executable,
        "-m",
        "gunicorn",
        "--config",
        "python:coop.cli.gunicorn_settings",
        "--bind",
        f"fd://{listener_fd}",
        "--workers",
        str(web_workers),
        "coop.app:create_app()",
    ]


def environment(settings: Settings) -> dict[str, str]:
    """This process's environment, with the folder of the co-op that was chosen here."""
    return {**os.environ, "COOP_DATA": str(settings.data)}


@click.command("work")
@data_option
@click.option("--until-idle", is_flag=True, help="End when nothing is left to do.")
@click.option("--group", "group_key", help="Only the jobs of one group, such as one month-end.")
@click.option("--queues", help=f"Only these, with commas between (of {', '.join(QUEUES)}).")
@click.option(
    "--patience",
    "patience_s",
    type=click.FloatRange(0, 3600),
    default=PATIENCE.total_seconds(),
    show_default=True,
    help="With --until-idle: wait this many seconds for work that is put off.",
)
def work_command(data: Path | None, until_idle: bool, group_key: str | None, queues: str | None, patience_s: float) -> None:
    """Do the co-op's background work in this process, one job at a time, until Ctrl-C."""
    wanted = tuple(name.strip() for name in queues.split(",")) if queues else QUEUES
    unknown = [name for name in wanted if name not in QUEUES]
    if unknown:
        raise Refusal(f"--queues {queues}: there is no queue {unknown[0]!r}. There is: {', '.join(QUEUES)}.")
    owner, watcher_pid = watcher_of(os.environ)
    stop = Stop(watcher_pid).on_signals()
    coop = open_coop(data)
    logs.configure_logs(coop.settings.log_format)
    code = run_loop(
        coop.sessions,
        coop.settings,
        stop,
        queues=wanted,
        until_idle=until_idle,
        group_key=group_key,
        patience=timedelta(seconds=patience_s),
        owner=owner,
    )
    if code == RENEW_EXIT and not owner:
        # Nobody watches this one: it takes its own place, fresh.
        os.execv(sys.executable, [sys.executable, "-m", "coop", *sys.argv[1:]])
    if group_key and until_idle and not owner:
        with transaction(coop.sessions) as session:
            state = group_state(session, group_key)
        click.echo(f"{group_key}: {state.done} done, {state.failed} failed, {state.pending} put off, of {state.total}")
    coop.engine.dispose()
    sys.exit(code)
