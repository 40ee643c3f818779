"""Compile with numba, or say in one sentence which extra is missing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from vibecheck.errors import MissingExtraError

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile a function of numbers and arrays; the machine code is cached beside its module.

    Raises
    ------
    MissingExtraError
        If numba is not installed.
    """
    try:
        import numba
    except ImportError as error:
        raise MissingExtraError("The simulator", "simulator") from error
    result: Function = numba.njit(
        cache=True, error_model="numpy", fastmath={"reassoc", "contract", "arcp", "nsz"}
    )(function)
    return result
