"""The MQTT source against a real broker: delivery, refusals, restarts, TLS; published by two different clients."""

import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as paho
import pytest
import trustme
from broker import HOST, Tls, free_port, running_broker, wait_until
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    PrivateFormat,
    load_pem_private_key,
)

from monitor.errors import SettingsError
from monitor.ingest.mqtt import MqttSource
from monitor.ingest.payload import Decoder
from monitor.readings import Point, encode_sample, encode_samples
from monitor.service.clock import SystemClock
from monitor.service.settings import BrokerTable, TlsTable
from monitor.site import Site

FILTER = "cushionwatch/+/+"
# the client library leaves a socket whose TLS handshake failed to the garbage collector
UNCLOSED = pytest.mark.filterwarnings(
    "ignore:unclosed:ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)
BOTH = pytest.mark.parametrize("protocol", ["5", "3.1.1"])


@contextmanager
def source(broker, protocol="5", filters=(FILTER,), size=1000, **settings):
    table = BrokerTable(host=HOST, port=getattr(broker, "port", broker), protocol=protocol, **settings)
    running = MqttSource(table, filters, SystemClock(), size)
    running.start()
    try:
        yield running
    finally:
        running.stop()


def connected(running, timeout=15.0):
    wait_until(
        lambda: running.health().connected, timeout=timeout, what=f"connection ({running.health().detail})"
    )
    wait_until(lambda: running._backlog.over, what="end of the backlog")


def take(running, count, timeout=10.0, acknowledge=True):
    """Take ``count`` messages and acknowledge them as they come: mosquitto sends 20 ahead and no more."""
    messages = []

    def enough():
        taken = running.take(count - len(messages), 0.05)
        if acknowledge:
            running.acknowledge(taken)
        messages.extend(taken)
        return len(messages) >= count

    wait_until(enough, timeout=timeout, what=f"arrival of {count} messages")
    return messages


def payloads(messages):
    return [message.payload.decode() for message in messages]


def publish_with_ours(broker, messages, protocol=paho.MQTTv5):
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=protocol)
    client.connect(HOST, broker.port)
    client.loop_start()
    for topic, payload in messages:
        client.publish(topic, payload, qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


@pytest.fixture
def broker(tmp_path):
    with running_broker(tmp_path) as running:
        yield running


@BOTH
def test_readings_of_both_clients_arrive_decode_and_leave_the_broker(broker, protocol):
    decoder = Decoder({"a": Site("a", unit="psi")})
    now = SystemClock().now()
    with source(broker, protocol, decoder.filters) as running:
        connected(running)
        broker.publish("cushionwatch/a/pressure", "60")
        publish_with_ours(
            broker,
            [
                ("cushionwatch/a/pressure", encode_sample(now - 5, 61.0, "psi")),
                ("cushionwatch/a/heater", encode_samples([(now - 4, 1.0), (now - 3, 0.0)], "")),
                ("cushionwatch/x/heater", b"1"),
            ],
        )
        messages = take(running, 4)
        readings, refused = [], []
        for message in messages:
            good, bad = decoder.decode(message)
            readings += good
            refused += bad
        assert [reading.point for reading in readings] == [
            Point.PRESSURE,
            Point.PRESSURE,
            Point.HEATER,
            Point.HEATER,
        ]
        assert [round(reading.value, 3) for reading in readings] == [413.685, 420.58, 1.0, 0.0]
        assert 0 <= readings[0].time - now < 20
        assert readings[1].time == pytest.approx(now - 5, abs=1e-3)
        assert [item.reason for item in refused] == ["unknown site 'x': there is no site file for it"]
        health = running.health()
        assert (health.alive, health.connected, health.detail) == (
            True,
            True,
            f"connected to {HOST}:{broker.port}",
        )
        assert health.last_message == messages[-1].arrived
    with source(broker, protocol) as again:
        connected(again)
        assert again.take(10, 0.3) == []


@BOTH
def test_what_is_not_acknowledged_comes_again_after_a_restart_of_ours(broker, protocol):
    with source(broker, protocol) as running:
        connected(running)
        for number in range(6):
            broker.publish("cushionwatch/a/pressure", str(number))
        first = take(running, 6, acknowledge=False)
        running.acknowledge(first[:2])
        time.sleep(0.2)  # let the acknowledgements out before the connection ends
    with source(broker, protocol) as again:
        assert payloads(take(again, 4)) == ["2", "3", "4", "5"]


TAKER = """
import sys, time
from monitor.ingest.mqtt import MqttSource
from monitor.service.clock import SystemClock
from monitor.service.settings import BrokerTable
broker = BrokerTable(host="127.0.0.1", port=int(sys.argv[1]), protocol=sys.argv[2])
source = MqttSource(broker, ["cushionwatch/+/+"], SystemClock())
source.start()
count = 0
while True:
    taken = source.take(50, 0.1)
    count += len(taken)
    if taken:
        print(count, flush=True)
    elif source.health().connected and not count:
        print("ready", flush=True)
"""


@BOTH
def test_a_killed_service_loses_nothing(broker, protocol):
    command = [sys.executable, "-c", TAKER, str(broker.port), protocol]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "ready\n"
        publish_with_ours(broker, [("cushionwatch/a/pressure", str(number)) for number in range(40)])
        while process.stdout.readline() == "ready\n":
            pass
        process.send_signal(signal.SIGKILL)
    with source(broker, protocol) as again:
        messages = take(again, 40)
        assert payloads(messages) == [str(number) for number in range(40)]
        assert all(message.retained for message in messages)


@BOTH
def test_messages_of_our_absence_arrive_and_are_known_to_be_old(broker, protocol):
    with source(broker, protocol) as running:
        connected(running)
    publish_with_ours(broker, [("cushionwatch/a/pressure", str(number)) for number in range(200)])
    with source(broker, protocol) as again:
        old = take(again, 200)
        connected(again)
        broker.publish("cushionwatch/a/pressure", "new")
        (new,) = take(again, 1)
        assert all(message.retained for message in old)
        assert (new.payload, new.retained) == (b"new", False)


@BOTH
def test_retained_messages_are_known_to_be_old(broker, protocol):
    broker.publish("cushionwatch/a/pressure", "7", retain=True)
    with source(broker, protocol) as running:
        connected(running)
        (old,) = take(running, 1)
        broker.publish("cushionwatch/a/pressure", "8")
        (new,) = take(running, 1)
        assert (old.retained, new.retained) == (True, False)
        decoder = Decoder({"a": Site("a")})
        assert "time unknown" in decoder.decode(old)[1][0].reason
        assert decoder.decode(new)[0][0].value == 8


@BOTH
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_the_connection_comes_back_after_a_restart_of_the_broker(broker, protocol, how):
    with source(broker, protocol) as running:
        connected(running)
        broker.stop(how)
        wait_until(lambda: not running.health().connected, what="loss of the connection")
        assert running.health().alive
        assert any(word in running.health().detail for word in ("was lost", "nothing listens"))
        broker.start()
        connected(running)
        broker.publish("cushionwatch/a/pressure", "back")
        assert payloads(take(running, 1)) == ["back"]


def test_acknowledgements_of_a_lost_connection_are_not_sent_on_the_next(broker):
    """After a crash of the broker its packet ids begin anew: an old receipt would drop a message unseen."""
    with source(broker) as running:
        connected(running)
        broker.publish("cushionwatch/a/pressure", "old")
        stale = take(running, 1, acknowledge=False)
        broker.restart(signal.SIGKILL)
        wait_until(lambda: running.health().detail != f"connected to {HOST}:{broker.port}", what="loss")
        connected(running)
        broker.publish("cushionwatch/a/pressure", "new")
        (new,) = take(running, 1, acknowledge=False)
        assert new.handle.packet == stale[0].handle.packet
        running.acknowledge(stale)
        time.sleep(0.2)  # time in which a wrong acknowledgement would reach the broker
    with source(broker) as again:
        assert payloads(take(again, 1)) == ["new"]


def test_the_broker_may_start_after_us(tmp_path):
    with running_broker(tmp_path) as broker:
        broker.stop()
        with source(broker) as running:
            wait_until(lambda: "nothing listens" in running.health().detail, what="the reason")
            assert running.health().alive
            assert not running.health().connected
            assert running.take(1, 0.01) == []
            broker.start()
            connected(running)


@BOTH
def test_a_full_queue_holds_the_broker_back_and_loses_nothing(broker, protocol):
    with source(broker, protocol, size=10) as running:
        connected(running)
        publish_with_ours(broker, [("cushionwatch/a/pressure", str(number)) for number in range(300)])
        time.sleep(0.3)
        assert running._inbox._queue.qsize() == 10
        assert payloads(take(running, 300)) == [str(number) for number in range(300)]


def said(caplog):
    return [(one.levelname, one.getMessage()) for one in caplog.records if one.name == "cushionwatch.broker"]


@BOTH
def test_the_log_tells_of_the_connection_its_loss_and_its_return(broker, protocol, caplog):
    caplog.set_level("INFO", "cushionwatch")
    where = f"{HOST}:{broker.port}"
    on = ("INFO", f"connected to the broker at {where} and subscribed (MQTT {protocol})")
    with source(broker, protocol) as running:
        wait_until(lambda: said(caplog) == [on], what="the word that all is well")
        broker.stop()
        wait_until(lambda: len(said(caplog)) >= 3, what="the word of the loss")
        broker.start()
        wait_until(lambda: len(said(caplog)) >= 4, timeout=20, what="the word of the return")
        running.stop()
    (_, lost, away, back) = said(caplog)
    assert lost[0] == away[0] == "WARNING"
    assert f"the connection to the broker at {where} was lost" in lost[1]
    assert away[1].startswith(f"nothing listens at {where} (connection refused); is the broker running")
    assert back == on


def test_the_log_repeats_a_trouble_once_a_minute(caplog):
    caplog.set_level("INFO", "cushionwatch")
    clock = SettableClock()
    source = MqttSource(BrokerTable(host=HOST, port=free_port()), [FILTER], clock)
    tries = []
    source._client.on_pre_connect = lambda *_: tries.append(source._on_pre_connect(*_))
    source.start()
    try:
        wait_until(lambda: len(tries) >= 3, timeout=20, what="three tries")
        assert [level for level, _ in said(caplog)] == ["WARNING"]
        clock.ahead = 60.0
        wait_until(lambda: len(said(caplog)) == 2, timeout=20, what="the reminder")
        assert said(caplog)[0] == said(caplog)[1]
    finally:
        source.stop()


def test_a_full_queue_does_not_keep_us_from_stopping(broker):
    with source(broker, size=1) as running:
        connected(running)
        publish_with_ours(broker, [("cushionwatch/a/pressure", "1")] * 5)
        wait_until(lambda: running._inbox.full, what="full queue")
        begun = time.monotonic()
        running.stop()
        assert time.monotonic() - begun < 5


@BOTH
def test_user_and_password_from_a_file(tmp_path, protocol, caplog):
    secret = tmp_path / "secret"
    with running_broker(tmp_path, users={"svc": "right"}) as broker:
        secret.write_text("wrong\n")
        with source(broker, protocol, username="svc", password_file=str(secret)) as running:
            wait_until(lambda: "refused the connection" in running.health().detail, what="the refusal")
            assert "check username and password_file in [broker]" in running.health().detail
            assert "wrong" not in running.health().detail
            assert (running.health().alive, running.health().connected) == (True, False)
            assert said(caplog) == [("WARNING", running.health().detail)]
        secret.write_text("right\n")
        with source(broker, protocol, username="svc", password_file=str(secret)) as running:
            connected(running)


def reason(port, word, timeout=30.0, **settings):
    """Return what is told when a connection does not come about."""
    with source(port, **settings) as running:
        wait_until(lambda: word in running.health().detail, timeout=timeout, what=f"{word!r} as the reason")
        assert (running.health().alive, running.health().connected) == (True, False)
        return running.health().detail


def test_a_host_that_does_not_exist_is_told():
    running = MqttSource(BrokerTable(host="no-such-host.invalid", port=1883), [FILTER], SystemClock())
    running.start()
    try:
        wait_until(lambda: "cannot be resolved" in running.health().detail, timeout=30, what="the reason")
        assert "'no-such-host.invalid'" in running.health().detail
    finally:
        running.stop()


def test_a_closed_port_is_told():
    port = free_port()
    assert reason(port, "connection refused").startswith(f"nothing listens at {HOST}:{port}")


@contextmanager
def scripted_broker(*answers):
    """Answer each packet of one client with the next of ``answers``: for what no broker at hand would say."""
    with socket.create_server((HOST, 0)) as server:

        def serve():
            with suppress(OSError):
                client = server.accept()[0]
                with client:
                    for answer in answers:
                        packet = client.recv(65536)
                        client.sendall(answer(packet) if callable(answer) else answer)
                    while client.recv(65536):
                        pass

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1]
    thread.join(5)


