"""Command line: values for another program, on standard output."""

from __future__ import annotations

from typing import Any

import typer


def print_json(value: Any) -> None:
    """Print a value as JSON: letters as they are, and no number that JSON does not have."""
    import json

    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))
