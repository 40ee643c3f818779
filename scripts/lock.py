"""Write the two hashed requirement files from the ranges in pyproject.toml.

Usage: python scripts/lock.py [--upgrade]   (needs uv on the PATH or in this environment)
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BESIDE_PYTHON = Path(sys.executable).with_name("uv")


def compile_lock(target: str, extras: list[str]) -> None:
    """Resolve for all supported Pythons; write pins and hashes, no addresses."""
    uv = str(BESIDE_PYTHON) if BESIDE_PYTHON.exists() else shutil.which("uv")
    if uv is None:
        sys.exit("uv is needed: pip install uv")
    command = [uv, "pip", "compile", "--quiet", "--universal", "--python-version", "3.11"]
    command += ["--generate-hashes", "--no-emit-index-url", "--no-emit-find-links"]
    command += ["--no-header", "--no-annotate", "--group", "build", "pyproject.toml"]
    for extra in extras:
        command += ["--extra", extra]
    subprocess.run([*command, *sys.argv[1:], "-o", target], cwd=ROOT, check=True)


if __name__ == "__main__":
    compile_lock("requirements-dev.txt", ["dev"])
    compile_lock("requirements.txt", ["formats", "record", "web"])
