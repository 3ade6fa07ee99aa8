"""Every error that this program raises on purpose.

CushionwatchError            a user or operator can act on the message
├── InputError               something read from outside is not as it must be (exit code 2)
│   ├── SettingsError        a configuration or site file
│   ├── ReadingsFileError    a log file given to ``examine``
│   └── PayloadError         one message or sample from the wire
├── OutOfRangeError          a physical quantity outside the range of validity
├── StoreError               the store cannot do what was asked
│   └── StoreBroken          the disk may not hold what it was given: nothing may be tried again, only a new start
└── DeliveryError            an alert did not certainly reach its channel
"""

from __future__ import annotations


class CushionwatchError(Exception):
    """Base of all errors that carry a message meant for a person."""


class InputError(CushionwatchError):
    """Something read from outside is not as it must be; says what was read, where, and what is allowed."""


class SettingsError(InputError):
    """A configuration file or site file is wrong."""


class ReadingsFileError(InputError):
    """A log of readings or of visits cannot be used."""


class PayloadError(InputError):
    """One payload or sample from the wire is refused; the message is the reason kept with it."""


class OutOfRangeError(CushionwatchError, ValueError):
    """A physical quantity is outside the range for which the formula or table is valid."""


class StoreError(CushionwatchError):
    """The store cannot do what was asked."""


class StoreBroken(StoreError):  # noqa: N818 - says of the store what is so
    """The disk may not hold what it was given, or gives back something else.

    Trying again proves nothing, for a system that failed to write a page once calls it written the next time.
    Whoever holds the store must end; a new start reads the file anew.
    """


class DeliveryError(CushionwatchError):
    """An alert did not certainly reach its channel."""
