"""deploy/mosquitto.conf in the real broker: it starts, keeps what it confirmed, and lets only users in."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from broker import Broker, free_port, program

DEPLOY = Path(__file__).parents[2] / "deploy"
SERVICE = ("-u", "cushionwatch", "-P", "of-the-service")
SITE = ("-u", "riverside-12", "-P", "of-the-site")
TOPIC = "cushionwatch/riverside-12/pressure"
MORE_THAN_THE_DEFAULT_QUEUE = 3000  # mosquitto keeps 1000 unless it is told otherwise


@dataclass
class DeployedBroker(Broker):
    """The broker on the file that people copy; only folders and ports are replaced by the test's own."""

    tls_port: int = 0
    uncommented: tuple[str, ...] = ()

    def _configure(self) -> Path:
        data = self.folder / "data"
        data.mkdir(exist_ok=True)
        access = (DEPLOY / "mosquitto.acl").read_text()
        for line in self.uncommented:
            assert line in access
            access = access.replace(line, line.removeprefix("#"))
        (self.folder / "cushionwatch.acl").write_text(access)
        (self.folder / "cushionwatch.acl").chmod(0o600)
        passwords = self._password_file()
        lines = (DEPLOY / "mosquitto.conf").read_text()
        for written, here in {
            "/etc/mosquitto/cushionwatch.passwd": str(passwords),
            "/etc/mosquitto/": f"{self.folder}/",
            "/var/lib/mosquitto/": f"{data}/",
            "listener 1883 127.0.0.1": f"user root\nlistener {self.port} 127.0.0.1",
            **(self._tls() if self.tls_port else {}),
        }.items():
            assert written in lines
            lines = lines.replace(written, here)
        path = self.folder / "mosquitto.conf"
        path.write_text(lines)
        return path

    def _tls(self) -> dict[str, str]:
        keys = ("cafile", "certfile", "keyfile")
        return {
            "#listener 8883": f"listener {self.tls_port} 127.0.0.1",
            **{f"#{key}": key for key in keys},
        }

    def client(self, name: str, *arguments: str, text: str = "") -> subprocess.CompletedProcess[str]:
        command = [program(name), "-h", self.host, "-p", str(self.port), *arguments]
        return subprocess.run(command, input=text, capture_output=True, text=True, timeout=30, check=False)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[DeployedBroker]:
    users = {user: password for _, user, _, password in (SERVICE, SITE)}
    broker = DeployedBroker(tmp_path, users=users)
    broker.start()
    yield broker
    broker.stop()


def test_nothing_confirmed_is_lost_while_the_service_is_away(broker: DeployedBroker) -> None:
    """Three times the default queue, and a restart of the broker in between."""
    session = (*SERVICE, "-i", "service", "-c", "-q", "1", "-t", "cushionwatch/#")
    assert broker.client("mosquitto_sub", *session, "-E").returncode == 0
    sent = [str(number) for number in range(MORE_THAN_THE_DEFAULT_QUEUE)]
    away = broker.client("mosquitto_pub", *SITE, "-q", "1", "-t", TOPIC, "-l", text="\n".join(sent) + "\n")
    assert away.returncode == 0, away.stderr
    broker.restart()
    got = broker.client("mosquitto_sub", *session, "-C", str(len(sent)), "-W", "20")
    assert got.stdout.splitlines() == sent, broker.log[-2000:]


@pytest.mark.parametrize("who", [(), ("-u", "riverside-12", "-P", "wrong"), ("-u", "stranger", "-P", "x")])
def test_only_users_with_their_password_come_in(broker: DeployedBroker, who: tuple[str, ...]) -> None:
    refused = broker.client("mosquitto_pub", *who, "-t", TOPIC, "-m", "412.5")
    assert refused.returncode != 0
    assert "not authori" in refused.stderr


