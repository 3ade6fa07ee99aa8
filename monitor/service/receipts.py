"""Tells each device that numbers its messages what has come, so that it can forget that and resend the rest.

``committed/<device>`` under the service's own topics is retained and says, for a boot of the device, up to which
number all is on the disk (``through``), the highest number that came, and what is missing in between. What was
given up after a week is missed no more. Told at most once a second; the last state always is.
"""

from __future__ import annotations

import json
import logging
import math
from datetime import UTC, datetime
from typing import Final

from monitor.errors import StoreError
from monitor.service.ports import BootProgress, Committed, DeviceProgress, MessageSource, Store
from monitor.service.sparing import Sparing

LOG: Final = logging.getLogger("cushionwatch.numbers")

SPACING: Final = 1.0
"""Seconds between two receipts to one device."""
AT_ONCE: Final = 200
"""Devices that are told in one turn, so that the intake does not wait."""
HEARD_WITHIN: Final = 7 * 86400.0
"""Seconds: devices heard in them are told at a start, since the broker may have forgotten what it was told."""


def receipt(progress: DeviceProgress, now: float) -> bytes:
    """Return what a device is told: its boot that was heard last, and the ones before in ``earlier``.

    >>> pump = DeviceProgress("pump", [BootProgress("b7", 41, 44, [(42, 43)], 0.0)])
    >>> receipt(pump, 5.0)  # doctest: +NORMALIZE_WHITESPACE
    b'{"device": "pump", "boot": "b7", "through": 41, "highest": 44, "missing": [[42, 43]],
       "time": "1970-01-01T00:00:05Z", "earlier": []}'
    """
    last, *earlier = progress.boots
    told = {"device": progress.device, **_boot(last), "time": _stamp(now)}
    return json.dumps({**told, "earlier": [_boot(one) for one in earlier]}).encode()


def _stamp(now: float) -> str:
    return datetime.fromtimestamp(int(now), UTC).isoformat().replace("+00:00", "Z")


def _boot(one: BootProgress) -> dict[str, object]:
    return {
        "boot": one.boot,
        "through": one.through,
        "highest": one.highest,
        "missing": [list(hole) for hole in one.missing],
    }


class Receipts:
    """Which devices have to be told; used by the worker alone."""

    def __init__(self, store: Store, source: MessageSource) -> None:
        self._store = store
        self._source = source
        self._due: dict[str, None] = {}
        self._told: dict[str, float] = {}
        self._lines = Sparing(LOG)

    def begin(self, now: float) -> None:
        """Owe a receipt to each device that was heard lately; raises `StoreError`."""
        self._due.update(dict.fromkeys(self._store.numbering_devices(now - HEARD_WITHIN)))

    def note(self, committed: Committed, now: float) -> None:
        """Owe a receipt to the devices of a commit, and log what it noticed."""
        self._due.update(dict.fromkeys(committed.devices))
        for gap in committed.gaps:
            self._lines.warn(
                now, f"device {gap.device!r}, boot {gap.boot!r}: {gap.count} not received, "
                f"numbers {gap.first} to {gap.last}",
            )  # fmt: skip
        for step in committed.set_backs:
            self._lines.warn(
                now, f"device {step.device!r}, boot {step.boot!r}: its clock went back by "
                f"{step.before - step.after:.0f} s at number {step.sequence}; what it tells twice is kept apart",
            )  # fmt: skip
        for device in committed.restart:
            self._lines.warn(
                now, f"device {device!r}: it counts anew within one boot: numbers that had come came again with "
                "another time; its readings go by their own times, and those without one are left out as repeats; "
                "where it starts to count anew it must name another boot",
            )  # fmt: skip
        for device in committed.untracked:
            self._lines.warn(
                now, f"device {device!r}: too many devices or boots number their messages; its readings go by "
                "their times alone",
            )  # fmt: skip

    def publish(self, now: float) -> None:
        """Tell the devices whose turn it is; what the store does not give now is told later."""
        turn = [device for device in self._due if abs(now - self._told.get(device, -math.inf)) >= SPACING]
        if not turn:
            return
        try:
            found = self._store.progress(turn[:AT_ONCE])
        except StoreError as error:
            self._lines.warn(now, f"devices cannot be told what has come: {error}")
            return
        for device in turn[:AT_ONCE]:
            del self._due[device]
        for progress in found:
            self._source.publish(f"committed/{progress.device}", receipt(progress, now))
            self._told[progress.device] = now
        if len(self._told) > 10 * AT_ONCE:
            self._told = {device: told for device, told in self._told.items() if abs(now - told) < SPACING}
