"""Sends what the outbox owes: at least once, with back-off, until the channel has it or it is given up.

The order is send, then strike off. A crash between the two repeats one alert; the other order would lose it.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from monitor.alerting.care import NO_CARE, Care
from monitor.errors import DeliveryError, StoreError
from monitor.service.ports import Alert, AlertChannel, Clock, Delivery

LOG: Final = logging.getLogger("cushionwatch.alerting")


class Outbox(Protocol):
    """The part of `Store` that the sender needs."""

    def due_deliveries(self, now: float, limit: int, channel: str | None = None) -> list[Delivery]:
        """Return deliveries that are owed and due, oldest first."""

    def delivered(self, delivery: int, when: float) -> None:
        """Strike a delivery off."""

    def failed(self, delivery: int, error: str, due: float | None) -> None:
        """Note a failed attempt; ``due`` None: given up."""


@dataclass(frozen=True, slots=True)
class BackOff:
    """The wait after a failed attempt: doubles from ``first`` to ``longest`` [s], half of it by chance.

    With the defaults a channel that is down is tried for about 17 hours.
    """

    first: float = 5.0
    longest: float = 900.0
    attempts: int = 100

    def wait(self, failed: int, chance: float) -> float | None:
        """Return the wait after the ``failed``-th failure, None to give up. ``chance``: 0 to below 1."""
        if failed >= self.attempts:
            return None
        # The exponent is bounded so that many attempts do not overflow.
        full = min(self.first * 2.0 ** min(failed - 1, 60), self.longest)
        return full * (0.5 + 0.5 * chance)


class OutboxSender:
    """Sends from the outbox, each channel in a thread of its own: one that hangs holds up no other.

    Parameters
    ----------
    outbox : Outbox
        What is owed.
    channels : Sequence[AlertChannel]
        Where to; names are those in the outbox.
    clock : Clock
        Time of day.
    chance : Callable[[], float]
        Random number from 0 to below 1, spreads the attempts of many installations.
    back_off : BackOff
        When to try again and when to give up.
    care : Mapping[str, Care]
        What else is done for channels, by name.
    poll, spacing : float
        Wait while nothing is due, and between two alerts. [s]
    """

    def __init__(
        self,
        outbox: Outbox,
        channels: Sequence[AlertChannel],
        clock: Clock,
        chance: Callable[[], float],
        *,
        back_off: BackOff = BackOff(),
        care: Mapping[str, Care] = NO_CARE,
        poll: float = 1.0,
        spacing: float = 1.0,
    ) -> None:
        self._outbox = outbox
        self._clock = clock
        self._workers = [
            _Worker(_Desk(outbox, channel, clock, chance, back_off, care.get(channel.name)), poll, spacing)
            for channel in channels
        ]

    def start(self) -> None:
        """Begin to send; what is owed to channels that no longer exist is given up."""
        self._give_up_orphans({worker.name for worker in self._workers})
        for worker in self._workers:
            worker.start()

    def wake(self) -> None:
        """Tell that something new may be owed."""
        for worker in self._workers:
            worker.wake()

    def stop(self, timeout: float = 2.0) -> bool:
        """Stop within ``timeout`` s; False if a channel still hangs: its alert stays owed."""
        for worker in self._workers:
            worker.ask_to_stop()
        share = timeout / max(len(self._workers), 1)
        ended = [worker.join(share) for worker in self._workers]
        return all(ended)

    @property
    def alive(self) -> bool:
        """Tell whether the thread of each channel runs."""
        return all(worker.alive for worker in self._workers)

    def problems(self) -> list[str]:
        """Return what keeps alerts from going out, in words."""
        return [problem for worker in self._workers if (problem := worker.problem())]

    def _give_up_orphans(self, names: set[str]) -> None:
        try:
            for delivery in self._outbox.due_deliveries(math.inf, 1_000_000):
                if delivery.channel not in names:
                    reason = f"the channel {delivery.channel!r} is not in the settings"
                    self._outbox.failed(delivery.id, reason, None)
        except StoreError as error:
            LOG.warning("orphaned alerts were not looked for: %s", error)


class _Desk:
    """What one channel owes, one step at a time; knows nothing of threads."""

    def __init__(
        self,
        outbox: Outbox,
        channel: AlertChannel,
        clock: Clock,
        chance: Callable[[], float],
        back_off: BackOff,
        care: Care | None = None,
    ) -> None:
        self._care = care
        self.name = channel.name
        self.failure = ""
        self._outbox = outbox
        self._channel = channel
        self._clock = clock
        self._chance = chance
        self._back_off = back_off
        self._unmarked: Callable[[], None] | None = None

    def step(self) -> bool:
        """Send what is due first, and note how that went; False if nothing is due.

        While the store does not take the note of the last step, nothing more is sent: else a full disk
        would send the same alert again and again.
        """
        if self._unmarked is not None:
            self._unmarked()
            self._unmarked = None
        if self._care is not None:
            self._care.clerk.look(self._clock.now())
        due = self._outbox.due_deliveries(self._clock.now(), 1, channel=self.name)
        for delivery in due:
            self._unmarked = self._attempt(delivery)
            self._unmarked()
            self._unmarked = None
        return bool(due)

    def _attempt(self, delivery: Delivery) -> Callable[[], None]:
        """Send; return what is to be noted in the store."""
        try:
            self._channel.send(self._finished(delivery.alert))
        except DeliveryError as error:
            return self._fail(delivery, str(error))
        except Exception as error:  # noqa: BLE001  no channel may end the thread; its text may hold secrets
            return self._fail(delivery, f"{self.name}: {type(error).__name__} inside the channel")
        self.failure = ""
        when = self._clock.now()
        return lambda: self._outbox.delivered(delivery.id, when)

    def _finished(self, alert: Alert) -> Alert:
        """Return an alert with its link and pictures, or as it is where those cannot be made."""
        if self._care is None:
            return alert
        try:
            return self._care.finish(alert)
        except Exception:
            LOG.exception("alert %s goes without link and picture", alert.key)
            return alert

    def _fail(self, delivery: Delivery, reason: str) -> Callable[[], None]:
        wait = self._back_off.wait(delivery.attempts + 1, self._chance())
        what = "given up" if wait is None else f"next try in {wait:.0f} s"
        LOG.warning(
            "alert %s not delivered (attempt %d, %s): %s",
            delivery.alert.key,
            delivery.attempts + 1,
            what,
            reason,
        )
        self.failure = reason
        due = None if wait is None else self._clock.now() + wait
        return lambda: self._outbox.failed(delivery.id, reason, due)


class _Worker:
    """The thread that steps one desk."""

    def __init__(self, desk: _Desk, poll: float, spacing: float) -> None:
        self.name = desk.name
        self._desk = desk
        self._poll = poll
        self._spacing = spacing
        self._stopping = threading.Event()
        self._awake = threading.Event()
        # A daemon: a channel that hangs must not hold up the end of the process.
        self._thread = threading.Thread(target=self._run, name=f"alerts-{desk.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def wake(self) -> None:
        self._awake.set()

    def ask_to_stop(self) -> None:
        self._stopping.set()
        self._awake.set()

    def join(self, timeout: float) -> bool:
        if self._thread.ident is not None:
            self._thread.join(timeout)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def problem(self) -> str:
        if not self.alive:
            return f"alerts to {self.name} are not being sent; restart the service"
        return self._desk.failure

    def _run(self) -> None:
        while not self._stopping.is_set():
            pause = self._spacing if self._step() else self._poll
            self._awake.wait(pause)
            self._awake.clear()

    def _step(self) -> bool:
        try:
            return self._desk.step()
        except StoreError as error:
            if not self._stopping.is_set():
                LOG.warning("alerts to %s wait for the store: %s", self.name, error)
        except Exception:
            LOG.exception("alerts to %s: unexpected", self.name)
        return False
