"""Why there is no connection to the broker, in words with which a person can act."""

from __future__ import annotations

import socket
import ssl
from typing import Final

_ADVICE: Final = {
    "Bad user name or password": "check username and password_file in [broker]",
    "Not authorized": "check username and password_file in [broker], and the broker's access list",
    "Unsupported protocol version": 'set protocol = "3.1.1" in [broker]',
    "Client identifier not valid": "choose another client_id in [broker]",
    "Session taken over": "another client uses the same client_id; each needs its own",
    "Server busy": "the broker is busy",
    "Banned": "the broker has banned this client",
}


def refused(reason: str, where: str) -> str:
    """Return what it means that the broker answered a connection with ``reason``."""
    advice = _ADVICE.get(reason)
    return f"the broker at {where} refused the connection: {reason}{f'; {advice}' if advice else ''}"


def unreadable(topic: str, reason: str, where: str) -> str:
    """Return what it means that the broker answered a subscription with ``reason``."""
    return (
        f"the broker at {where} does not let us read {topic!r}: {reason}; check the broker's access list, or the "
        "topic in [[topics]]"
    )


def unwritable(topic: str, reason: str, where: str) -> str:
    """Return what it means that the broker answered a message of ours with ``reason``."""
    return (
        f"the broker at {where} does not let us write {topic!r}: {reason}; check the broker's access list "
        "(deploy/mosquitto.acl is an example)"
    )


def dropped(reason: str, where: str, client_id: str) -> str:
    """Return what it means that a connection ended with ``reason``; we try again."""
    if reason == "Session taken over":
        return (
            f"the broker at {where} gave our session to another client with client_id {client_id!r}; trying again; "
            "each needs a client_id of its own in [broker]"
        )
    hint = f"if this goes on, another client may use client_id {client_id!r}"
    return f"the connection to the broker at {where} was lost ({reason}); trying again; {hint}"


def silent(where: str, *, tls: bool) -> str:
    """Return what it means that the broker hung up before it answered our greeting."""
    hint = (
        "does it ask for a client certificate?" if tls else "is this a TLS port? Then [broker.tls] is needed"
    )
    return f"the broker at {where} closed the connection without an answer; {hint}"


def unreachable(error: BaseException | None, host: str, where: str) -> str:
    """Return what it means that no connection could be made."""
    match error:
        case ssl.SSLCertVerificationError():
            why = (
                f"the certificate of {where} is not accepted: {error.verify_message}; check ca in [broker.tls], "
                "and that host stands in the certificate"
            )
        case ssl.SSLError():
            why = f"no TLS with {where} ({error.reason or error}); is this a TLS port?"
        case socket.gaierror():
            why = f"the host name {host!r} cannot be resolved ({error.strerror}); check host in [broker]"
        case ConnectionRefusedError():
            why = (
                f"nothing listens at {where} (connection refused); is the broker running, is the port right?"
            )
        case ConnectionResetError() | BrokenPipeError():
            why = f"{where} hung up at the greeting; if TLS is set, is this a TLS port?"
        case TimeoutError():
            why = f"no answer from {where}; is the host right, does a firewall stand between?"
        case _:
            why = f"no connection to {where}: {error}"
    return why
