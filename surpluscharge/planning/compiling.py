"""The same functions, compiled: with numba (the ``tune`` extra) where it is installed, as they stand where it is not.

There is no second implementation. :func:`compiled` takes a function of the package, and the functions of the package
that it calls by name, and hands their very code to the compiler; :func:`view` lets compiled code work on an ``array``
in place. Compiling takes some seconds at the first call in a process: nothing is kept on disk, where it could grow
stale against the code it was made from.
"""

from __future__ import annotations

import importlib
import importlib.util
from array import array
from collections.abc import Callable
from functools import cache
from types import FunctionType
from typing import Any, TypeVar, cast

_F = TypeVar("_F", bound=Callable[..., Any])


def available() -> bool:
    """Say whether the compiler is installed."""
    return importlib.util.find_spec("numba") is not None


@cache
def _compiled(function: FunctionType) -> Any:
    names = dict(function.__globals__)
    for name in function.__code__.co_names:
        if isinstance(names.get(name), FunctionType):
            names[name] = _compiled(names[name])
    twin = FunctionType(function.__code__, names, function.__name__, function.__defaults__)
    return importlib.import_module("numba").njit(nogil=True)(twin)


def compiled(function: _F) -> _F:
    """Return the function compiled. It must call others by bare names, and use numbers, tuples and buffers only.

    It lets other threads run meanwhile, so that threads keep all cores busy.
    """
    return cast(_F, _compiled(cast(FunctionType, function)))


def view(values: array[Any]) -> Any:
    """Return a numpy array over the same memory."""
    return importlib.import_module("numpy").frombuffer(values, dtype=values.typecode)
