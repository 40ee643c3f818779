"""Compile with numba, or say in one sentence which extra is missing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from vibecheck.errors import MissingExtraError

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile a function of numbers and arrays; the machine code is cached beside its module.

    Calls between compiled functions are inlined: passing dozens of arrays costs more than the
    arithmetic.

    Raises
    ------
    MissingExtraError
        If numba is not installed.
    """
    try:
        import numba
        from numba.core.cpu import CPUTargetOptions
    except ImportError as error:
        raise MissingExtraError("The simulator", "simulator") from error
    # NaN and Inf keep their meaning: they tell that a motion grew without bound.
    options: dict[str, Any] = {
        "cache": True,
        "error_model": "numpy",
        "fastmath": {"reassoc", "contract", "arcp", "nsz"},
        "forceinline": True,
        # No function here makes arrays, so none needs to count references to them.
        "_nrt": False,
    }
    known = {name: value for name, value in options.items() if _is_known(CPUTargetOptions, name)}
    return cast(Function, numba.njit(**known)(function))


def _is_known(target: type, name: str) -> bool:
    """Tell whether this numba takes an option that only saves time (the others always exist)."""
    return name not in ("forceinline", "_nrt") or hasattr(target, name)
