"""The running command with a person in its settings: a fault, a message with pictures, its link."""

from __future__ import annotations

import re
import stat

import httpx
from broker import Broker, wait_until
from running import Folder, publish, service
from sinks import http_sink
from test_run import Log, folder, log, messages  # noqa: F401 - the fixtures of a log that is sent live

from monitor.diagnosis.faults import Fault
from monitor.service.ports import EventState


def test_a_lost_cushion_reaches_the_person_and_is_acknowledged_by_the_link(
    folder: tuple[Folder, Broker],  # noqa: F811 - a fixture
    log: Log,  # noqa: F811 - a fixture
) -> None:
    home, broker = folder
    file = home.path / "service.toml"
    with http_sink() as sink:
        text = file.read_text().replace("[web]\n", f'[web]\naddress = "{home.url}"\n')
        file.write_text(
            f'{text}[people.anna]\nurl = "{sink.url}"\nlanguage = "de"\nunits = "US"\nheartbeat = "00:00"\n'
            'group = "0 s"\nquiet = "00:00 - 23:59"\n[[alerts.rules]]\ntell = ["anna"]\nseverities = ["high"]\n'
        )
        with service(home) as one:
            publish(broker, messages(log, seed=1))
            wait_until(
                lambda: [title for title in sink.titles if "Luftpolster verloren" in title],
                timeout=60,
                what="the alert",
            )
            (alert,) = [one for one in sink.received if "Luftpolster verloren" in one["title"]]
            assert len(alert["attachments"]) == 2
            assert " psi" in alert["message"]
            found = re.search(rf"{home.url}/acknowledge/\S+", alert["message"])
            assert found
            assert "Acknowledge event" in httpx.get(found[0], timeout=10).text
            assert "is acknowledged" in httpx.post(found[0], timeout=10).text
            assert one.stop() == 0
    store = home.store()
    try:
        (event,) = [one for one in store.events() if one.finding.fault is Fault.AIR_CUSHION_LOST]
        assert event.state in {EventState.ACTIVE_ACKNOWLEDGED, EventState.NORMAL}
        whys = [(change.who, change.why) for change in store.event_changes(event.number)]
        assert ("anna", "acknowledged") in whys
        assert ("service", "told anna") in whys
    finally:
        store.close()
    secret = home.path / "var" / "cushionwatch.secret"
    assert stat.S_IMODE(secret.stat().st_mode) == 0o600
    assert secret.read_bytes() not in one.err.read_bytes() + one.out.read_bytes()
