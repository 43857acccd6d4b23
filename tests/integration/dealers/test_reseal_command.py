"""`coop reseal`, and what `coop backup` says of the keys, with the key in the folder or in the environment."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from coop.cli import cli
from coop.config import Settings, field_keys
from coop.core.clock import utc_now
from coop.core.db import make_engine, make_sessions, transaction
from coop.core.errors import Refusal
from coop.core.sealed_text import FieldKeys
from coop.dealers.models import Dealer
from coop.dealers.paying import Paying, account_of, detail_of, set_detail
from tests.factories.people import make_coop, make_dealer

OLD, NEW = "A" * 43 + "=", "E" * 43 + "="
HERS = Paying("ach", "person", "111000025", "000123456789", "checking")


def run(folder: Path, *words: str, **env: str) -> Result:
    return CliRunner().invoke(cli, [*words, "--data", str(folder)], env=env)


def enter(url: str, keys: FieldKeys) -> None:
    with transaction(make_sessions(make_engine(url))) as session:
        make_coop(session, utc_now())
        set_detail(session, utc_now(), keys, make_dealer(session, utc_now()), HERS, mail_domain="example.org")


def opened(url: str, key: str) -> str:
    with transaction(make_sessions(make_engine(url))) as session:
        detail = detail_of(session, session.get_one(Dealer, 1).id)
        assert detail is not None
        return account_of(FieldKeys((key,)), detail)


def test_a_fresh_key_in_the_folder(sqlite_url: str, tmp_path: Path) -> None:
    settings = Settings(data=tmp_path)
    enter(sqlite_url, FieldKeys.of(settings))
    [old] = field_keys(settings)
    done = run(tmp_path, "reseal", "--fresh-key")
    assert "Sealed again under the first key: 1." in done.output
    fresh, kept = field_keys(settings)
    assert kept == old
    assert opened(sqlite_url, fresh) == HERS.account
    with pytest.raises(Refusal, match="does not open"):
        opened(sqlite_url, old)
    said = run(tmp_path, "backup", "--to", str(tmp_path / "archive")).output
    assert "It holds the co-op's keys too, also that of bank account and tax numbers (field-keys)" in said


def test_a_key_of_the_environment_is_changed_by_putting_another_before_it(sqlite_url: str, tmp_path: Path) -> None:
    enter(sqlite_url, FieldKeys((OLD,)))
    lost = run(tmp_path, "reseal", COOP_FIELD_KEYS=NEW)
    assert "sealed under a key that is not here" in str(lost.exception)
    assert opened(sqlite_url, OLD) == HERS.account
    assert run(tmp_path, "reseal", COOP_FIELD_KEYS=f"{NEW},{OLD}").exception is None
    assert opened(sqlite_url, NEW) == HERS.account
    assert "put a new one first there" in str(run(tmp_path, "reseal", "--fresh-key", COOP_FIELD_KEYS=NEW).exception)
    said = run(tmp_path, "backup", "--to", str(tmp_path / "archive"), COOP_FIELD_KEYS=NEW).output
    assert "The keys of bank account and tax numbers (COOP_FIELD_KEYS) are not in it" in said
    assert not (tmp_path / "field-keys").exists()
