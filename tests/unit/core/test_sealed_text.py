"""Sealed text: what one key seals only it opens; keys change without a number lost; the folder's key is its owner's alone."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from cryptography.fernet import Fernet

from coop.config import Settings, SettingsError, add_field_key, field_keys, fresh_field_key, load_settings
from coop.core.errors import Refusal
from coop.core.sealed_text import FieldKeys

OLD, NEW = "b2xkb2xkb2xkb2xkb2xkb2xkb2xkb2xkb2xkb2xkb2w=", "bmV3bmV3bmV3bmV3bmV3bmV3bmV3bmV3bmV3bmV3bmU="


def test_the_first_key_seals_and_all_open() -> None:
    old, both, new = FieldKeys((OLD,)), FieldKeys((NEW, OLD)), FieldKeys((NEW,))
    sealed = old.seal("000123456789")
    assert "123456789" not in sealed
    assert both.open(sealed) == "000123456789"
    again = both.again(sealed)
    assert new.open(again) == "000123456789"
    # The cipher is Fernet's own, readable by anything that reads Fernet.
    assert Fernet(NEW).decrypt(again) == b"000123456789"
    for unopened in (again, sealed[:-4] + "AAA=", "no seal"):
        with pytest.raises(Refusal, match=r"COOP_FIELD_KEYS.*field-keys") as refused:
            old.open(unopened)
        assert refused.value.__cause__ is None
    with pytest.raises(Refusal, match="does not open"):
        new.again(sealed)


def test_the_same_number_is_never_sealed_to_the_same_text() -> None:
    keys = FieldKeys((OLD,))
    assert keys.seal("1234") != keys.seal("1234")
    assert OLD not in repr(keys)


def test_the_longest_sealed_text_fits_its_column() -> None:
    keys = FieldKeys((OLD,))
    assert len(keys.seal("9" * 120)) <= 400
    with pytest.raises(Refusal, match="120 is the most"):
        keys.seal("9" * 121)


def test_without_a_setting_a_key_is_made_once_in_the_folder(tmp_path: Path) -> None:
    settings = Settings(data=tmp_path / "data")
    [key] = field_keys(settings)
    assert field_keys(settings) == (key,)
    [file] = settings.data.iterdir()
    assert (file.name, stat.S_IMODE(file.stat().st_mode)) == ("field-keys", 0o600)
    sealed = FieldKeys.of(settings).seal("6789")
    add_field_key(settings)
    assert field_keys(settings)[1:] == (key,)
    assert FieldKeys.of(settings).open(sealed) == "6789"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_keys_come_from_the_environment_or_a_file_it_names(tmp_path: Path) -> None:
    file = tmp_path / "keys"
    file.write_text(f"{NEW}, {OLD}\n")
    for env in ({"COOP_FIELD_KEYS": f"{NEW},{OLD}"}, {"COOP_FIELD_KEYS_FILE": str(file)}):
        assert field_keys(load_settings(tmp_path, env)) == (NEW, OLD)
    assert not (tmp_path / "field-keys").exists()
    with pytest.raises(SettingsError, match=r"COOP_FIELD_KEYS: key 2 is none: .*openssl rand"):
        load_settings(tmp_path, {"COOP_FIELD_KEYS": f"{fresh_field_key()},{OLD[:-3]}"})
