"""Settings from the environment: what is wrong is said in a sentence, and no sentence shows a secret."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from coop.config import SECRETS, Settings, SettingsError, load_settings

SECRET = "hunter-two"
MAIL = {"COOP_MAIL_FROM": "office@example.org", "COOP_MAIL_DOMAIN": "example.org"}


def said(**env: str) -> str:
    with pytest.raises(SettingsError) as caught:
        load_settings("/nowhere", env)
    assert caught.value.__cause__ is None
    assert caught.value.__suppress_context__
    return str(caught.value)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("COOP_DATABASE_URL", f"mysql://coop:{SECRET}@db/coop"),
        ("COOP_DATABASE_URL", f"postgresql://coop:pa:{SECRET}@db:x{SECRET}/coop"),
        ("COOP_REDIS_URL", f"http://:{SECRET}@redis:6379/0"),
        ("COOP_REDIS_URL", f"redis://redis:{SECRET}/0"),
        ("COOP_SECRET_KEY", SECRET),
        ("COOP_FIELD_KEYS", SECRET),
    ],
)
def test_a_wrong_secret_is_named_and_not_shown(name: str, value: str) -> None:
    sentence = said(**{name: value})
    assert sentence.startswith(name)
    assert SECRET not in sentence


def test_a_wrong_setting_that_is_no_secret_is_shown() -> None:
    assert said(COOP_SMTP_PORT="mail").startswith("COOP_SMTP_PORT 'mail' is wrong: ")
    assert said(COOP_MAIL_DOMAIN="example.org>").startswith(
        "COOP_MAIL_DOMAIN 'example.org>' is wrong: it is the name of a domain"
    )


def test_settings_do_not_show_their_secrets() -> None:
    assert set(SECRETS) == {"database_url", "redis_url", "smtp_password", "secret_key", "field_keys"}
    settings = load_settings(
        "/nowhere",
        {
            "COOP_DATABASE_URL": f"postgresql://coop:{SECRET}@db/coop",
            "COOP_REDIS_URL": f"redis://:{SECRET}@redis/0",
            "COOP_SMTP_PASSWORD": SECRET,
            "COOP_SECRET_KEY": SECRET * 4,
        },
    )
    assert settings.smtp_password == SECRET
    assert SECRET not in repr(settings) + str(settings)


def test_a_fault_of_the_model_itself_shows_no_value() -> None:
    with pytest.raises(ValidationError) as caught:
        Settings(data=Path(), database_url=f"mysql://coop:{SECRET}@db/coop")
    assert SECRET not in str(caught.value)


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("COOP_SMPT_HOST", "COOP_SMTP_HOST"),
        ("COOP_DATABASEURL", "COOP_DATABASE_URL"),
        ("COOP_SECRET_KEY_FIL", "COOP_SECRET_KEY_FILE"),
        ("COOP_BACKUP_PASSPRASE", "COOP_BACKUP_PASSPHRASE"),
    ],
)
def test_a_misspelt_name_is_refused_with_the_nearest_one(wrong: str, right: str) -> None:
    sentence = said(**{wrong: SECRET})
    assert sentence.startswith(f"{wrong} is no setting")
    assert sentence.endswith(f"the nearest is {right}.")
    assert SECRET not in sentence


def test_names_that_others_read_are_left_alone() -> None:
    names = ("COOP_KILL_AT", "COOP_RUNNER", "COOP_TEST_POSTGRES", "COOP_BACKUP_PASSPHRASE", "COOP_BACKUP_PASSPHRASE_FILE")
    assert load_settings("/nowhere", dict.fromkeys((*names, "COOPERATE", "PATH"), "x")).jobs == "embedded"


def test_a_key_of_31_characters_is_refused_and_one_of_32_taken(tmp_path: Path) -> None:
    assert said(COOP_SECRET_KEY="k" * 31).startswith("COOP_SECRET_KEY has 31 characters and needs 32 or more")
    file = tmp_path / "key"
    file.write_text("k" * 31 + "\n")
    assert said(COOP_SECRET_KEY_FILE=str(file)).startswith("COOP_SECRET_KEY has 31 characters")
    assert load_settings("/nowhere", {"COOP_SECRET_KEY": "k" * 32}).secret_key == "k" * 32


@pytest.mark.parametrize("missing", sorted(MAIL))
def test_a_mail_server_needs_a_sender_and_a_domain(missing: str) -> None:
    env = {"COOP_SMTP_HOST": "mail.example.org", **MAIL}
    assert load_settings("/nowhere", env).mail_domain == "example.org"
    assert said(**{name: value for name, value in env.items() if name != missing}).startswith(f"{missing} is missing: ")
    assert load_settings("/nowhere", {}).smtp_host == ""


def test_every_fault_is_told_at_once() -> None:
    sentence = said(COOP_JOB="celery", COOP_SMTP_PORT="0", COOP_SECRET_KEY="short")
    assert [word for word in sentence.split() if word.startswith("COOP_")] == [
        "COOP_JOB",
        "COOP_JOBS.",
        "COOP_SECRET_KEY",
        "COOP_SMTP_PORT",
    ]


@pytest.mark.parametrize(
    "address",
    ["office.example.org", "ftp://office.example.org", "https://", "https://a@b.example", "https://a/?b", "https://a b"],
)
def test_where_people_reach_the_pages_is_an_address_of_the_web(address: str) -> None:
    assert "it is written like https://office.example.org" in said(COOP_WEB_ADDRESS=address)


@pytest.mark.parametrize("address", ["https://office.example.org/", "https://office.example.org"])
def test_addresses_in_mails_begin_without_a_slash_too_many(address: str) -> None:
    assert load_settings("/nowhere", {"COOP_WEB_ADDRESS": address}).web_address == "https://office.example.org"
