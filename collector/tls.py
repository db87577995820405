"""TLS to the broker, as the settings have it."""

from __future__ import annotations

import ssl
from pathlib import Path

from collector.config import BrokerSettings
from collector.errors import SettingsError


def tls_context(broker: BrokerSettings) -> ssl.SSLContext:
    """TLS as the settings have it; raises ``SettingsError`` for a file that cannot be used.

    The broker's certificate has to be signed by the authority of ``ca_file``, or by one that
    the system trusts, and to name the host of the url.
    """
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
    except OSError as fault:  # an SSLError is one
        raise _unfit_file("ca_file", broker.ca_file, fault) from None
    context.sslsocket_class = _TlsSocket
    if broker.certificate_file is not None:
        try:
            context.load_cert_chain(broker.certificate_file, broker.key_file, _refuse_passphrase)
        except (OSError, ValueError) as fault:
            raise _unfit_file("certificate_file", broker.certificate_file, fault) from None
    return context


class _TlsSocket(ssl.SSLSocket):
    """A socket that does not stay open when the handshake fails; paho would forget it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _refuse_passphrase() -> str:
    raise ValueError("the key is locked with a passphrase")


def _unfit_file(key: str, path: Path | None, fault: Exception) -> SettingsError:
    return SettingsError(
        f"the file {path} cannot be used: {fault}.",
        where=f"[broker], {key}",
        remedy="Give certificates and an unlocked key as PEM files that this user may read.",
    )
