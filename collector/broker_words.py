"""Why a broker cannot be reached or does not let us in, with what can be done about it. Pure."""

from __future__ import annotations

import ssl

from collector.config import BrokerSettings

# Reason codes of MQTT 5, section 2.4; the library gives those of 3.1.1 as the same.
_UNSPECIFIED = 0x80
_OTHER_VERSION = 0x84
_LOGIN = (0x86, 0x87)  # bad user name or password, not authorized

# Of OpenSSL, x509_vfy.h: what a certificate is refused for.
_NOT_NOW = (9, 10)  # not yet valid, has expired
_OTHER_NAME = (62, 64)  # of a host, of an IP address


def no_connection(fault: BaseException | None, broker: BrokerSettings) -> str:
    """What to say of an exception while connecting."""
    return f"no connection: {_why_none(fault, broker)}"


def _why_none(fault: BaseException | None, broker: BrokerSettings) -> str:
    if isinstance(fault, ssl.SSLCertVerificationError):
        why = fault.verify_message.rstrip(".")
        return f"the broker's certificate is not accepted ({why}); {_advice(fault)}"
    if broker.tls and isinstance(fault, ssl.SSLError | ConnectionResetError):
        why = getattr(fault, "reason", None) or getattr(fault, "strerror", None) or str(fault)
        return f"no TLS comes about ({why}); a port without TLS wants mqtt:// in the url"
    if isinstance(fault, ConnectionRefusedError):
        return f"nothing listens at {broker.host}:{broker.port}"
    if isinstance(fault, OSError) and fault.strerror:
        return f"{fault.strerror} ({broker.host}:{broker.port})"
    return str(fault or "") or "no reason is given"


def _advice(fault: ssl.SSLCertVerificationError) -> str:
    if fault.verify_code in _OTHER_NAME:
        return "write the url with a name that stands in the certificate"
    if fault.verify_code in _NOT_NOW:
        return "renew it, or set the clock of this machine"
    return "name the authority that signed it as ca_file in [broker]"


def refused(code: int, words: str, broker: BrokerSettings) -> str:
    """What to say when the broker answers and does not let us in."""
    said = f"the broker refuses us: {words}"
    if code == _OTHER_VERSION:
        return f'{said}; with mqtt = "3.1.1" in [broker] it may'
    if code not in _LOGIN:
        return said
    if broker.username is None:
        return f"{said}; it may want a username in [broker], and VATSIDE_BROKER_PASSWORD"
    if broker.password is None:
        return f"{said}; no password is set in the environment"
    return f"{said}; look at username in [broker] and at VATSIDE_BROKER_PASSWORD"


def ended_unheard(broker: BrokerSettings) -> str:
    """What to say when the connection ends before the broker has answered."""
    wanted = "a client certificate (certificate_file)" if broker.tls else "TLS (mqtts://)"
    return f"the connection ended before the broker answered; it may want {wanted}"


def ended(code: int, words: str) -> str:
    """What to say when a connection ends that we had."""
    return "the connection broke off" if code == _UNSPECIFIED else f"the connection ended: {words}"