def test_a_site_writes_below_its_own_topic_only(broker: DeployedBroker) -> None:
    """MQTT 5 tells the refusal in the PUBACK: reason 135, not authorized."""
    own = broker.client("mosquitto_pub", *SITE, "-V", "5", "-q", "1", "-t", TOPIC, "-m", "412.5", "-d")
    other = TOPIC.replace("riverside-12", "harbour-3")
    foreign = broker.client("mosquitto_pub", *SITE, "-V", "5", "-q", "1", "-t", other, "-m", "9", "-d")
    assert "RC:135" not in own.stdout
    assert "RC:135" in foreign.stdout


OWN = "cushionwatch/service/cushionwatch"
VERDICT = f"{OWN}/verdict/riverside-12"


def heard(broker: DeployedBroker, who: tuple[str, ...], topic: str) -> str:
    return broker.client("mosquitto_sub", *who, "-t", topic, "-C", "1", "-W", "2").stdout


def test_only_the_service_says_what_a_site_is_like_and_others_read_it_where_they_may(
    broker: DeployedBroker,
) -> None:
    retained = ("-V", "5", "-q", "1", "-r", "-d")
    forged = broker.client("mosquitto_pub", *SITE, *retained, "-t", VERDICT, "-m", "forged")
    assert "RC:135" in forged.stdout
    for topic, word in ((VERDICT, "holding"), (f"{OWN}/committed/riverside-12", "numbers")):
        said = broker.client("mosquitto_pub", *SERVICE, *retained, "-t", topic, "-m", word)
        assert "RC:135" not in said.stdout
    assert heard(broker, SERVICE, VERDICT) == "holding\n"
    assert heard(broker, SITE, VERDICT) == ""
    assert heard(broker, SITE, f"{OWN}/committed/riverside-12") == "numbers\n"


def test_another_program_reads_once_its_lines_are_uncommented(tmp_path: Path) -> None:
    dashboard = ("-u", "dashboard", "-P", "of-the-dashboard")
    users = {user: password for _, user, _, password in (SERVICE, SITE, dashboard)}
    broker = DeployedBroker(tmp_path, users=users, uncommented=("#user dashboard", "#topic read"))
    broker.start()
    try:
        for topic in (VERDICT, TOPIC):
            broker.client("mosquitto_pub", *SERVICE, "-r", "-t", topic, "-m", "word")
        assert heard(broker, dashboard, VERDICT) == "word\n"
        assert heard(broker, dashboard, TOPIC) == ""
        forged = broker.client(
            "mosquitto_pub", *dashboard, "-V", "5", "-q", "1", "-d", "-t", VERDICT, "-m", "x"
        )
        assert "RC:135" in forged.stdout
    finally:
        broker.stop()


def test_the_service_reads_what_was_dropped(broker: DeployedBroker) -> None:
    topic = "$SYS/broker/publish/messages/dropped"
    told = broker.client("mosquitto_sub", *SERVICE, "-t", topic, "-C", "1", "-W", "15")
    assert told.stdout.strip() == "0"


def test_the_tls_listener_works_once_its_lines_are_uncommented(tmp_path: Path) -> None:
    certificates = tmp_path / "certs"
    certificates.mkdir()
    make_certificates(certificates)
    users = {user: password for _, user, _, password in (SERVICE, SITE)}
    broker = DeployedBroker(tmp_path, users=users, tls_port=free_port())
    broker.start()
    try:
        command = [program("mosquitto_pub"), "-h", "localhost", "-p", str(broker.tls_port), *SITE]
        command += ["--cafile", str(certificates / "ca.crt"), "-q", "1", "-t", TOPIC, "-m", "412.5"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
        assert done.returncode == 0, done.stderr + broker.log
    finally:
        broker.stop()


def make_certificates(folder: Path) -> None:
    """Write a self-signed certificate for localhost that is its own authority."""
    command = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
    ]
    command += ["-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
    command += ["-keyout", str(folder / "server.key"), "-out", str(folder / "server.crt")]
    subprocess.run(command, capture_output=True, check=True)
    (folder / "ca.crt").write_text((folder / "server.crt").read_text())
