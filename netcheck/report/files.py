"""Output files: written whole or not at all.

Comes in: a path and text or bytes.  Goes out: the file, which another program never
sees half written: the content goes to a temporary file in the same folder, which then
takes the name.  What is not a regular file (a pipe, a device) is written to
directly.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from netcheck.errors import NetcheckError

_NEW_FILE_MODE = 0o666


def check_output(output: Path, netlist: Path | None = None) -> None:
    """Refuse an output that cannot be written, before the long work begins."""
    if output.is_dir():
        raise NetcheckError(f"cannot write {output}: it is a folder", hint="give a file name")
    if not output.parent.is_dir():
        raise NetcheckError(f"cannot write {output}: there is no folder {output.parent}")
    if netlist and output.exists() and netlist.exists() and output.samefile(netlist):
        raise NetcheckError(
            f"{output} is the netlist itself and would be lost", hint="give another output file"
        )


def write_whole(output: Path, content: str | bytes) -> None:
    """Write text as UTF-8, or bytes as they are, to `output` in one step."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        if output.exists() and not output.is_file():
            output.write_bytes(data)
            return
        _replace(Path(os.path.realpath(output)), data)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NetcheckError(f"cannot write {output}: {reason}") from error


def _replace(target: Path, data: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        temporary.chmod(_mode_for(target))
        temporary.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def _mode_for(target: Path) -> int:
    """Return the mode the file has, or the one a new file would get."""
    if target.exists():
        return target.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return _NEW_FILE_MODE & ~mask
