"""A co-op with one mall and dealers D01 to D03, and imports into it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from coop.core.db import Sessions, transaction
from coop.sales.importing import ImportOptions, import_sales
from coop.sales.models import SalesImport
from tests.factories.coops import SmallCoop, found

Import = Callable[..., SalesImport]


@pytest.fixture
def coop(sessions: Sessions, now: datetime) -> SmallCoop:
    with transaction(sessions) as session:
        return found(session, now, dealers=["D01", "D02", "D03"])


@pytest.fixture
def bring_in(sessions: Sessions, coop: SmallCoop, now: datetime) -> Import:
    """Bring a file in by the mapping `open-retail` into MAIN; options by name."""

    def run(path: Path, **options: object) -> SalesImport:
        chosen = {"mapping": "open-retail", "mall_code": "MAIN", **options}
        return import_sales(sessions, path, ImportOptions(**chosen), clock=lambda: now)

    return run
