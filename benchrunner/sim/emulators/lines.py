"""Splits an incoming byte stream into lines, within a bound: whoever never ends a line costs nothing more."""

from collections.abc import Iterator

LONGEST_LINE = 4096  # bytes; a bench command has some twenty


class LineReader:
    """One connection's half-received line. Each connection has its own, as with real instruments."""

    __slots__ = ("_buffer", "_limit", "_skipping")

    def __init__(self, limit: int = LONGEST_LINE) -> None:
        self._buffer = bytearray()
        self._limit = limit
        self._skipping = False

    @property
    def empty(self) -> bool:
        """True where nothing is half received."""
        return not self._buffer and not self._skipping

    def feed(self, data: bytes, end: bytes = b"\n") -> Iterator[bytes | None]:
        """The lines completed by `data`, each with its `end` (one byte); None for one that was too long."""
        start = 0
        while start < len(data):
            stop = data.find(end, start) + 1
            whole = stop > 0
            piece = data[start : stop if whole else len(data)]
            start += len(piece)
            if self._skipping:
                self._skipping = not whole
                continue
            if len(self._buffer) + len(piece) > self._limit:
                self._buffer.clear()
                self._skipping = not whole
                yield None
                continue
            self._buffer += piece
            if whole:
                line = bytes(self._buffer)
                self._buffer.clear()
                yield line

    def forget(self) -> None:
        """Drop what is half received: a device clear, or a connection that closed."""
        self._buffer.clear()
        self._skipping = False
