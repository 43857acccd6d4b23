"""docker-compose.yml and its image say what exists: commands, settings, queues, health addresses, secrets.

No Docker engine is at hand where the tests run, so the containers themselves are not started here.
"""

from __future__ import annotations

import importlib.util
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from coop.app import create_app
from coop.cli import COMMANDS
from coop.config import Settings, field_keys, load_settings
from coop.core import pdf
from coop.core.jobs import QUEUES
from tests.architecture import plain_yaml
from tests.architecture.rules import CHECKOUT
from worker.schedule import beat_schedule, sign_of_life

COMPOSE = plain_yaml.read((CHECKOUT / "docker-compose.yml").read_text(encoding="utf-8"))
SERVICES: dict[str, dict] = COMPOSE["services"]
OURS = {"migrate", "web", "worker", "beat"}
DOCKERFILE = (CHECKOUT / ".docker" / "Dockerfile").read_text(encoding="utf-8")


def test_there_is_one_of_each():
    assert set(SERVICES) == {"postgres", "redis", "mail", "migrate", "web", "worker", "beat"}


@pytest.mark.parametrize("name", sorted(set(SERVICES) - {"migrate"}))
def test_what_runs_on_is_watched_and_restarted(name):
    service = SERVICES[name]
    assert service["restart"] == "unless-stopped"
    assert {"test", "interval", "timeout", "retries"} <= set(service["healthcheck"])


@pytest.mark.parametrize("name", sorted(set(SERVICES) - {"postgres"}))
def test_no_container_is_root(name):
    """PostgreSQL's image gives up root by itself, and must be root first to own its volume."""
    assert int(SERVICES[name]["user"].split(":")[0]) > 0


@pytest.mark.parametrize("name", sorted(OURS | {"mail"}))
def test_our_containers_can_do_nothing_but_their_work(name):
    service = SERVICES[name]
    assert service["read_only"] == "true"
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]


def test_everything_that_is_used_is_declared_and_the_other_way_round():
    for kind in ("networks", "secrets"):
        assert {used for service in SERVICES.values() for used in service.get(kind, [])} == set(COMPOSE[kind])
    volumes = {volume.split(":")[0] for service in SERVICES.values() for volume in service.get("volumes", [])}
    assert volumes == set(COMPOSE["volumes"])
    waited_for = {other for service in SERVICES.values() for other in service.get("depends_on", {})}
    assert waited_for == {"postgres", "redis", "migrate"}


def test_the_database_and_the_broker_are_reached_from_nowhere_else():
    assert COMPOSE["networks"]["inside"]["internal"] == "true"
    for name in ("postgres", "redis", "mail"):
        assert SERVICES[name]["networks"] == ["inside"]
        assert "ports" not in SERVICES[name]
    assert SERVICES["web"]["ports"] == ["127.0.0.1:8000:8000"]


@pytest.fixture
def container_settings(tmp_path: Path) -> Settings:
    """The settings a container reads: coop.env, with the secrets that make-secrets makes."""
    folder = tmp_path / "docker"
    folder.mkdir()
    shutil.copy(CHECKOUT / ".docker" / "make-secrets", folder)
    subprocess.run(["bash", str(folder / "make-secrets")], check=True, capture_output=True)
    declared = {name: Path(secret["file"]).name for name, secret in COMPOSE["secrets"].items()}
    assert {path.name for path in (folder / "secrets").iterdir()} == set(declared.values())
    env = {}
    for line in (CHECKOUT / ".docker" / "coop.env").read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            name, _, value = line.partition("=")
            if name.endswith("_FILE"):
                secret = value.removeprefix("/run/secrets/")
                assert secret in SERVICES["web"]["secrets"]
                value = str(folder / "secrets" / declared[secret])
            assert name.removeprefix("COOP_").removesuffix("_FILE").lower() in Settings.model_fields
            env[name] = value
    return load_settings(env=env)


def test_the_settings_are_accepted_and_meet_the_services(container_settings):
    assert container_settings.jobs == "celery"
    assert len(container_settings.secret_key) == 48
    assert len(field_keys(container_settings)) == 1
    user, host = re.fullmatch(r"postgresql\+psycopg://(\w+):[0-9a-f]{48}@(\w+):5432/coop", container_settings.url).groups()
    assert user == SERVICES["postgres"]["environment"]["POSTGRES_USER"]
    assert {host, container_settings.smtp_host, container_settings.redis_url.split("/")[2].split(":")[0]} <= set(SERVICES)
    assert f":{container_settings.smtp_port} " in SERVICES["mail"]["command"]
    assert str(container_settings.data) == SERVICES["web"]["volumes"][0].split(":")[1]


