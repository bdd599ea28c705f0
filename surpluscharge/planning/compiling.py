"""The same functions, compiled: with numba (the ``tune`` extra) where it is installed, as they stand where it is not.

There is no second implementation. :func:`compiled` takes a function of the package, and the functions of the package
that it calls by name, and hands their very code to the compiler. It must use numbers, tuples and buffers only:
:func:`buffer` makes one of an ``array``, over the same memory. Compiling takes some seconds at the first call in a
process: nothing is kept on disk, where it could grow stale against the code it was made from.
"""

from __future__ import annotations

import importlib
import importlib.util
from array import array
from collections.abc import Callable
from functools import cache
from types import FunctionType
from typing import Any


def available() -> bool:
    """Say whether the compiler is installed."""
    return importlib.util.find_spec("numba") is not None


@cache
def compiled(function: Any) -> Any:
    """Return the function compiled. It must call others by bare names.

    It lets other threads run meanwhile, so that threads keep all cores busy.
    """
    names = dict(function.__globals__)
    for name in function.__code__.co_names:
        if isinstance(names.get(name), FunctionType):
            names[name] = compiled(names[name])
    twin = FunctionType(function.__code__, names, function.__name__, function.__defaults__)
    return importlib.import_module("numba").njit(nogil=True)(twin)


def fast(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return the function, compiled if that can be; to be called with buffers made by :func:`buffer`."""
    return compiled(function) if available() else function


def buffer(values: array[Any]) -> Any:
    """Return what a fast function reads and writes in the place of ``values``: a numpy array, or the same."""
    return importlib.import_module("numpy").frombuffer(values, dtype=values.typecode) if available() else values
