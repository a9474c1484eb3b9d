"""JSON objects declared once: what is written, and the schema that says so.

Comes in: a frozen dataclass whose fields are the keys of an object in written order, and
the value that such an object is made of.  Goes out: the object as a dictionary
(`reader_of`); `schemas.py` makes the JSON Schema of the class.  A field takes the
attribute of its own name; `From` says otherwise, `Written` how a value is changed on the
way.  The docstring of a class and the `Field` of a key describe them in the schema.  A key
with the default `LEFT_OUT` is not there where it is empty.

A reader is put together once a class, out of attribute getters and a few conversions: an
audit has a hundred thousand values, which is why no object of the class is made.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from functools import cache
from math import isfinite
from operator import attrgetter
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from netcheck.units import six_digits

Json = dict[str, Any]
Convert = Callable[[Any], Any]


@dataclass(frozen=True, slots=True)
class From:
    """Where a key takes its value: the path of an attribute, or a function of the whole."""

    source: str | Convert


@dataclass(frozen=True, slots=True)
class Written:
    """What is done to a value before it is written."""

    convert: Convert


def number(value: float | None) -> float | None:
    """Return six significant digits, or None for a number that is not finite."""
    if value is None:
        return None
    rounded = six_digits(value)
    return rounded if isfinite(rounded) else None


Figure = Annotated[float | None, Written(number)]
"""A number that may be missing."""
Number = Annotated[float, Written(number)]
EMPTY_IS_NULL = Written(lambda text: text or None)
Text = Annotated[str | None, EMPTY_IS_NULL]
"""Words; null where there are none."""


def always(value: object) -> From:
    """Return the source of a key that has one value only."""
    return From(lambda whole: value)


ITSELF = From(lambda whole: whole)
"""The source of an object that is made of the same value as the one around it."""
LEFT_OUT: Any = None
"""The default of a key that is not there where its value is empty."""
VERSION = "1.0"
Version = Annotated[Literal["1.0"], always(VERSION)]


@cache
def reader_of(made: type) -> Callable[[Any], Json]:
    """Return what makes the object that a class declares out of a value."""
    hints = get_type_hints(made, include_extras=True)
    keys, sources = [], []
    converts: list[tuple[str, Convert]] = []
    optional = []
    for field in fields(made):
        key, source = _named(field.name, hints[field.name])
        keys.append(key)
        sources.append(source)
        if convert := _converter(hints[field.name]):
            converts.append((key, convert))
        if field.default is not MISSING:
            optional.append(key)
    values = _values(sources)

    def read(value: Any) -> Json:
        found = dict(zip(keys, values(value), strict=True))
        for key in optional:
            if not found[key]:
                del found[key]
        for key, convert in converts:
            if key in found:
                found[key] = convert(found[key])
        return found

    return read


def _named(name: str, hint: Any) -> tuple[str, str | Convert]:
    key = name
    source: str | Convert = name
    for mark in getattr(hint, "__metadata__", ()):
        if isinstance(mark, From):
            source = mark.source
        key = getattr(mark, "alias", None) or key
    return key, source


def _values(sources: list[str | Convert]) -> Convert:
    """Return what takes all values of an object at once."""
    paths = [source for source in sources if isinstance(source, str)]
    if len(paths) == len(sources) > 1:
        return attrgetter(*paths)
    getters = [attrgetter(each) if isinstance(each, str) else each for each in sources]
    return lambda value: [get(value) for get in getters]


def _converter(hint: Any) -> Convert | None:
    """Return what a value of this type needs before it is written; None for nothing."""
    marks = [mark for mark in getattr(hint, "__metadata__", ()) if isinstance(mark, Written)]
    if marks:
        return marks[-1].convert
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _converter(inner[0])
    if origin is list:
        return _of_list(_converter(inner[0]))
    if origin is dict:
        return _of_dict(_converter(inner[1]))
    if origin in (Union, UnionType):
        return _of_one([kind for kind in inner if kind is not NoneType])
    return reader_of(hint) if isinstance(hint, type) and is_dataclass(hint) else None


def _of_list(each: Convert | None) -> Convert:
    if each is None:
        return list
    return lambda values: [each(value) for value in values]


def _of_dict(each: Convert | None) -> Convert:
    if each is None:
        return dict
    return lambda found: {key: each(value) for key, value in found.items()}


def _of_one(kinds: list[Any]) -> Convert | None:
    """Return the conversion of a value that may be missing, or is one of several objects.

    Which of several is said by their `OF`, the class that each is made of.
    """
    if len(kinds) > 1:
        readers = [(kind.OF, reader_of(kind)) for kind in kinds if hasattr(kind, "OF")]
        return _chosen(readers) if readers else None
    convert = _converter(kinds[0])
    if convert is None:
        return None
    return lambda value: None if value is None else convert(value)


def _chosen(readers: list[tuple[type, Convert]]) -> Convert:
    return lambda value: next(read(value) for of, read in readers if isinstance(value, of))
