"""Structured logs without personal data: what happened, where, how long it took, under which request.

A request's log line names the rule of its address and never the address itself, nor a query, a form, a mail address or a
network address: those could say who.
"""

from __future__ import annotations

import json
import logging
import sys
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import TextIO

REQUEST_ID: ContextVar[str] = ContextVar("request_id", default="")
"""Set at the edge of a request or a job; every line logged under it carries it."""

_OURS = "fields"
"""Attribute of a record that holds its structured fields: `log.info("...", extra={"fields": {...}})`."""


def _fields(record: logging.LogRecord) -> dict[str, object]:
    fields: dict[str, object] = dict(getattr(record, _OURS, {}))
    request_id = REQUEST_ID.get()
    if request_id:
        fields["request_id"] = request_id
    return fields


class JsonFormatter(logging.Formatter):
    """One JSON object a line, keys in a fixed order: time, level, logger, message, then the fields."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            **_fields(record),
        }
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)


class TextFormatter(logging.Formatter):
    """For a person at a terminal: the message, then its fields as name=value."""

    def format(self, record: logging.LogRecord) -> str:
        line = super().format(record)
        fields = " ".join(f"{name}={value}" for name, value in _fields(record).items())
        first, newline, rest = line.partition("\n")
        return (f"{first} {fields}" if fields else first) + newline + rest


def formatter(log_format: str) -> logging.Formatter:
    """The formatter of `text` or `json`."""
    if log_format == "json":
        return JsonFormatter()
    return TextFormatter("%(asctime)s %(levelname)s %(name)s: %(message)s", datefmt="%H:%M:%S")


def configure_logs(log_format: str, *, stream: TextIO | None = None, level: int = logging.INFO) -> None:
    """Send every `coop` logger's lines to one handler; called again, it replaces its own handler and nobody else's."""
    logger = logging.getLogger("coop")
    for handler in list(logger.handlers):
        if getattr(handler, "is_coops", False):
            logger.removeHandler(handler)
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.is_coops = True  # type: ignore[attr-defined]
    handler.setFormatter(formatter(log_format))
    logger.addHandler(handler)
    logger.setLevel(level)
    logger.propagate = False
