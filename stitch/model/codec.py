"""Records to plain JSON values and back.

Dataclasses become objects, tuples lists, enums their values, paths POSIX strings, bytes base64 text.
Arrays do not pass through here: whoever owns one saves it beside the JSON as `.npy`.
"""

from __future__ import annotations

import base64
import dataclasses
import types
import typing
from enum import Enum
from pathlib import PurePath
from typing import Any, TypeVar, get_args, get_origin

T = TypeVar("T")


def to_plain(value: Any) -> Any:
    """Turn a record into JSON values. Raises TypeError for what JSON cannot hold."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, bytes):
        return base64.b64encode(value).decode("ascii")
    if isinstance(value, PurePath):
        return value.as_posix()
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise TypeError(f"{type(value).__name__} is not a plain record value")


def from_plain(kind: type[T], plain: Any) -> T:
    """Rebuild a record of type `kind` from JSON values made by `to_plain`.

    Raises TypeError, ValueError or KeyError when the values do not fit the type.
    """
    return typing.cast(T, _rebuild(kind, plain))


def _rebuild(kind: Any, plain: Any) -> Any:
    origin = get_origin(kind)
    if origin in (types.UnionType, typing.Union):
        return _rebuild_union(get_args(kind), plain)
    if origin is tuple:
        return _rebuild_tuple(get_args(kind), plain)
    if origin is dict:
        return {key: _rebuild(get_args(kind)[1], item) for key, item in plain.items()}
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        maker: Any = kind
        return maker(**{f.name: _rebuild(hints[f.name], plain[f.name]) for f in dataclasses.fields(kind)})
    if kind is bytes:
        return base64.b64decode(plain)
    if kind is float and isinstance(plain, int) and not isinstance(plain, bool):
        return float(plain)
    if isinstance(kind, type) and issubclass(kind, Enum | PurePath):
        return kind(plain)
    if isinstance(kind, type) and not isinstance(plain, kind):
        raise TypeError(f"expected {kind.__name__}, found {type(plain).__name__}")
    return plain


def _rebuild_union(kinds: tuple[Any, ...], plain: Any) -> Any:
    if plain is None and type(None) in kinds:
        return None
    rest = [kind for kind in kinds if kind is not type(None)]
    return _rebuild(rest[0], plain)


def _rebuild_tuple(kinds: tuple[Any, ...], plain: Any) -> tuple[Any, ...]:
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        return tuple(_rebuild(kinds[0], item) for item in plain)
    if len(kinds) != len(plain):
        raise ValueError(f"expected {len(kinds)} items, found {len(plain)}")
    return tuple(_rebuild(kind, item) for kind, item in zip(kinds, plain, strict=True))
