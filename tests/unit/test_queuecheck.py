"""What is said of a broker's queue and of what it drops; the broker and the time are set by the test."""

from __future__ import annotations

import threading

import pytest

from monitor.ingest import queuecheck
from monitor.ingest.drops import WARNED, Drops
from monitor.ingest.probe import Kept, Unknown
from monitor.ingest.queuecheck import EXCUSED, QueueCheck
from monitor.service.ports import SourceHealth
from monitor.service.settings import BrokerTable
from monitor.service.vitals import BrokerLimits

NOW = 1_770_000_000.0


class Scene:
    """A connection that is up or not, and the answers of a check in their turn."""

    def __init__(self, *answers: Kept | Unknown | Exception, check_queue: bool = True) -> None:
        self.drops = Drops()
        self.up = True
        self.answers = list(answers)
        self.tried = threading.Event()
        broker = BrokerTable(host="broker.invalid", check_queue=check_queue)
        self.check = QueueCheck(broker, ("a/+",), self, self, settle=0.0, attempt=self._attempt)

    def health(self) -> SourceHealth:
        return SourceHealth(True, self.up, None, "")

    def now(self) -> float:
        return NOW

    def _attempt(self, *_: object) -> Kept | Unknown:
        self.drops.take(b"5", NOW)
        self.drops.take(b"2005", NOW)
        answer = self.answers.pop(0)
        if not self.answers:
            self.tried.set()
        if isinstance(answer, Exception):
            raise answer
        return answer

    def run(self) -> BrokerLimits:
        self.check.start()
        self.check._thread.join(10)
        assert not self.check._thread.is_alive()
        return self.check.limits()


def test_a_short_queue_is_told_once_in_words(caplog: pytest.LogCaptureFixture) -> None:
    found = Scene(Kept(1000, 3000)).run()
    assert (found.keeps, found.tried, found.dropped) == (1000, 3000, 2005)
    assert found.warnings == (
        "this broker drops what waits for cushionwatch beyond about 1000 messages, although it confirms them to the "
        "devices (of 3000 that were tried): set max_queued_messages, see deploy/mosquitto.conf",
    )
    assert [record.getMessage() for record in caplog.records if record.levelname == "WARNING"] == list(
        found.warnings
    )


def test_a_long_queue_is_no_warning(caplog: pytest.LogCaptureFixture) -> None:
    found = Scene(Kept(3000, 3000)).run()
    assert (found.keeps, found.warnings) == (3000, ())
    assert not [record for record in caplog.records if record.levelname == "WARNING"]


def test_what_could_not_be_checked_is_told_with_its_reason() -> None:
    found = Scene(Unknown("we may not write there", again=False)).run()
    assert found.keeps is None
    assert "could not be checked, because we may not write there; see max_queued" in found.warnings[0]


def test_a_check_that_was_cut_off_is_tried_again_a_few_times(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queuecheck, "AGAIN", 0.0)
    gone = Unknown("the line was cut", again=True)
    assert Scene(gone, gone, Kept(3000, 3000)).run().keeps == 3000
    assert "the line was cut" in Scene(gone, gone, gone).run().warnings[0]


def test_a_fault_of_the_check_is_a_line_of_the_log_and_nothing_else(caplog: pytest.LogCaptureFixture) -> None:
    assert Scene(ZeroDivisionError()).run().warnings == ()
    assert "unexpected" in caplog.text


def test_switched_off_nothing_is_tried() -> None:
    scene = Scene(Kept(1, 2), check_queue=False)
    scene.check.start()
    scene.check.stop()
    assert not scene.tried.is_set()
    assert scene.check.limits() == BrokerLimits()


def test_without_a_connection_it_waits_and_can_be_stopped() -> None:
    scene = Scene(Kept(1, 2))
    scene.up = False
    scene.check._settle = 0.1
    scene.check.start()
    scene.check.stop()
    assert not scene.check._thread.is_alive()
    assert not scene.tried.is_set()


def test_growth_is_told_and_fades_and_the_checks_own_is_excused(caplog: pytest.LogCaptureFixture) -> None:
    drops = Drops()
    drops.take(b"100", NOW)
    assert drops.warnings(NOW) == []
    drops.excuse(NOW + EXCUSED)
    drops.take(b"2100", NOW + EXCUSED)
    assert drops.warnings(NOW + EXCUSED) == []
    drops.take(b"2107", NOW + EXCUSED + 1)
    drops.take(b"3", NOW + EXCUSED + 2)  # a broker that was started anew has dropped three
    (words,) = drops.warnings(NOW + EXCUSED + 2)
    assert words.startswith("the broker has dropped 10 messages, of this or another client")
    assert drops.warnings(NOW + EXCUSED + 3 + WARNED) == []
    assert [record.levelname for record in caplog.records] == ["WARNING", "WARNING"]


@pytest.mark.parametrize("payload", [b"", b"many", b"-3", b"1.5", b"9" * 30, b"\xff"])
def test_a_count_that_cannot_be_read_is_ignored(payload: bytes) -> None:
    drops = Drops()
    drops.take(payload, NOW)
    assert drops.count is None
