"""Mail over TLS, STARTTLS and with a login, to a real server whose certificate is made for the test; and a server that drips."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from coop.config import Settings
from coop.core.mail_transport import Letter, PutOff, Refused, compose, deliver
from tests.mail_server import MailServer


class SecureServer(Controller):
    """A mail server on a port the system chooses; the library's own start-up check cannot speak TLS to a server's context."""

    def _trigger_server(self) -> None:
        self.port = self.server.sockets[0].getsockname()[1]
        socket.create_connection((self.hostname, self.port)).close()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A PEM file with a key and a certificate for 127.0.0.1 that has signed itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "mail.example.org")])
    begin = datetime.fromisoformat("2020-01-01T00:00:00+00:00")
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(begin + timedelta(days=36500))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    path = tmp_path_factory.mktemp("tls") / "mail.pem"
    path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        + made.public_bytes(serialization.Encoding.PEM)
    )
    return path


@pytest.fixture
def server_tls(certificate: Path) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificate)
    return context


@contextmanager
def serving(**options: Any) -> Iterator[tuple[MailServer, int]]:
    kept = MailServer()
    controller = SecureServer(kept, hostname="127.0.0.1", port=0, ready_timeout=30, **options)
    controller.start()
    try:
        yield kept, controller.port
    finally:
        controller.stop()


@pytest.fixture
def send(tmp_path: Path, now: datetime) -> Callable[..., str]:
    """Sends a mail with the given settings; the server's reply."""

    def send(**settings: Any) -> str:
        letter = Letter("dealer@example.org", "Hello", "Hello\n", "", "abc@example.org", now)
        chosen = Settings(data=tmp_path, smtp_host="127.0.0.1", **settings)
        return deliver(compose(letter, "office@example.org"), chosen)

    return send


@pytest.fixture
def trusted(certificate: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The certificate is one this machine trusts (OpenSSL's own variable)."""
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))


def let_in(_server: object, _session: object, _envelope: object, _mechanism: str, given: Any) -> AuthResult:
    assert isinstance(given, LoginPassword)
    # handled=False: the server is to say 535 itself.
    return AuthResult(success=(given.login, given.password) == (b"office", b"correct horse"), handled=False)


@pytest.mark.usefixtures("trusted")
def test_starttls_to_a_server_that_insists(send: Callable[..., str], server_tls: ssl.SSLContext) -> None:
    with serving(tls_context=server_tls, require_starttls=True) as (kept, port):
        assert send(smtp_port=port, smtp_security="starttls").startswith("250")
        assert len(kept.messages) == 1
        # RFC 3207, 4: 530, that is: not this way, ever.
        with pytest.raises(Refused, match="530"):
            send(smtp_port=port, smtp_security="none")
        assert len(kept.messages) == 1


@pytest.mark.usefixtures("trusted")
def test_tls_from_the_first_byte(send: Callable[..., str], server_tls: ssl.SSLContext) -> None:
    with serving(ssl_context=server_tls) as (kept, port):
        assert send(smtp_port=port, smtp_security="tls").startswith("250")
        assert len(kept.messages) == 1


@pytest.mark.parametrize(("security", "option"), [("starttls", "tls_context"), ("tls", "ssl_context")])
def test_a_certificate_nobody_vouches_for_is_not_trusted(
    send: Callable[..., str], server_tls: ssl.SSLContext, security: str, option: str
) -> None:
    with serving(**{option: server_tls}) as (kept, port):
        with pytest.raises(PutOff, match="certificate is not trusted"):
            send(smtp_port=port, smtp_security=security)
        assert kept.messages == []


def test_a_server_without_starttls_gets_no_mail_in_clear(send: Callable[..., str]) -> None:
    with serving() as (kept, port):
        with pytest.raises(PutOff, match="STARTTLS"):
            send(smtp_port=port, smtp_security="starttls")
        assert kept.messages == []


@pytest.mark.usefixtures("trusted")
def test_a_login_lets_in_and_a_wrong_password_puts_off(send: Callable[..., str], server_tls: ssl.SSLContext) -> None:
    with serving(tls_context=server_tls, authenticator=let_in, auth_required=True) as (kept, port):
        assert send(smtp_port=port, smtp_user="office", smtp_password="correct horse").startswith("250")
        # It says nothing about this mail, which goes once a person has mended the setting.
        with pytest.raises(PutOff, match="535"):
            send(smtp_port=port, smtp_user="office", smtp_password="wrong")
        assert len(kept.messages) == 1


def test_a_server_that_drips_bytes_for_ever_is_cut_off(send: Callable[..., str]) -> None:
    stop = threading.Event()

    def drip(listening: socket.socket) -> None:
        connection, _ = listening.accept()
        with connection, suppress(OSError):
            # One byte well inside every time limit on a single read: the line would be full after half an hour.
            while not stop.wait(0.2):
                connection.sendall(b"2")

    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=drip, args=(listening,))
        thread.start()
        try:
            with pytest.raises(PutOff, match="had not finished after 1 seconds"):
                send(smtp_port=listening.getsockname()[1], smtp_security="none", smtp_timeout_s=1)
        finally:
            stop.set()
            thread.join()
