"""Settings from the environment, validated at start.

Every setting is `COOP_NAME`; `COOP_NAME_FILE` names a file that holds the value instead (for secrets).
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator


class SettingsError(Exception):
    """A setting is missing or wrong; the message is a sentence that names it and the mend."""


class Settings(BaseModel):
    """What one co-op's processes share. Frozen; read once at start."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    data: Path
    """Folder of the co-op: its embedded database, its post-box, its key."""
    database_url: str = ""
    """SQLAlchemy URL; empty means SQLite in the data folder."""
    jobs: Literal["embedded", "celery"] = "embedded"
    redis_url: str = "redis://127.0.0.1:6379/0"
    redis_prefix: str = "coop"
    """One co-op, one prefix: two co-ops may share a Redis and never meet."""
    smtp_host: str = ""
    """Empty: mail goes to the Maildir in the data folder."""
    smtp_port: int = Field(default=587, ge=1, le=65535)
    smtp_security: Literal["starttls", "tls", "none"] = "starttls"
    smtp_user: str = ""
    smtp_password: str = ""
    smtp_timeout_s: int = Field(default=30, ge=1, le=600)
    mail_from: str = "coop@localhost"
    mail_domain: str = "coop.invalid"
    """Right-hand side of every Message-ID."""
    base_url: str = "http://127.0.0.1:8000"
    secret_key: str = Field(default="", repr=False)
    secure_cookies: bool = False
    trusted_proxies: int = Field(default=0, ge=0, le=5)
    """How many proxies in front of us set X-Forwarded-For."""
    log_format: Literal["text", "json"] = "text"
    job_lease_s: int = Field(default=120, ge=1, le=86400)
    """How long a claimed job may be silent before another worker takes it."""

    @field_validator("database_url")
    @classmethod
    def _known_database(cls, value: str) -> str:
        if value.startswith(("postgresql://", "postgres://")):
            return "postgresql+psycopg://" + value.split("://", 1)[1]
        if value and not value.startswith(("sqlite:///", "postgresql+psycopg://")):
            raise ValueError("begins with sqlite:/// or postgresql://")
        return value

    @field_validator("mail_from")
    @classmethod
    def _address(cls, value: str) -> str:
        if "@" not in value or any(c in value for c in "\r\n"):
            raise ValueError("is one mail address, such as office@example.org")
        return value

    @property
    def url(self) -> str:
        """The database's SQLAlchemy URL."""
        return self.database_url or f"sqlite:///{self.data / 'coop.sqlite3'}"

    @property
    def is_sqlite(self) -> bool:
        return self.url.startswith("sqlite")

    @property
    def sqlite_path(self) -> Path:
        return Path(self.url.removeprefix("sqlite:///"))

    @property
    def maildir(self) -> Path:
        return self.data / "mail"


def load_settings(data: Path | str | None = None, env: Mapping[str, str] | None = None) -> Settings:
    """Read the environment. `data` (the command's --data) wins over COOP_DATA, which wins over ./coop-data.

    Raises SettingsError with a sentence for each wrong setting.
    """
    env = os.environ if env is None else env
    values: dict[str, object] = {}
    for name in Settings.model_fields:
        key = f"COOP_{name.upper()}"
        if key in env:
            values[name] = env[key]
        elif f"{key}_FILE" in env:
            try:
                values[name] = Path(env[f"{key}_FILE"]).read_text(encoding="utf-8").strip()
            except OSError as error:
                raise SettingsError(f"{key}_FILE names {env[f'{key}_FILE']}, which cannot be read: {error}.") from error
    values["data"] = Path(data or str(values.get("data") or "") or "coop-data").absolute()
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        lines = [
            f"COOP_{str(e['loc'][0]).upper()} is {e['input']!r}: {e['msg'].removeprefix('Value error, ')}."
            for e in error.errors()
        ]
        raise SettingsError(" ".join(lines)) from error


def secret_key(settings: Settings) -> str:
    """The key that signs cookies: from the environment, or made once in the data folder (readable by its owner only)."""
    if settings.secret_key:
        return settings.secret_key
    path = settings.data / "secret-key"
    try:
        return path.read_text(encoding="ascii")
    except FileNotFoundError:
        settings.data.mkdir(parents=True, exist_ok=True)
        fresh = secrets.token_urlsafe(48)
        try:
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            return path.read_text(encoding="ascii")
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(fresh)
        return fresh
