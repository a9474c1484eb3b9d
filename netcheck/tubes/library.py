"""The tubes on file, found by the names people write.

Comes in: a type name from a netlist or a note, in any case and with the usual
separators and suffixes.  Goes out: the `TubeType`, and a warning where the name
alone does not say which limits hold.

A name that fits tubes of different rating (`6L6`, `6SN7`, `6V6`) gets the type
with the lower limit.  Unknown trailing letters (`EL34B`) are read as a variant
of the longest known name in front of them; trailing digits never are.

Start-up reads only the first paragraph of each data file, which holds its names;
a file is parsed and checked when its type is asked for.

Tube types of the user's own: a folder of data files, read on top of those on file.

Comes in: a folder of `.toml` files in the format of `tubes/data`.  Goes out: a library
in which a name of the user's wins over a built-in one, with the aliases of the type
that lost it.  Every file is checked at once: a mistake in one that happens not to be
used would otherwise come up later, and look like a mistake of the netlist.

`based_on` names a file beside it or a built-in one, so a file of a few lines can
change the limits of a type and keep its pins and its law.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcheck.errors import TubeDataError

if TYPE_CHECKING:
    from netcheck.tubes.types import TubeType


SHORTEST_PART = 4
"""A name of fewer letters and digits is only read out of a longer one where it stands
apart (`TUBE_2A3`): `L63` also ends `EL63`, which is another tube."""

LONGEST_SUFFIX = 4
"""Letters a maker may hang on a type name (`WGTA`, `CR`, `EH`)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A type, and what the user should know about how its name was read."""

    type: TubeType
    warning: str = ""


@dataclass(frozen=True, slots=True)
class _Names:
    """First paragraph of one data file."""

    file: str
    name: str
    aliases: tuple[str, ...]
    ambiguous: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class TubeLibrary:
    """All types on file; `texts` maps file name to contents.

    own: the files of the user, whose names win over the others'.
    """

    texts: Mapping[str, str]
    own: frozenset[str] = frozenset()
    _names: Mapping[str, _Names] = field(init=False, repr=False)
    _types: dict[str, TubeType] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        built_in = self._names_in(file for file in self.texts if file not in self.own)
        own = self._names_in(self.own)
        # A type that loses its name to a file of the user loses its aliases too.
        taken = {key: own.get(_key(entry.name), entry) for key, entry in built_in.items()}
        object.__setattr__(self, "_names", taken | own)

    def _names_in(self, some: Iterable[str]) -> dict[str, _Names]:
        """Return what the names of some files stand for; no two may claim one."""
        names: dict[str, _Names] = {}
        for file in sorted(some):
            entry = _first_paragraph(file, self.texts[file])
            for word in (entry.name, *entry.aliases, *entry.ambiguous):
                other = names.setdefault(_key(word), entry)
                if other is not entry:
                    raise TubeDataError(f"{file}: aliases: '{word}' is also in {other.file}")
        return names

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all types, sorted."""
        return tuple(sorted({entry.name for entry in self._names.values()}))

    def file_of(self, name: str) -> str:
        """Return the user's own file a type comes from; empty for a built-in type."""
        known = self.name_of(name)
        file = self._names[_key(known)].file if known else ""
        return file if file in self.own else ""

    def lookup(self, name: str) -> Found | None:
        """Return the type a name stands for, with a warning where one is due."""
        key = _key(name)
        entry = self._names.get(key)
        if entry:
            warning = next((w for word, w in entry.ambiguous.items() if _key(word) == key), "")
            return Found(self._type(entry), warning)
        stem = self._stem(key)
        if stem is None:
            return None
        entry = self._names[stem]
        return Found(self._type(entry), f"'{name}' is not on file; read as {entry.name}")

    def lookup_within(self, name: str) -> Found | None:
        """Return the type that parts of a name stand for: `NH12AX7`, `ECC83_1`, `TRIODE_12AX7`.

        None where no part is a known name, or where parts stand for several types
        (`types_within` tells them).
        """
        types = self.types_within(name)
        if len(types) != 1:
            return None
        known = types[0]
        return Found(self._type(self._names[_key(known)]), f"'{name}' is read as {known}")

    def types_within(self, name: str) -> tuple[str, ...]:
        """Return the names of all types that parts of a name stand for, sorted."""
        found: set[str] = set()
        for word in re.split(r"[^0-9A-Z]+", name.upper()):
            parts = [part for part in self._names if _stands_in(part, word)]
            longest = [p for p in parts if not any(p != q and p in q for q in parts)]
            stem = self._stem(word) if word and not longest else None
            found |= {self._names[part].name for part in (*longest, *([stem] if stem else ()))}
        return tuple(sorted(found))

    def find(self, name: str) -> TubeType | None:
        """Return the type a name stands for."""
        found = self.lookup(name)
        return found.type if found else None

    def is_tube(self, name: str) -> bool:
        """Say whether `lookup` would find the name; no data file is parsed."""
        key = _key(name)
        return key in self._names or self._stem(key) is not None

    def name_of(self, name: str) -> str | None:
        """Return the name of the type a name stands for; no data file is parsed."""
        key = _key(name)
        known = key if key in self._names else self._stem(key)
        return None if known is None else self._names[known].name

    def suggest(self, name: str) -> str | None:
        """Return the known name closest to an unknown one, if any is close."""
        known = {
            _key(word): word
            for entry in self._names.values()
            for word in (entry.name, *entry.aliases)
        }
        close = difflib.get_close_matches(_key(name), sorted(known), n=1, cutoff=0.6)
        return known[close[0]] if close else None

    def all_types(self) -> tuple[TubeType, ...]:
        """Parse and return every type, sorted by name."""
        entries = {entry.name: entry for entry in self._names.values()}
        return tuple(self._type(entries[name]) for name in self.names)

    def check_own(self) -> None:
        """Parse every file of the user; the first mistake is raised."""
        for entry in {entry.file: entry for entry in self._names.values()}.values():
            if entry.file in self.own:
                self._type(entry)

    def _stem(self, key: str) -> str | None:
        """Longest known name that `key` begins with, if only letters follow."""
        for cut in range(1, LONGEST_SUFFIX + 1):
            if not key[-cut:].isalpha():
                return None
            if key[:-cut] in self._names:
                return key[:-cut]
        return None

    def _type(self, entry: _Names) -> TubeType:
        from netcheck.tubes.types import tube_type

        if entry.file not in self._types:
            self._types[entry.file] = tube_type(self._contents(entry.file), entry.file)
        return self._types[entry.file]

    def _contents(self, file: str) -> dict[str, Any]:
        data = _parse(self.texts[file], file)
        base = data.pop("based_on", None)
        if base is None:
            return data
        base_file = self._base_file(file, str(base))
        parent = _parse(self.texts[base_file], base_file)
        if "based_on" in parent:
            raise TubeDataError(f"{file}: based_on: {base_file} is itself based on another file")
        for key in ("aliases", "ambiguous", "limits"):
            parent.pop(key, None)
        sources = {**parent.get("sources", {}), **data.pop("sources", {})}
        return {**parent, **data, "sources": sources}

    def _base_file(self, file: str, base: str) -> str:
        """Find the file another is based on: beside it, else the built-in one.

        A file of the user may be based on the built-in file whose name it takes.
        """
        beside = f"{file.rpartition('/')[0]}/{base}.toml".lstrip("/") if file in self.own else ""
        found = [name for name in (beside, f"{base}.toml") if name in self.texts and name != file]
        if not found:
            raise TubeDataError(f"{file}: based_on: there is no {base}.toml")
        return found[0]


