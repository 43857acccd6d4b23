"""The `coop` command in processes of its own that need not load the program each time.

One process loads it and does nothing else; for each command it forks, and the child is the command: a process with its own
environment, its own limits and its own death. A test of fifty kills pays for one start.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.services import CHECKOUT


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    code: int
    """Exit code; minus the signal that killed it."""
    out: str
    err: str
    peak_mb: int
    """The most memory it had."""

    @property
    def killed(self) -> bool:
        return self.code == -signal.SIGKILL


class WarmCoop:
    """Start with `with WarmCoop(folder) as coop`, where `folder` takes the output; then `coop("check", COOP_DATA=...)`.

    `module` is whose `main()` runs, its words in `sys.argv`: `coop.cli` makes it the command.
    """

    def __init__(self, folder: Path, module: str = "coop.cli") -> None:
        self.folder, self.module = folder, module
        self.count = 0
        self._ended: dict[str, tuple[int, int]] = {}

    def __enter__(self) -> Self:
        env = {key: value for key, value in os.environ.items() if not key.startswith("COOP_")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.functional.warm", self.module],
            cwd=CHECKOUT,
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        return self

    def __exit__(self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None) -> None:
        self.process.communicate()

    def begin(self, *words: str, file_limit: int | None = None, **env: str) -> Path:
        """Start a command without waiting; give what this returns to `end`."""
        self.count += 1
        base = self.folder / f"command-{self.count}"
        assert self.process.stdin
        order = {"words": words, "env": env, "base": str(base), "file_limit": file_limit}
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()
        return base

    def end(self, *bases: Path) -> list[Ended]:
        """Wait for commands that were begun; in their order."""
        assert self.process.stdout
        while not all(str(base) in self._ended for base in bases):
            name, code, peak_kb = json.loads(self.process.stdout.readline())
            self._ended[name] = (code, peak_kb)
        texts = [[base.with_suffix(end).read_text(errors="replace") for end in (".out", ".err")] for base in bases]
        return [
            Ended(self._ended[str(base)][0], out, err, self._ended[str(base)][1] // 1024)
            for base, (out, err) in zip(bases, texts, strict=True)
        ]

    def __call__(self, *words: str, file_limit: int | None = None, **env: str) -> Ended:
        """Run a command to its end. `file_limit`: no file may grow beyond so many bytes, as on a disk that is full."""
        return self.end(self.begin(*words, file_limit=file_limit, **env))[0]


def _become(order: dict[str, object]) -> None:
    """In the child: be the command."""
    for number, end in ((1, ".out"), (2, ".err")):
        handle = os.open(f"{order['base']}{end}", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        os.dup2(handle, number)
    null = os.open(os.devnull, os.O_RDONLY)
    os.dup2(null, 0)
    env, words, limit = order["env"], order["words"], order["file_limit"]
    assert isinstance(env, dict)
    assert isinstance(words, list)
    os.environ.update(env)
    if isinstance(limit, int):
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    sys.argv = ["coop", *words]
    MAIN()


def _serve() -> None:
    running: dict[int, str] = {}
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(WAKE_WRITE)
    buffer = b""
    open_for_orders = True
    while open_for_orders or running:
        ready, _, _ = select.select([WAKE_READ, *([0] if open_for_orders else [])], [], [])
        if 0 in ready:
            more = os.read(0, 1 << 16)
            open_for_orders = bool(more)
            buffer += more
        *lines, buffer = buffer.split(b"\n")
        for text in lines:
            order = json.loads(text)
            pid = os.fork()
            if pid == 0:
                signal.set_wakeup_fd(-1)
                signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                code: object = 1
                try:
                    _become(order)
                    code = 0
                except SystemExit as leave:
                    code = leave.code
                except BaseException:
                    traceback.print_exc()
                sys.stdout.flush()
                sys.stderr.flush()
                os._exit(code if isinstance(code, int) else 0 if code is None else 1)
            running[pid] = order["base"]
        if WAKE_READ in ready:
            os.read(WAKE_READ, 1 << 16)
        with contextlib.suppress(ChildProcessError):
            while running:
                pid, status, usage = os.wait4(-1, os.WNOHANG)
                if pid == 0:
                    break
                answer = [running.pop(pid), os.waitstatus_to_exitcode(status), usage.ru_maxrss]
                os.write(1, json.dumps(answer).encode() + b"\n")


if __name__ == "__main__":
    import importlib
    import select
    import traceback

    from coop.cli import COMMANDS

    for module in {"sales", "month", "statements", "serve", "beginning", "machine", "keeping", "rent", "payouts"} & set(
        COMMANDS.values()
    ):
        importlib.import_module(f"coop.cli.{module}")
    MAIN = importlib.import_module(sys.argv[1]).main
    WAKE_READ, WAKE_WRITE = os.pipe()
    os.set_blocking(WAKE_WRITE, False)
    _serve()
