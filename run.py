#!/usr/bin/env python3
"""Set vibecheck up beside this file and run it. Needs only Python 3.11 or newer.

    python3 run.py demo                       the whole job on shipped recordings
    python3 run.py test                       the test suite
    python3 run.py check spin.wav --car my.toml    any vibecheck command

The first call makes a virtual environment in `.venv` and installs the pinned, hashed
dependencies; later calls start at once.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
USER_LOCK = ROOT / "requirements.txt"
TEST_LOCK = ROOT / "requirements-dev.txt"
OLDEST = (3, 11)


def stop(message: str) -> None:
    """Leave with one clear message and exit code 1."""
    sys.exit(f"vibecheck set-up: {message}")


def say(message: str) -> None:
    """Progress goes to standard error."""
    print(message, file=sys.stderr, flush=True)


def venv_folder() -> Path:
    """`.venv`, or one named for this Python where `.venv` belongs to another."""
    folder = ROOT / ".venv"
    config = folder / "pyvenv.cfg"
    version = ".".join(map(str, sys.version_info[:2]))
    if not config.is_file() or f"version = {version}." in config.read_text(encoding="utf-8"):
        return folder
    return ROOT / f".venv-{version}"


def in_venv(folder: Path, program: str) -> Path:
    """Path of a program inside the virtual environment."""
    if os.name == "nt":
        return folder / "Scripts" / f"{program}.exe"
    return folder / "bin" / program


def make_venv(folder: Path) -> list[str]:
    """Make the virtual environment if needed; return the command that is its pip."""
    python = in_venv(folder, "python")
    if not python.exists():
        say(f"Making a virtual environment in {folder.name} …")
        make = [sys.executable, "-m", "venv"]
        if subprocess.run([*make, str(folder)], capture_output=True, check=False).returncode:
            # Debian keeps ensurepip in a package of its own; the system's pip can serve instead.
            shutil.rmtree(folder, ignore_errors=True)
            made = subprocess.run(
                [*make, "--without-pip", str(folder)], capture_output=True, text=True, check=False
            )
            if made.returncode:
                stop(f"cannot make a virtual environment: {made.stderr.strip()}")
    for pip in (
        [str(python), "-m", "pip"],
        [sys.executable, "-m", "pip", "--python", str(python)],
    ):
        if not subprocess.run([*pip, "--version"], capture_output=True, check=False).returncode:
            return pip
    shutil.rmtree(folder, ignore_errors=True)
    stop("this Python has no pip. On Debian or Ubuntu: sudo apt install python3-venv")
    raise AssertionError


def stamp_of(folder: Path, lock: Path) -> tuple[Path, str]:
    """Where it is noted that a lock file was installed, and the note for its present content."""
    content = lock.read_bytes() + (ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode()
    return folder / f"{lock.stem}.sha256", hashlib.sha256(content).hexdigest()


def is_set_up(folder: Path, lock: Path) -> bool:
    """True where the lock file's present content was installed already."""
    stamp, wanted = stamp_of(folder, lock)
    return stamp.is_file() and stamp.read_text(encoding="utf-8") == wanted


def set_up(lock: Path) -> Path:
    """Install what a lock file names, once per content; return the environment's folder."""
    folder = venv_folder()
    # What the tests need holds all that a user needs.
    if is_set_up(folder, lock) or is_set_up(folder, TEST_LOCK):
        return folder
    pip = make_venv(folder)
    quiet = ["install", "--quiet", "--disable-pip-version-check"]
    say("Installing the pinned dependencies (once; a minute or two) …")
    locked = [*quiet, "--require-hashes", "--only-binary", ":all:", "-r", str(lock)]
    itself = [*quiet, "--no-deps", "--no-build-isolation", "-e", str(ROOT)]
    for arguments in (locked, itself):
        if subprocess.run([*pip, *arguments], check=False).returncode:
            stop("the installation failed; the lines above say why. Is the network reachable?")
    stamp, wanted = stamp_of(folder, lock)
    stamp.write_text(wanted, encoding="utf-8")
    return folder


def main(arguments: list[str]) -> int:
    """Set up, then run the tests or a vibecheck command; return its exit code."""
    if sys.version_info < OLDEST:
        stop(f"Python 3.11 or newer is needed. This is {sys.version.split()[0]}.")
    if not arguments or arguments[0] in {"-h", "--help"}:
        print(__doc__)
        return 0
    if arguments[0] == "test":
        folder = set_up(TEST_LOCK)
        rest = arguments[1:] or ["-n", "auto", "-q"]
        return subprocess.run(
            [in_venv(folder, "python"), "-m", "pytest", *rest], cwd=ROOT, check=False
        ).returncode
    folder = set_up(USER_LOCK)
    return subprocess.run([in_venv(folder, "vibecheck"), *arguments], check=False).returncode


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
