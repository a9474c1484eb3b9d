"""Bytes of a netlist file, made into text.

Comes in: a path or bytes.  Goes out: a `SourceText`.  Netlists travel as UTF-8, as
UTF-16 from Windows tools and as Latin-1 from old ones; a byte-order mark decides,
else zero bytes at every second place tell UTF-16, else what is valid UTF-8 is UTF-8
and the rest is Latin-1, in which every byte is a letter.
"""

from __future__ import annotations

import codecs
import stat
from pathlib import Path

from netcheck.errors import NetlistError, NetlistSyntaxError
from netcheck.netlist.limits import ReadLimits, raised_by
from netcheck.source import SourceText

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_ORDINARY = frozenset("\t\n\r\f\v")
_END_OF_FILE = "\x1a"
_SHARE_OF_CONTROL = 0.01


def read_source(path: Path, name: str, limits: ReadLimits) -> SourceText:
    """Read a file under the name that is shown to the user."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise NetlistError(f"{name} is not a file", hint="name the netlist file itself")
        with path.open("rb") as file:
            data = file.read(limits.file_bytes + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is not a path"
        raise NetlistError(f"{name} cannot be read: {reason}") from None
    if len(data) > limits.file_bytes:
        raise NetlistError(
            f"{name} is larger than {limits.file_bytes} bytes, the limit for a netlist",
            hint=raised_by("file_bytes", limits.file_bytes),
        )
    return SourceText(name, decode(data, name))


def decode(data: bytes, name: str) -> str:
    """Decode the bytes of a netlist; binary data raises `NetlistSyntaxError`."""
    text = _decoded(data, name).rstrip(_END_OF_FILE)
    odd = sum(1 for letter in text if letter < " " and letter not in _ORDINARY)
    if "\0" in text or odd > _SHARE_OF_CONTROL * len(text):
        raise _binary(name)
    return text


def encoding_of(data: bytes) -> tuple[bytes, str]:
    """Return the byte-order mark of a netlist's bytes, if there is one, and the encoding."""
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return mark, encoding
    if guessed := _utf16_without_mark(data):
        return b"", guessed
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return b"", "latin-1"
    return b"", "utf-8"


def _decoded(data: bytes, name: str) -> str:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            try:
                return data[len(mark) :].decode(encoding)
            except UnicodeDecodeError:
                raise _binary(name) from None
    if guessed := _utf16_without_mark(data):
        try:
            return data.decode(guessed)
        except UnicodeDecodeError:
            raise _binary(name) from None
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _utf16_without_mark(data: bytes) -> str:
    sample = data[:4000]
    if len(sample) < 4 or len(data) % 2:
        return ""
    half = len(sample) // 2
    if sample[1::2].count(0) > 0.8 * half and sample[0::2].count(0) == 0:
        return "utf-16-le"
    if sample[0::2].count(0) > 0.8 * half and sample[1::2].count(0) == 0:
        return "utf-16-be"
    return ""


def _binary(name: str) -> NetlistSyntaxError:
    return NetlistSyntaxError(
        f"{name} is not text", hint="a netlist is a text file; was another file meant?"
    )
