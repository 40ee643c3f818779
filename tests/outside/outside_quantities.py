"""Which public numbers vibecheck computes, found by walking its modules.

A quantity is a public function, method or property whose return annotation holds a number: a
float or an int, an array of numbers, or a value of vibecheck with such a field. Features of the
catalogue are quantities of their own, named ``feature:NAME``.
"""

from __future__ import annotations

import dataclasses
import functools
import importlib
import inspect
import pkgutil
import typing
from collections.abc import Iterator
from fnmatch import fnmatchcase
from types import ModuleType
from typing import Any

import numpy as np

import vibecheck
from vibecheck.features.catalogue import CATALOGUE

COMPUTING = frozenset(
    (
        "car", "dsp", "features", "impulses", "model", "orders", "quality", "risk", "simulator",
        "speed", "track", "training", "units",
    )
)  # fmt: skip
"""Parts of vibecheck that are walked."""

NOT_COMPUTING: dict[str, str] = {
    "__main__": "starts the program",
    "advice": "words",
    "arrays": "freezes arrays",
    "bench": "brings stages together",
    "capture": "records and writes files",
    "cli": "a face",
    "dataset": "files, labels and privacy of data sets",
    "demo": "runs the shipped story",
    "errors": "errors",
    "findings": "values",
    "garage": "storage",
    "pipeline": "runs the stages",
    "recording": "reads files",
    "report": "a face",
    "result": "values",
    "result_json": "writes values",
    "web": "a face",
    "whole_file": "writes files",
    "plain_text": "text",
}
"""Parts that are not walked, and why."""


def parts() -> set[str]:
    """Return the names of all modules and packages directly under vibecheck."""
    return {found.name for found in pkgutil.iter_modules(vibecheck.__path__)}


def modules() -> Iterator[ModuleType]:
    """Return every module of the computing parts."""
    for found in pkgutil.walk_packages(vibecheck.__path__, "vibecheck."):
        if found.name.split(".")[1] in COMPUTING:
            yield importlib.import_module(found.name)


@functools.cache
def _classes() -> dict[str, type]:
    """Names that modules import for type checks only."""
    return {
        name: value for module in modules() for name, value in vars(module).items()
        if inspect.isclass(value)
    }  # fmt: skip


def _hints(of: Any) -> dict[str, Any]:
    try:
        return typing.get_type_hints(of)
    except NameError:
        return typing.get_type_hints(of, localns=_classes())


def holds_number(hint: Any, seen: tuple[Any, ...] = ()) -> bool:
    """Tell whether values of a type hold a number."""
    if hint in (float, int, complex):
        return True
    origin = typing.get_origin(hint)
    if origin is np.ndarray:
        kind = typing.get_args(typing.get_args(hint)[1])
        return not (kind and kind[0] in (np.bool_, np.str_))
    if origin is not None:
        return origin is not typing.Literal and any(
            holds_number(part, seen) for part in typing.get_args(hint) if part is not Ellipsis
        )
    if not isinstance(hint, type) or hint in seen:
        return False
    if dataclasses.is_dataclass(hint) and hint.__module__.startswith("vibecheck"):
        fields = _hints(hint).values()
        return any(holds_number(field, (*seen, hint)) for field in fields)
    return issubclass(hint, np.ndarray)


def _function(value: Any) -> Any:
    if isinstance(value, property):
        return value.fget
    if isinstance(value, functools.cached_property):
        return value.func
    if isinstance(value, (classmethod, staticmethod)):
        return value.__func__
    value = inspect.unwrap(getattr(value, "py_func", value))  # compiled or cached functions
    return value if inspect.isfunction(value) else None


def _returns_number(value: Any) -> bool:
    function = _function(value)
    return function is not None and holds_number(_hints(function).get("return"))


@functools.cache
def quantities() -> frozenset[str]:
    """Return the dotted name of every computed public quantity, and of every feature."""
    found = {f"feature:{spec.name}" for spec in CATALOGUE}
    for module in modules():
        for name, value in vars(module).items():
            if name.startswith("_") or getattr(value, "__module__", None) != module.__name__:
                continue
            if inspect.isclass(value):
                found |= {
                    f"{module.__name__}.{name}.{member}"
                    for member, inner in vars(value).items()
                    if not member.startswith("_") and _returns_number(inner)
                }
            elif _returns_number(value):
                found.add(f"{module.__name__}.{name}")
    return frozenset(found)


def covered(names: frozenset[str], patterns: set[str]) -> frozenset[str]:
    """Return the names that a name or a pattern over features stands for."""
    exact = names & patterns
    wild = [pattern for pattern in patterns if "*" in pattern]
    return exact | {name for name in names if any(fnmatchcase(name, p) for p in wild)}
