"""Build the packages and use them as a stranger would: prints what holds, stops at what fails.

1. Two builds give the same bytes, and the source package builds the same wheel.
2. The wheel holds the model, the schema, the example cars, the demo takes and the web page.
3. Installed into a clean environment outside the clone, it runs `vibecheck demo`, and its page
   answers with each extra that it needs, one extra at a time.
4. With ``--suite``: the whole test suite passes on the oldest versions that pyproject.toml allows
   and on the newest ones (minutes each).

    python scripts/check_packaging.py [--suite] [--keep FOLDER]

Needs the network's package index, as any installation does.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
import venv
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
MUST_HOLD = (
    "vibecheck/data/model/looseness.npz",
    "vibecheck/data/schema/",
    "vibecheck/data/cars/saltflat8.toml",
    "vibecheck/data/demo/story.toml",
    "vibecheck/data/demo/2-something-loose-centre.flac",
    "vibecheck/report/templates/page.html",
    "vibecheck/garage/migrations/versions/",
    "vibecheck/web/templates/layout.html",
    "vibecheck/web/static/vibecheck.css",
    "vibecheck/web/static/record/",
    "vibecheck/py.typed",
)
EXTRAS = {
    "formats": "from vibecheck.recording import read_exchange; import pyarrow, pyuff",
    "plots": "import vibecheck.report.plots, matplotlib",
    "training": "import vibecheck.training.fit, sklearn, skops",
    "cluster": "import vibecheck.training.workers, distributed",
    "simulator": "import vibecheck.simulator.simulate, numba",
    "record": "import serial; import vibecheck.capture.board; "
    "from vibecheck.capture.microphone import load_sounddevice",
    "web": "import tempfile; from pathlib import Path; from vibecheck.web.app import create_app; "
    "from vibecheck.web.settings import Settings; "
    "create_app(Settings(data=Path(tempfile.mkdtemp())))",
}
SAME_TIME = {"SOURCE_DATE_EPOCH": "1900000000"}


def say(words: str) -> None:
    """Report what holds."""
    print(f"- {words}", flush=True)


def run(*call: str | Path, cwd: Path | None = None, **environment: str) -> str:
    """Run a command; show what it said and stop where it failed."""
    done = subprocess.run(
        [str(part) for part in call],
        cwd=cwd,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
    )
    if done.returncode:
        sys.exit(
            f"FAILED: {' '.join(map(str, call))}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
        )
    return done.stdout


def build(source: Path, out: Path, *what: str) -> list[Path]:
    """Build packages of a source tree."""
    run(
        sys.executable, "-m", "build", "--no-isolation", *what, "--outdir", out, source, **SAME_TIME
    )
    return sorted(out.iterdir())


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def clean_environment(folder: Path, *install: str | Path) -> Path:
    """Make a virtual environment, install into it, and return its Python."""
    venv.create(folder, with_pip=True)
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    run(python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", *install)
    return python


def check_builds(work: Path) -> Path:
    """Hold the builds against each other; return the wheel."""
    exported = work / "source"
    exported.mkdir()
    archive = work / "source.tar"
    run("git", "archive", "--output", archive, "HEAD", cwd=ROOT)
    run("tar", "-xf", archive, "-C", exported)
    first = build(exported, work / "first", "--sdist", "--wheel")
    second = build(exported, work / "second", "--sdist", "--wheel")
    for one, other in zip(first, second, strict=True):
        if digest(one) != digest(other):
            sys.exit(f"FAILED: two builds of {one.name} differ")
    say("two builds give the same bytes: " + ", ".join(f"{p.name} {digest(p)[:12]}" for p in first))
    wheel = next(path for path in first if path.suffix == ".whl")
    unpacked = work / "unpacked"
    unpacked.mkdir()
    run("tar", "-xf", next(p for p in first if p.suffix == ".gz"), "-C", unpacked)
    (again,) = build(next(unpacked.iterdir()), work / "third", "--wheel")
    if digest(again) != digest(wheel):
        sys.exit("FAILED: the source package builds another wheel")
    say("the source package builds the same wheel")
    names = zipfile.ZipFile(wheel).namelist()
    for part in MUST_HOLD:
        if not any(name.startswith(part) for name in names):
            sys.exit(f"FAILED: the wheel lacks {part}")
    size_mb = wheel.stat().st_size / 1e6
    say(f"the wheel ({size_mb:.1f} MB) holds model, schemas, cars, demo takes, pages")
    return wheel


def check_installed(work: Path, wheel: Path) -> None:
    """Use the wheel in clean environments, without an extra and with each."""
    outside = work / "outside"
    outside.mkdir()
    python = clean_environment(work / "plain", wheel)
    program = python.with_name("vibecheck")
    said = run(program, "demo", "--no-open", "--out", outside / "pages", cwd=outside)
    if "The hand check is due" not in said:
        sys.exit(f"FAILED: the demo said\n{said}")
    n_pages = len(list((outside / "pages").iterdir()))
    say(f"in a clean environment the demo runs and writes {n_pages} pages")
    for extra, use in EXTRAS.items():
        python = clean_environment(work / f"extra-{extra}", f"{wheel}[{extra}]")
        if extra == "record":  # PortAudio itself is the system's: without it the message counts
            use = use.replace("from vibecheck", "import vibecheck.errors\nfrom vibecheck", 1)
        run(python, "-W", "ignore", "-c", use, cwd=outside)
        say(f"extra {extra}: its part loads")


def check_suite(work: Path) -> None:
    """Run the whole suite of what is committed, on the oldest and on the newest versions."""
    source = work / "suite-source"
    run("git", "clone", "--quiet", ROOT, source)
    for name, resolution in (("oldest", "lowest-direct"), ("newest", "highest")):
        folder = work / f"suite-{name}"
        venv.create(folder, with_pip=True)
        python = folder / "bin" / "python"
        install = ["--resolution", resolution, "--python", str(python), "-e", f"{source}[dev]"]
        run("uv", "pip", "install", "--quiet", *install)
        said = run(python, "-m", "pytest", "-n", "auto", "-q", cwd=source)
        core = ("numpy", "scipy", "soundfile", "soxr", "av", "scikit-learn")
        listed = run("uv", "pip", "list", "--python", python)
        versions = {line.split()[0]: line.split()[1] for line in listed.splitlines()[2:]}
        say(f"{name} ({', '.join(f'{p} {versions[p]}' for p in core)}): {said.splitlines()[-1]}")


def main() -> int:
    """Run the checks."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--suite", action="store_true", help="run the suite on oldest and newest")
    parser.add_argument("--keep", type=Path, help="work in this folder and leave it")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        work = wanted.keep or Path(temporary)
        work.mkdir(parents=True, exist_ok=True)
        check_installed(work, check_builds(work))
        if wanted.suite:
            check_suite(work)
    return 0


if __name__ == "__main__":
    sys.exit(main())
