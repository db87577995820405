"""What a person reads when the broker cannot be reached: the cause, and what to do about it."""

from __future__ import annotations

import socket
import ssl

import pytest

from collector import broker_words
from collector.config import BrokerSettings

PLAIN = BrokerSettings("mqtt://cellar:1883", "cellar", 1883)
TLS = BrokerSettings("mqtts://cellar:8883", "cellar", 8883, tls=True)
NAMED = BrokerSettings("mqtt://cellar:1883", "cellar", 1883, username="north")
WHOLE = BrokerSettings("mqtt://cellar:1883", "cellar", 1883, username="north", password="frost")


def unverified(code: int, message: str) -> ssl.SSLCertVerificationError:
    fault = ssl.SSLCertVerificationError(1, "[SSL: CERTIFICATE_VERIFY_FAILED] (_ssl.c:1006)")
    fault.verify_code, fault.verify_message = code, message
    return fault


@pytest.mark.parametrize(
    ("fault", "broker", "words"),
    [
        (
            ConnectionRefusedError(111, "Connection refused"),
            PLAIN,
            "nothing listens at cellar:1883",
        ),
        (
            socket.gaierror(-2, "Name or service not known"),
            PLAIN,
            "Name or service not known (cellar:1883)",
        ),
        (TimeoutError("timed out"), PLAIN, "timed out"),
        (None, PLAIN, "no reason is given"),
        (
            unverified(19, "self-signed certificate in certificate chain"),
            TLS,
            "not accepted (self-signed certificate in certificate chain); name the authority",
        ),
        (unverified(10, "certificate has expired"), TLS, "renew it, or set the clock"),
        (
            unverified(64, "IP address mismatch, certificate is not valid for '127.0.0.1'."),
            TLS,
            "not valid for '127.0.0.1'); write the url with a name",
        ),
        (ConnectionResetError(104, "Connection reset by peer"), TLS, "wants mqtt:// in the url"),
        (ssl.SSLError(1, "[SSL] record layer failure"), TLS, "no TLS comes about"),
    ],
)
def test_why_there_is_no_connection(
    fault: BaseException | None, broker: BrokerSettings, words: str
) -> None:
    said = broker_words.no_connection(fault, broker)
    assert said.startswith("no connection: ")
    assert words in said
    assert "_ssl.c" not in said
    assert "Errno" not in said


@pytest.mark.parametrize(
    ("code", "broker", "words"),
    [
        (0x87, PLAIN, "it may want a username"),
        (0x86, NAMED, "no password is set in the environment"),
        (0x87, WHOLE, "look at username in [broker] and at VATSIDE_BROKER_PASSWORD"),
        (0x84, PLAIN, 'with mqtt = "3.1.1" in [broker] it may'),
        (0x88, PLAIN, "the broker refuses us: Not authorized"),
    ],
)
def test_why_the_broker_refuses_us(code: int, broker: BrokerSettings, words: str) -> None:
    said = broker_words.refused(code, "Not authorized", broker)
    assert words in said
    assert "frost" not in said


def test_why_a_connection_ended() -> None:
    assert "TLS (mqtts://)" in broker_words.ended_unheard(PLAIN)
    assert "client certificate" in broker_words.ended_unheard(TLS)
    assert broker_words.ended(0x80, "Unspecified error") == "the connection broke off"
    assert broker_words.ended(0x8B, "Server shutting down").endswith("ended: Server shutting down")
