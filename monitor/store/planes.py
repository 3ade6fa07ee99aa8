"""Small whole numbers as planes of bytes: folded to positive numbers, all low bytes first, then the next ones."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

_UNFOLDED: Final = np.array([(number >> 1) ^ -(number & 1) for number in range(256)], np.int8)


def fold(numbers: IntArray | None) -> tuple[int, bytes]:
    """Return how many bytes each number takes (0: all are nought) and the planes."""
    if numbers is None or not numbers.any():
        return 0, b""
    folded = ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)
    most = int(folded.max())
    width = next(size for size in (1, 2, 4, 8) if most < 1 << (8 * size))
    planes = folded.astype(f"<u{width}").view(np.uint8).reshape(-1, width).T
    return width, planes.tobytes()


class Planes:
    """Reads planes one after the other."""

    def __init__(self, raw: bytes, at: int) -> None:
        self._raw = raw
        self.at = at

    def take(self, width: int, count: int) -> NDArray[Any] | None:
        """Return the next numbers, None where all are nought."""
        if width == 0:
            return None
        if width not in {1, 2, 4, 8}:
            raise ValueError(f"numbers of {width} bytes")
        folded = np.frombuffer(self._raw, np.uint8, count * width, self.at)
        self.at += count * width
        if width == 1:
            return _UNFOLDED[folded]  # the usual case, by a table
        whole = np.ascontiguousarray(folded.reshape(width, count).T).view(f"<u{width}").ravel()
        number: NDArray[Any] = (whole >> 1).view(f"<i{width}")
        number ^= -(whole & 1).view(f"<i{width}")
        return number
