"""Throw damaged input at every parser of untrusted bytes. Nothing may crash, hang or swell.

Each execution takes an input of the target's corpus (made here, from good files), damages it, and
gives it to the parser. Only vibecheck's own errors may come back. An input whose answer was not
seen before joins the corpus, so that the search goes on from there. Executions run in a process of
their own: one that dies, works on one input for longer than `HANG_S`, or takes `MEMORY_MB` more
memory than at its start is a finding, and so is any other exception. The input of a finding is
written to ``--out``.

    python scripts/fuzz.py                                    # every target, its own count
    python scripts/fuzz.py car_file flac --executions 20000 --seed 7 --out found
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import re
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import shared_memory
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from fuzz_targets import TARGETS, Target

HANG_S, MEMORY_MB = 5.0, 500
"""Seconds of the processor, so that a busy machine makes no finding."""
STILL_S, START_S = 60.0, 300.0
"""Seconds of the clock, also for one that only waits; and until a worker has made its corpus."""
LONGEST_INPUT = 1 << 20
NEW_ANSWERS_KEPT = 400
INTERESTING = (0, 1, 2, 127, 128, 255, 256, 32767, 32768, 65535, 65536, 2**31 - 1, 2**31, 2**32 - 1)
ODD_NUMBERS = (b"nan", b"inf", b"-inf", b"1e400", b"-1", b"0", b"-0.0", b"1e-320", b"9" * 40, b"")
NUMBER = re.compile(rb"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")


@dataclass
class Finding:
    """Something that must not happen."""

    target: str
    what: str
    data: bytes


def damaged(rng: random.Random, corpus: list[bytes], tokens: tuple[bytes, ...]) -> bytes:
    """Return a damaged copy of an input of the corpus."""
    data = bytearray(rng.choice(corpus))
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 5, 9))):
        if not data:
            data = bytearray(rng.randbytes(rng.randint(1, 40)))
        size = len(data)
        place = rng.randrange(size)
        # Headers decide most: half of the damage falls on the first bytes.
        if rng.random() < 0.5:
            place = rng.randrange(min(size, 200))
        kind = rng.randrange(11)
        if kind == 0:
            data[place] ^= 1 << rng.randrange(8)
        elif kind == 1:
            data[place] = rng.choice(INTERESTING) & 255
        elif kind == 2:
            width = rng.choice((2, 4, 8))
            number = rng.choice(INTERESTING) % 2 ** (8 * width)
            data[place : place + width] = number.to_bytes(width, rng.choice(("little", "big")))
        elif kind == 3:
            del data[place : place + rng.choice((1, 2, 4, 16, 256, size))]
        elif kind == 4:
            part = data[place : place + rng.choice((1, 4, 16, 256))]
            data[place:place] = part * rng.choice((1, 2, 50))
        elif kind == 5:
            data[place:place] = rng.randbytes(rng.choice((1, 2, 8, 64)))
        elif kind == 6:
            other = rng.choice(corpus)
            data = data[:place] + other[rng.randrange(len(other) + 1) :]
        elif kind == 7:
            del data[place:]
        elif kind in (8, 9) and tokens:
            token = rng.choice(tokens)
            end = place + (len(token) if kind == 8 else 0)
            data[place:end] = token
        else:
            found = NUMBER.search(data, place)
            if found is not None:
                data[found.start() : found.end()] = rng.choice(ODD_NUMBERS)
    return bytes(data[:LONGEST_INPUT])


def answer_of(target: Target, call: Callable[[bytes], Any], data: bytes) -> str:
    """Run one execution; return a short name of the answer, or raise what must not happen."""
    from vibecheck.errors import VibecheckError

    try:
        answer = call(data)
    except VibecheckError as error:
        return re.sub(r"[^a-zA-Z ]+", "", error.what)[:60]
    except target.allowed as error:
        return type(error).__name__
    return answer if isinstance(answer, str) else "read"


def work(name: str, n: int, seed: str, slot_name: str, replies: Any) -> None:
    """Run executions of one target in a process of its own."""
    target = TARGETS[name]
    warnings.simplefilter("ignore")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    slot = shared_memory.SharedMemory(slot_name)
    rng = random.Random(f"{seed}/{name}")
    with tempfile.TemporaryDirectory(
        dir="/dev/shm" if Path("/dev/shm").is_dir() else None
    ) as folder:
        os.chdir(folder)
        call, corpus = target.make(Path(folder))
        for item in corpus:
            answer_of(target, call, item)
        corpus = list(corpus)
        n_made = len(corpus)
        seen: set[str] = set()
        limit = _memory_limit()
        for count in range(n):
            data = damaged(rng, corpus, target.tokens)
            slot.buf[0:8] = (count + 1).to_bytes(8, "little")
            slot.buf[8:16] = len(data).to_bytes(8, "little")
            slot.buf[16 : 16 + len(data)] = data
            try:
                answer = answer_of(target, call, data)
            except BaseException as error:
                last = traceback.extract_tb(error.__traceback__)[-1]
                what = f"{type(error).__name__}: {error} ({Path(last.filename).name}:{last.lineno})"
                replies.put(Finding(name, what[:300], data))
                answer = what
            if answer not in seen:
                seen.add(answer)
                if len(corpus) < n_made + NEW_ANSWERS_KEPT:
                    corpus.append(data)
            if count % 64 == 0 and resource.getrusage(resource.RUSAGE_SELF).ru_maxrss > limit:
                grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
                replies.put(Finding(name, f"memory grew to {grown} MB", data))
                limit = float("inf")
        slot.buf[0:8] = (n + 1).to_bytes(8, "little")
        replies.put((name, n, len(seen)))
        os.chdir("/")
    slot.close()


def _memory_limit() -> float:
    """Bound this process: a small margin above the limit, so that reaching it is noticed."""
    base_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with open("/proc/self/statm", encoding="ascii") as statm:
        mapped = int(statm.read().split()[0]) * resource.getpagesize()
    bound = mapped + (MEMORY_MB + 100) * (1 << 20)
    resource.setrlimit(resource.RLIMIT_AS, (bound, bound))
    return base_kb + MEMORY_MB * 1024


def _worked_s(pid: int | None) -> float:
    """Seconds of the processor that a process has used; of the clock where it cannot be told."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError, AttributeError):
        return time.monotonic()


