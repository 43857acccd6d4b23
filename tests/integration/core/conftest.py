"""Fixtures of the core's integration tests."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from coop.config import Settings
from coop.core.db import Sessions
from tests.functional.warm import WarmCoop
from tests.integration.core.post import Post
from tests.mail_server import MailServer


@pytest.fixture(scope="module")
def one_job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WarmCoop]:
    with WarmCoop(tmp_path_factory.mktemp("jobs"), "tests.integration.core.run_one_job") as process:
        yield process


@pytest.fixture
def post(
    sessions: Sessions, database_url: str, now: datetime, tmp_path: Path, smtp_server: MailServer, one_job: WarmCoop
) -> Post:
    """A co-op whose mail goes to `smtp_server`."""
    settings = Settings(
        data=tmp_path / "data",
        database_url=database_url,
        smtp_host=smtp_server.host,
        smtp_port=smtp_server.port,
        smtp_security="none",
        smtp_timeout_s=20,
        mail_from="Old Granary Co-op <office@example.org>",
    )
    return Post(sessions, settings, now, one_job)
