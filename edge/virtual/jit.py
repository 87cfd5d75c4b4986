"""Compiles the kernel with numba where it is installed; plain Python elsewhere, same numbers."""

from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])

_numba: Any = None
with suppress(ImportError):  # the edge's base install: slower, still faster than the clock
    import numba as _numba


def compiled(function: F) -> F:
    """The function, compiled on its first call when numba is there."""
    if _numba is None:
        return function
    try:
        return cast(F, _numba.njit(cache=True, error_model="numpy")(function))
    except RuntimeError:  # no folder to keep the compiled code in: compile at each start
        return cast(F, _numba.njit(error_model="numpy")(function))