def _stands_in(part: str, word: str) -> bool:
    """Say whether a known name stands in a word, whole or with letters around it."""
    if part == word:
        return True
    letters = re.match(r"[A-Z]*", part)
    if len(part) < SHORTEST_PART or part.isdigit() or (letters and len(letters[0]) == 1):
        return False
    at = word.find(part)
    if at < 0:
        return False
    before, after = word[:at], word[at + len(part) :]
    return (not before or before.isalpha()) and not after[:1].isdigit()


def _key(name: str) -> str:
    """Fold case and drop what people put between the parts of a name."""
    return re.sub(r"[^0-9A-Z]", "", name.upper())


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TubeDataError(f"{file}: {error}") from None


def _first_paragraph(file: str, text: str) -> _Names:
    head = _parse(text.split("\n\n", 1)[0], file)
    name = head.get("name")
    if not isinstance(name, str) or not name.strip():
        raise TubeDataError(f"{file}: name: the first paragraph holds the names of the type")
    aliases, ambiguous = head.get("aliases", []), head.get("ambiguous", {})
    if not _all_text(aliases) or not isinstance(ambiguous, dict):
        raise TubeDataError(f"{file}: aliases: a list of names is needed")
    return _Names(file, name, tuple(aliases), ambiguous)


def _all_text(words: Iterable[object]) -> bool:
    return isinstance(words, list) and all(isinstance(word, str) for word in words)


@cache
def load_library() -> TubeLibrary:
    """Return the library shipped with the package."""
    folder = files("netcheck.tubes") / "data"
    return TubeLibrary(
        {
            item.name: item.read_text(encoding="utf-8")
            for item in folder.iterdir()
            if item.name.endswith(".toml")
        }
    )


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
