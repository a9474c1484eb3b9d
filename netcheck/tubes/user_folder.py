"""Tube types of the user's own: a folder of data files, read on top of those on file.

Comes in: a folder of `.toml` files in the format of `tubes/data`.  Goes out: a library
in which a name of the user's wins over a built-in one, with the aliases of the type
that lost it.  Every file is checked at once: a mistake in one that happens not to be
used would otherwise come up later, and look like a mistake of the netlist.

`based_on` names a file beside it or a built-in one, so a file of a few lines can
change the limits of a type and keep its pins and its law.
"""

from __future__ import annotations

from pathlib import Path

from netcheck.errors import TubeDataError
from netcheck.tubes.library import TubeLibrary, load_library

VARIABLE = "NETCHECK_TUBES"
"""Environment variable that names the folder."""


def library_with(folder: Path | None) -> TubeLibrary:
    """Return the built-in library, with the files of `folder` on top where one is given."""
    if folder is None:
        return load_library()
    own = _texts(folder)
    library = TubeLibrary({**load_library().texts, **own}, frozenset(own))
    library.check_own()
    return library


def _texts(folder: Path) -> dict[str, str]:
    """Return the data files of a folder by the path a message calls them by."""
    if not folder.is_dir():
        wrong = "is not a folder" if folder.exists() else "does not exist"
        raise TubeDataError(
            f"the folder of tubes {folder} {wrong}",
            hint=f"--tubes and {VARIABLE} name a folder of .toml files",
        )
    found = sorted(folder.glob("*.toml"))
    if not found:
        raise TubeDataError(
            f"there is no .toml file in {folder}", hint="`netcheck fit` writes the form of one"
        )
    return {file.as_posix(): _text(file) for file in found}


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise TubeDataError(f"{file.as_posix()}: it is not text in UTF-8") from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise TubeDataError(f"{file.as_posix()}: cannot be read: {reason}") from None