def test_a_broker_that_knows_no_mqtt_5_is_told():
    """MQTT 3.1.1, 3.2.2.3: return code 1, unacceptable protocol version."""
    with scripted_broker(b"\x20\x02\x00\x01") as port:
        assert 'set protocol = "3.1.1"' in reason(port, "Unsupported protocol version")


def test_a_topic_that_we_may_not_read_is_told():
    """MQTT 5, 3.9.3: 0x87, not authorized; the packet id of the SUBSCRIBE stands behind its short header."""

    def suback(packet):
        return b"\x90\x05" + packet[2:4] + b"\x00\x87\x01"

    with scripted_broker(b"\x20\x03\x00\x00\x00", suback) as port, source(port) as running:
        wait_until(lambda: "does not let us read" in running.health().detail, what="the reason")
        assert f"{FILTER!r}: Not authorized; check the broker's access list" in running.health().detail
        assert running.health().connected


class SettableClock:
    def __init__(self):
        self.ahead = 0.0

    def now(self):
        return SystemClock().now() + self.ahead


def test_where_our_mark_may_not_be_sent_a_minute_ends_the_backlog(tmp_path):
    access = tmp_path / "acl"
    access.write_text("topic read cushionwatch/#\ntopic write cushionwatch/a/#\n")
    clock = SettableClock()
    with running_broker(tmp_path, f"acl_file {access}") as broker:
        with source(broker) as running:
            connected(running)
        running = MqttSource(BrokerTable(host=HOST, port=broker.port), [FILTER], clock)
        running.start()
        try:
            wait_until(lambda: running.health().connected, what="connection")
            broker.publish("cushionwatch/a/pressure", "1")
            assert take(running, 1)[0].retained
            clock.ahead = 61.0
            broker.publish("cushionwatch/a/pressure", "2")
            assert not take(running, 1)[0].retained
        finally:
            running.stop()


