"""A file that takes up room, to be given back when the disk is full: deleting rows needs room first."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Final

MB: Final = 1_000_000


class Ballast:
    """A file of ``size`` bytes beside the store; 0: none is kept."""

    def __init__(self, path: Path, size: int) -> None:
        self.path = path
        self.size = size

    @property
    def taken(self) -> bool:
        """Tell whether the file has its size."""
        return not self.size or (self.path.is_file() and self.path.stat().st_size >= self.size)

    def take(self) -> bool:
        """Make the file if the disk has room for it twice, so that it fills none itself; False if it has not."""
        if self.taken:
            return True
        try:
            if shutil.disk_usage(self.path.parent).free < 2 * self.size:
                return False
            self._fill()
        except OSError:
            self.release()
            return False
        return True

    def release(self) -> None:
        """Give the room back."""
        self.path.unlink(missing_ok=True)

    def _fill(self) -> None:
        with self.path.open("wb") as file:
            try:
                os.posix_fallocate(file.fileno(), 0, self.size)
            except OSError:  # a file system without it
                for start in range(0, self.size, MB):
                    file.write(bytes(min(MB, self.size - start)))
            file.flush()
            os.fsync(file.fileno())
