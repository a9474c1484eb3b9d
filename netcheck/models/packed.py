"""The rows of many netlists, small enough to keep all of them.

Comes in: one `CheckedFile` after the other.  Goes out: the same ones, in order, each
unpacked when it is asked for.  Rows are sentences that resemble each other, so that
packed they take a twentieth of the room; a folder of hundreds of netlists then needs
hardly more memory than one of ten.
"""

from __future__ import annotations

import pickle
import zlib
from collections.abc import Iterable, Iterator, Sequence
from typing import overload

from netcheck.models.checks import CheckedFile


class PackedFiles(Sequence[CheckedFile]):
    """A sequence of checked netlists that are kept packed."""

    def __init__(self, files: Iterable[CheckedFile] = ()) -> None:
        self._packed: list[bytes] = []
        for checked in files:
            self.append(checked)

    def append(self, checked: CheckedFile) -> None:
        """Take one more."""
        self._packed.append(zlib.compress(pickle.dumps(checked)))

    def __len__(self) -> int:
        return len(self._packed)

    def __iter__(self) -> Iterator[CheckedFile]:
        return map(_unpacked, self._packed)

    @overload
    def __getitem__(self, place: int) -> CheckedFile: ...
    @overload
    def __getitem__(self, place: slice) -> PackedFiles: ...
    def __getitem__(self, place: int | slice) -> CheckedFile | PackedFiles:
        if isinstance(place, slice):
            chosen = PackedFiles()
            chosen._packed = self._packed[place]
            return chosen
        return _unpacked(self._packed[place])


def _unpacked(packed: bytes) -> CheckedFile:
    checked: CheckedFile = pickle.loads(zlib.decompress(packed))
    return checked