@BOTH
def test_being_online_is_told_and_a_last_will_tells_of_the_end(broker, protocol):
    told = []
    watcher = paho.Client(paho.CallbackAPIVersion.VERSION2)
    watcher.on_message = lambda client, data, message: told.append(message.payload)
    watcher.connect(HOST, broker.port)
    watcher.subscribe("cushionwatch/service/cushionwatch/status", 1)
    watcher.loop_start()
    try:
        with source(broker, protocol) as running:
            connected(running)
            wait_until(lambda: told == [b"online"], what="online")
        wait_until(lambda: told == [b"online", b"offline"], what="offline")
        command = [sys.executable, "-c", TAKER, str(broker.port), protocol]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            wait_until(lambda: told[2:] == [b"online"], timeout=20, what="online again")
            process.send_signal(signal.SIGKILL)
        wait_until(lambda: told[3:] == [b"offline"], what="the last will")
    finally:
        watcher.disconnect()
        watcher.loop_stop()


def test_another_client_with_our_name_is_told(broker):
    with source(broker) as running:
        connected(running)
        intruder = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id="cushionwatch", protocol=paho.MQTTv5
        )
        intruder.connect(HOST, broker.port)
        try:
            wait_until(lambda: "another client" in running.health().detail, what="the reason")
        finally:
            intruder.disconnect()