def test_secrets_are_made_once_and_differ(tmp_path):
    made = []
    for folder in (tmp_path / "one", tmp_path / "two"):
        folder.mkdir()
        shutil.copy(CHECKOUT / ".docker" / "make-secrets", folder)
        for _ in range(2):
            subprocess.run(["bash", str(folder / "make-secrets")], check=True, capture_output=True)
            made.append({path.name: path.read_text() for path in (folder / "secrets").iterdir()})
    assert made[0] == made[1]
    assert made[2] == made[3]
    assert all(made[0][name] != made[2][name] for name in made[0])
    assert (tmp_path / "one" / "secrets").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("name", sorted(OURS | {"mail"}))
def test_the_commands_exist(name):
    program, *words = shlex.split(SERVICES[name]["command"])
    assert (Path(sys.executable).parent / program).exists()
    if program == "coop":
        assert words[0] in COMMANDS
    modules = [word.removeprefix("python:") for word in words if re.fullmatch(r"(python:)?(coop|worker|aiosmtpd)\.[\w.]+", word)]
    for module in modules:
        if module == "aiosmtpd.handlers.Mailbox":
            module = "aiosmtpd.handlers"
        assert importlib.util.find_spec(module) is not None, module


def test_the_web_command_names_the_factory(container_settings):
    assert shlex.split(SERVICES["web"]["command"])[-1] == f"{create_app.__module__}:{create_app.__name__}()"


def test_the_workers_take_every_queue():
    words = shlex.split(SERVICES["worker"]["command"])
    assert set(words[words.index("--queues") + 1].split(",")) == set(QUEUES)


def test_the_web_is_asked_an_address_that_answers(tmp_path):
    asked = re.search(r"http://127\.0\.0\.1:8000(/\w+)", SERVICES["web"]["healthcheck"]["test"])[1]
    app = create_app(Settings(data=tmp_path))
    assert asked in {rule.rule for rule in app.url_map.iter_rules()}


@pytest.mark.parametrize("name", [name for name in SERVICES if "python -c" in str(SERVICES[name].get("healthcheck"))])
def test_the_health_checks_are_python(name):
    _, flag, code = shlex.split(SERVICES[name]["healthcheck"]["test"])
    assert flag == "-c"
    compile(code, name, "exec")


def test_the_image_is_built_of_the_stages_that_are_named():
    stages = re.findall(r"^FROM \S+ AS (\w+)$", DOCKERFILE, re.MULTILINE)
    targets = {service["build"]["target"] for service in SERVICES.values() if "build" in service}
    assert targets <= set(stages)
    for stage in re.split(r"^FROM ", DOCKERFILE, flags=re.MULTILINE)[2:]:
        assert re.findall(r"^USER (\S+)$", stage, re.MULTILINE)[-1] == "10001:10001"


def test_the_image_has_the_client_of_the_servers_major_version():
    """`pg_dump` refuses a server newer than itself."""
    server = re.fullmatch(r"postgres:(\d+)-bookworm", SERVICES["postgres"]["image"])[1]
    assert f" postgresql-client-{server} " in DOCKERFILE
    assert "FROM python:3.11-slim-bookworm AS coop" in DOCKERFILE  # Debian 12 packages version 15


def test_beat_is_asked_for_the_sign_it_leaves(container_settings):
    asked = re.search(r"getmtime\('(.+?)'\)", SERVICES["beat"]["healthcheck"]["test"])[1]
    assert asked == str(sign_of_life(container_settings))
    [tick] = beat_schedule(container_settings).values()
    assert tick["schedule"] * 3 < int(re.search(r"> (\d+)\)", SERVICES["beat"]["healthcheck"]["test"])[1])


def test_the_renderers_libraries_are_the_same_everywhere():
    wanted = pdf.INSTALL.removeprefix("apt-get install -y ")
    assert wanted in DOCKERFILE
    assert wanted in (CHECKOUT / ".ci" / "setup").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "planted",
    ["a:\n\tb: c", "a: &x b", "a: [b]", "a: 'b'", "a: b: c", "a:", "a: b\na: c", "a:\n    b: c", "- a", 'a: "b', "a: b\n  c: d"],
)
def test_yaml_that_is_not_plain_is_refused(planted):
    with pytest.raises(plain_yaml.NotPlain):
        plain_yaml.read(planted)


def test_plain_yaml_is_read():
    text = 'a: b c\n# note\nd:\n  - e\n  - "f: \\"g\\""\nh:\n  i:\n    j: 1\n  k: {}\n'
    assert plain_yaml.read(text) == {"a": "b c", "d": ["e", 'f: "g"'], "h": {"i": {"j": "1"}, "k": {}}}