def _drained(replies: Any, findings: list[Finding]) -> int:
    """Take in what a worker has told; return the most answers that it has seen."""
    answers = 0
    while not replies.empty():
        reply = replies.get()
        if isinstance(reply, Finding):
            findings.append(reply)
        else:
            answers = max(answers, reply[2])
    return answers


def run_target(name: str, n: int, seed: int, out: Path) -> tuple[int, int, list[Finding]]:
    """Run one target; a worker that dies or hangs is started anew behind the input it died of."""
    context = multiprocessing.get_context("spawn")
    findings: list[Finding] = []
    done, answers, attempt = 0, 0, 0
    while done < n and attempt < 30:
        slot = shared_memory.SharedMemory(create=True, size=LONGEST_INPUT + 16)
        replies = context.Queue()
        arguments = (name, n - done, f"{seed}/{attempt}", slot.name, replies)
        process = context.Process(target=work, args=arguments)
        process.start()
        reached, since, worked_s, why = 0, time.monotonic(), 0.0, ""
        while process.is_alive():
            process.join(0.2)
            answers = max(answers, _drained(replies, findings))
            now = int.from_bytes(slot.buf[0:8], "little")
            if now != reached:
                reached, since, worked_s = now, time.monotonic(), _worked_s(process.pid)
                continue
            still_s = time.monotonic() - since
            busy_s = _worked_s(process.pid) - worked_s if reached else 0.0
            if busy_s > HANG_S or still_s > (STILL_S if reached else START_S):
                why = f"held still for {HANG_S:g} s"
                process.kill()
                process.join()
        answers = max(answers, _drained(replies, findings))
        if process.exitcode != 0 and not reached:
            raise SystemExit(f"{name}: the worker could not begin; see above.")
        if process.exitcode != 0:
            size = int.from_bytes(slot.buf[8:16], "little")
            data = bytes(slot.buf[16 : 16 + size])
            what = why or f"the process died (exit code {process.exitcode})"
            findings.append(Finding(name, what, data))
            done += max(1, reached)
        else:
            done += reached - 1
        attempt += 1
        slot.close()
        slot.unlink()
    out.mkdir(parents=True, exist_ok=True)
    for number, finding in enumerate(findings):
        (out / f"{name}-{number}.bin").write_bytes(finding.data)
    return done, answers, findings


def main() -> int:
    """Run the targets; print one line each, and every kind of finding once."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    parser.add_argument("--executions", type=int, help="of each target, instead of its own count")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "fuzz-findings")
    wanted = parser.parse_args()
    unknown = set(wanted.targets) - set(TARGETS)
    if unknown:
        parser.error(
            f"there is no target {', '.join(sorted(unknown))}; known: {', '.join(TARGETS)}"
        )
    bad = 0
    print("| target | executions | answers seen | seconds | findings |\n|---|---|---|---|---|")
    for name in wanted.targets or TARGETS:
        start = time.monotonic()
        n = wanted.executions or TARGETS[name].executions
        done, answers, findings = run_target(name, n, wanted.seed, wanted.out)
        seconds = time.monotonic() - start
        kinds = sorted({re.sub(r"\d+", "N", one.what) for one in findings})
        print(f"| {name} | {done} | {answers} | {seconds:.0f} | {len(findings)} |", flush=True)
        for kind in kinds:
            print(f"    {kind}", file=sys.stderr)
        bad += len(findings)
    if bad:
        print(f"The inputs of the findings are in {wanted.out}.", file=sys.stderr)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