def test_a_fault_in_a_callback_does_not_end_the_network_thread(broker):
    with source(broker) as running:
        connected(running)
        ours, reached = running._client.on_message, threading.Event()

        def fail(_client, _data, message):
            if message.topic.startswith("$SYS"):
                return
            reached.set()
            raise RuntimeError("a fault of ours")

        running._client.on_message = fail
        broker.publish("cushionwatch/a/pressure", "1")
        assert reached.wait(10)
        running._client.on_message = ours
        broker.publish("cushionwatch/a/pressure", "2")
        assert payloads(take(running, 1)) == ["2"]
        assert running.health().alive


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_network_thread_that_ended_is_seen_and_replaced(broker):
    with source(broker) as running:
        connected(running)

        def fail(*_):
            raise RuntimeError("a fault of ours")

        running._client.suppress_exceptions = False
        running._client.on_message = fail
        broker.publish("cushionwatch/a/pressure", "1")
        wait_until(lambda: not running.health().alive, what="end of the thread")
        assert not running.health().connected
        assert running.health().detail == "the network thread has ended"
        assert payloads(take(running, 1)) == ["1"]
        assert running.health().alive


@pytest.fixture(scope="module")
def authority():
    return trustme.CA()


def pem(folder: Path, name: str, authority, *names, **options) -> tuple[Path, Path]:
    leaf = authority.issue_cert(*names, **options)
    certificate, key = folder / f"{name}.pem", folder / f"{name}.key"
    certificate.write_bytes(b"".join(blob.bytes() for blob in leaf.cert_chain_pems))
    leaf.private_key_pem.write_to_path(key)
    return certificate, key


