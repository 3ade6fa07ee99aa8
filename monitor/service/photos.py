"""Photos of a service visit: what is taken as one, told by its first bytes and not by its name."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.errors import InputError
from monitor.site import VisitAction

MOST_BYTES: Final = 5 * 1024 * 1024
"""Bytes of one photo; a phone's picture of a gauge takes two to four million."""

MOST_PHOTOS: Final = 4
"""Photos of one visit."""


class PhotoKind(StrEnum):
    """The forms that are kept; both hold pixels only, nothing that a browser would run."""

    JPEG = "jpeg"
    PNG = "png"


_MAGIC: Final = ((b"\xff\xd8\xff", PhotoKind.JPEG), (b"\x89PNG\r\n\x1a\n", PhotoKind.PNG))


@dataclass(frozen=True, slots=True)
class Photo:
    """One picture, as it was sent."""

    kind: PhotoKind
    body: bytes

    @property
    def media_type(self) -> str:
        """Return what a browser is told that this is."""
        return f"image/{self.kind.value}"


@dataclass(frozen=True, slots=True)
class PhotoNote:
    """What is known of a stored photo without its picture: its number, its visit, SHA-256 and size in bytes."""

    number: int
    time: float
    action: VisitAction
    kind: PhotoKind
    sha256: str
    size: int


def photo_of(body: bytes, name: str) -> Photo:
    """Return a photo; ``name`` is what the error calls it.

    Raises
    ------
    InputError
        If it is no JPEG or PNG, or too large.
    """
    if len(body) > MOST_BYTES:
        raise InputError(
            f"{name}: {len(body) / 2**20:.1f} MB; a photo may have {MOST_BYTES // 2**20} MB: make it smaller, or "
            "take it at a lower resolution"
        )
    for start, kind in _MAGIC:
        if body.startswith(start):
            return Photo(kind, body)
    raise InputError(
        f"{name}: this is neither a JPEG nor a PNG picture, whatever its name says; send one of these"
    )
