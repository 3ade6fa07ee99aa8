"""Keeps an unclosed quote in a CSV log from swallowing the rows after it.

A logger that is cut off in the middle of a row leaves a quote that nothing closes. A CSV parser then takes
all that follows, line ends and all, for one cell. Here such a quote is made a plain mark before the parser
sees it: the row is bad or good by what else stands in it, and the rows after it are read.
"""

from __future__ import annotations

import csv
import io
from typing import IO, Final

_LINE_MOST: Final = 1 << 16  # bytes; a longer line is cut here, which no log needs


class LineQuotes(io.RawIOBase):
    """A stream of CSV text in which a quoted cell ends with its line.

    Parameters
    ----------
    stream : IO[bytes]
        The text; closed by whoever opened it.
    notes : list[str]
        Takes one note at the end of the text if there were such quotes.
    """

    def __init__(self, stream: IO[bytes], notes: list[str]) -> None:
        self._stream = stream
        self._notes = notes
        self._rest = b""
        self._line = 1
        self._count = 0
        self._first = 0

    def readable(self) -> bool:
        """Return True: this is for reading."""
        return True

    def read(self, size: int = -1) -> bytes:
        """Return up to ``size`` bytes, all of them if negative; nothing at the end."""
        if not self._rest:
            whole = self._stream.read(size) or b""
            self._rest = self._mended(whole + self._stream.readline(_LINE_MOST) if whole else whole)
        if size < 0 or len(self._rest) <= size:
            piece, self._rest = self._rest, b""
        else:
            piece, self._rest = self._rest[:size], self._rest[size:]
        return piece

    def _mended(self, text: bytes) -> bytes:
        if not text and self._count:
            lines = f"{self._count} lines have" if self._count > 1 else "1 line has"
            self._notes.append(
                f'{lines} a quote (") that is not closed on the line; it was taken for a part of its cell; '
                f"first: line {self._first}"
            )
            self._count = 0
        if b'"' not in text or _all_close(text):
            self._line += text.count(b"\n")
            return text
        return b"".join(map(self._closed, text.splitlines(keepends=True)))

    def _closed(self, line: bytes) -> bytes:
        if b'"' in line and _stays_open(line):
            self._first = self._first or self._line
            self._count += 1
            head, _, tail = line.rpartition(b'"')
            line = head + b"'" + tail
        self._line += line.endswith(b"\n")
        return line


def _all_close(text: bytes) -> bool:
    """Tell whether each line is a row by itself; quick, where all cells of a large log are quoted."""
    lines = text.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    lines.append("")  # a cell that the last line leaves open would swallow it
    try:
        return sum(1 for _ in csv.reader(lines)) == len(lines)
    except csv.Error:  # a cell so long that it has swallowed other lines
        return False


def _stays_open(line: bytes) -> bool:
    """Tell whether a quoted cell goes on after the end of the line, by the rules of the csv module."""
    reader = csv.reader([line.decode("latin-1").rstrip("\r\n"), ""])
    next(reader)
    return reader.line_num > 1