@contextmanager
def tls_broker(folder, authority, *names, require=False, **options):
    ca = folder / "ca.pem"
    authority.cert_pem.write_to_path(ca)
    certificate, key = pem(folder, "server", authority, *names, **options)
    with running_broker(folder, tls=Tls(ca, certificate, key, require)) as broker:
        yield broker, ca


@BOTH
def test_tls_with_an_authority_of_our_own(tmp_path, authority, protocol):
    with (
        tls_broker(tmp_path, authority, HOST) as (broker, ca),
        source(broker, protocol, tls=TlsTable(ca=str(ca))) as running,
    ):
        connected(running)
        broker.publish("cushionwatch/a/pressure", "1", options=("--cafile", str(ca)))
        assert payloads(take(running, 1)) == ["1"]


@UNCLOSED
@pytest.mark.parametrize(
    ("names", "options", "other", "word"),
    [
        ((HOST,), {}, True, "signed certificate in certificate chain"),
        (("broker.invalid",), {}, False, "IP address mismatch"),
        ((HOST,), {"not_after": datetime(2020, 1, 1, tzinfo=UTC)}, False, "certificate has expired"),
    ],
)
def test_certificates_that_do_not_fit_are_told_and_nothing_is_sent(
    tmp_path, authority, names, options, other, word, caplog
):
    stranger = tmp_path / "other.pem"  # not the broker's own file: it may still be reading that
    trustme.CA().cert_pem.write_to_path(stranger)
    with tls_broker(tmp_path, authority, *names, **options) as (broker, own):
        ca = stranger if other else own
        told = reason(broker.port, "is not accepted", tls=TlsTable(ca=str(ca)))
        assert word in told
        assert "check ca in [broker.tls]" in told
        assert said(caplog) == [("WARNING", told)]
        assert "New client connected" not in broker.log


@UNCLOSED
@BOTH
def test_a_client_certificate_is_shown_where_the_broker_asks_for_one(tmp_path, authority, protocol):
    with tls_broker(tmp_path, authority, HOST, require=True) as (broker, ca):
        certificate, key = pem(tmp_path, "client", authority, "service@example.org")
        table = TlsTable(ca=str(ca), certificate=str(certificate), key=str(key))
        with source(broker, protocol, tls=table) as running:
            connected(running)
        assert "client certificate" in reason(
            broker.port, "without an answer", protocol=protocol, tls=TlsTable(ca=str(ca))
        )


@UNCLOSED
def test_a_plain_connection_to_a_tls_port_and_the_reverse_are_told(tmp_path, authority):
    with tls_broker(tmp_path, authority, HOST) as (broker, ca):
        assert "is this a TLS port? Then [broker.tls] is needed" in reason(broker.port, "without an answer")
    plain = tmp_path / "plain"
    with running_broker(plain) as broker:
        assert "is this a TLS port?" in reason(broker.port, "hung up", tls=TlsTable(ca=str(ca)))


def test_certificate_files_that_cannot_be_used_are_told_at_once(tmp_path, authority):
    broken = tmp_path / "broken.pem"
    broken.write_text("no certificate")
    certificate, key = pem(tmp_path, "one", authority, "one@example.org")
    _, other_key = pem(tmp_path, "two", authority, "two@example.org")
    tables = [
        TlsTable(ca=str(broken)),
        TlsTable(certificate=str(broken), key=str(key)),
        TlsTable(certificate=str(certificate), key=str(other_key)),
    ]
    for table in tables:
        with pytest.raises(SettingsError, match=r"\[broker\.tls\]: .* cannot be used .*PEM files are needed"):
            MqttSource(BrokerTable(host=HOST, tls=table), [FILTER], SystemClock())


def test_a_key_with_a_pass_phrase_is_refused_and_not_asked_for(tmp_path, authority):
    certificate, key = pem(tmp_path, "one", authority, "one@example.org")
    private = load_pem_private_key(key.read_bytes(), None)
    locked = BestAvailableEncryption(b"phrase")
    key.write_bytes(private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, locked))
    table = TlsTable(certificate=str(certificate), key=str(key))
    with pytest.raises(SettingsError, match="no pass phrase"):
        MqttSource(BrokerTable(host=HOST, tls=table), [FILTER], SystemClock())
