"""Compare the looseness model with other ways of hearing the same takes: same cars, same run.

    python scripts/bench_models.py MANIFEST [--cache FOLDER] [--folds 5] [--limit-cars N]
        [--takes centre|all] [--aeon-python PATH] [--out FOLDER]

Question: is anything loose (and: some wheel, the motor mount, the gear mesh) in a bench check, by
its microphone takes, on cars that the fit never saw. All get the same usable takes, the same folds
of cars, and their scores are averaged over the takes of a check (ours combines them itself).

| key | what |
|---|---|
| ours | the model of this project, with the car's baseline; (e) ours without baseline |
| (a) | log-mel and MFCC statistics (librosa), logistic regression |
| (b) | MiniRocket, and MultiRocket with Hydra, of aeon on the resampled signal, ridge classifier |
| (c) | level, kurtosis, crest factor in bands, random forest |
| (d) | ours without order tracking: only features whose catalogue entry needs no speed |

(a)–(c) are run alone and with the baseline: features beside their difference from the mean of the
car's own snug takes.
(b) hears the loudest 6 s (run-up and hold) at 8 kHz; `bench_models_rockets.py` states its kernels.

CPU seconds are the process's own, one thread (set OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1):
reading, features, and all fits and predictions of "anything loose" over the outer folds. Ours
fits and judges all its zones in that time; its extraction is timed on some takes, without the
cache, and scaled. First calls (compilation) are not counted for anyone.

aeon 1.6 wants an older numba than this project pins, and Hydra wants torch: `pip install
".[compare]"` in an environment of its own, and name its interpreter with --aeon-python. Without it
(b) is left out and the table says so.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from bench_models_rivals import (
    baseline_differences,
    blanked,
    by_check,
    cepstral,
    forest,
    held_out,
    logistic,
    loudest,
    measured,
    paired_over_cars,
    plain_signs,
    ridge,
    sound_of,
    speed_free,
)

from vibecheck.car.zones import CENTRE_SPOT, WHEEL_ZONES
from vibecheck.dataset.manifest import MESH_SETTINGS, ManifestRow, read_manifest
from vibecheck.errors import InputError, VibecheckError
from vibecheck.report.files import write_whole
from vibecheck.training.build import build_table, measure_take
from vibecheck.training.evaluate import MODES, base_rates, outer_folds, predict
from vibecheck.training.fit import fit_model
from vibecheck.training.metrics import auc_over_cars
from vibecheck.training.predictions import Predictions
from vibecheck.training.table import FeatureTable

ROCKET_RATE_HZ = 8000
ROCKET_S = 6.0
TASKS = ("any", "wheels", "motor_mount", "gear_mesh")
OURS, OURS_ALONE = "ours, with baseline", "(e) ours, without baseline"
UNORDERED = "(d) ours without order tracking"


def say(sentence: str) -> None:
    """Progress goes to stderr."""
    print(f"[{time.strftime('%H:%M:%S')}] {sentence}", file=sys.stderr, flush=True)


def chosen_rows(rows: list[ManifestRow], takes: str, limit_cars: int | None) -> list[ManifestRow]:
    """Return the microphone takes to compare on; a mesh set wrong is neither snug nor loose."""
    kept = [r for r in rows if r.sensor == "microphone" and r.kind not in MESH_SETTINGS]
    if takes == "centre":
        kept = [row for row in kept if row.spot == CENTRE_SPOT]
    names = sorted({row.car for row in kept})[:limit_cars]
    kept = [row for row in kept if row.car in names]
    if len(names) < 4 or not any(any(row.is_loose(z) for z in row.state) for row in kept):
        raise InputError(
            "A comparison needs microphone takes of at least 4 cars, some with something loose. "
            f"Got {len(names)} cars instead.",
            advice="Name a larger manifest, or leave --limit-cars out.",
        )
    return kept


def labels_of(table: FeatureTable) -> dict[str, np.ndarray]:
    """Return what each task asks, for every take."""
    zones = table.zones.tolist()
    wheels = [zones.index(zone) for zone in WHEEL_ZONES if zone in zones]
    labels = {"any": table.loose.any(axis=1), "wheels": table.loose[:, wheels].any(axis=1)}
    for zone in TASKS[2:]:
        if zone in zones:
            labels[zone] = table.loose[:, zones.index(zone)]
    return {task: label for task, label in labels.items() if label.any() and not label.all()}


Scores = dict[str, dict[str, np.ndarray]]
"""Way → task → score of every bench check (NaN where it has none)."""


def judge_fold(table: FeatureTable, held: np.ndarray, modes: tuple[Any, ...]) -> tuple[Any, float]:
    """Fit without one fold of cars and judge it, as `cross_validate` does; with CPU seconds."""
    start = time.process_time()
    known, test = table.select(np.flatnonzero(~held)), table.select(np.flatnonzero(held))
    model, rates = fit_model(known).model, base_rates(known)
    found = [predict(model, test, rates, mode) for mode in modes]
    return found, time.process_time() - start


def ours_scores(
    table: FeatureTable, checks: np.ndarray, folds: list[np.ndarray], workers: int, *, alone: bool
) -> tuple[list[dict[str, np.ndarray]], float]:
    """Judge all checks by the whole nested fit; return scores by mode, and CPU seconds."""
    from joblib import Parallel, delayed

    full = next(m for m in MODES if m.n_baseline is None and not m.centre_only)
    none = next(m for m in MODES if m.n_baseline == 0 and not m.centre_only)
    modes = (full, none) if alone else (full,)
    cpu, parts = 0.0, []
    jobs = Parallel(n_jobs=workers, return_as="generator")
    for found, seconds in jobs(delayed(judge_fold)(table, held, modes) for held in folds):
        cpu += seconds
        parts.append(found)
        say(f"judged fold {len(parts)} of {len(folds)} by ours")
    out = []
    for k in range(len(modes)):
        one = Predictions.join([found[k] for found in parts if found[k].check.size])
        place = {check: row for row, check in enumerate(one.check.tolist())}
        rows = np.array([place.get(check, -1) for check in checks.tolist()])
        zones = one.zones.tolist()
        wheels = [zones.index(zone) for zone in WHEEL_ZONES if zone in zones]
        by_task = {
            "any": one.any_probability,
            "wheels": 1.0 - np.prod(1.0 - one.probability[:, wheels], axis=1),
            **{z: one.probability[:, zones.index(z)] for z in TASKS[2:] if z in zones},
        }
        out.append({t: np.where(rows >= 0, s[rows], np.nan) for t, s in by_task.items()})
    return out, cpu


def rocket_features(
    files: list[Path], python: str, *, full: bool, mini_only: bool
) -> dict[str, Any] | None:
    """Transform the takes in the interpreter that has aeon; ``None`` where that fails."""

    def cut(path: Path) -> np.ndarray:
        mono, _ = sound_of(path, ROCKET_RATE_HZ)
        return loudest(mono, int(ROCKET_S * ROCKET_RATE_HZ))

    signals, reading_cpu = measured(cut, files, lambda _done: None)
    with tempfile.TemporaryDirectory() as folder:
        given, made = Path(folder) / "signals.npz", Path(folder) / "features.npz"
        np.savez(given, signals=signals)
        command = [python, str(Path(__file__).with_name("bench_models_rockets.py"))]
        command += [str(given), str(made), *(["--full"] if full else [])]
        command += ["--mini-only"] if mini_only else []
        try:
            done = subprocess.run(command, check=False)
        except OSError as error:
            raise InputError(
                f"The interpreter for aeon could not be started: {error.strerror}.",
                where=python,
                advice="Name a Python that has aeon with --aeon-python.",
            ) from error
        if done.returncode != 0 or not made.is_file():
            return None
        with np.load(made, allow_pickle=False) as archive:
            found = {name: archive[name] for name in archive.files}
    for name in ("minirocket", "multirocket_hydra"):
        if name in found:
            found[f"{name}_cpu_s"] = float(found[f"{name}_cpu_s"]) + reading_cpu
    return found


def rival(
    name: str,
    features: np.ndarray,
    feature_cpu: float,
    table: FeatureTable,
    checks: np.ndarray,
    folds: list[np.ndarray],
    make: Callable[[Any], Any],
) -> tuple[Scores, dict[str, dict[str, float]]]:
    """Score one kind of features alone and with the baseline."""
    difference, known = baseline_differences(features, table)
    everything = np.ones(table.n_takes, dtype=bool)
    scores: Scores = {}
    cost = {}
    for words, x, usable in (
        (f"{name}, alone", features, everything),
        (f"{name}, with baseline", np.concatenate([features, difference], axis=1), known),
    ):
        scores[words] = {}
        for task, label in labels_of(table).items():
            score, cpu = held_out(x, label, usable, table.car, folds, make)
            scores[words][task] = by_check(score, table, checks)
            if task == "any":
                cost[words] = {"features_s": feature_cpu, "fit_and_judge_s": cpu}
        say(f"judged: {words}")
    return scores, cost


def compared(
    scores: Scores,
    cost: dict[str, dict[str, float]],
    table: FeatureTable,
    checks: np.ndarray,
    n_bootstrap: int = 1000,
) -> list[dict[str, Any]]:
    """Return one row a way: areas with intervals, differences to ours, CPU."""
    first = np.array([int(np.flatnonzero(table.check == check)[0]) for check in checks])
    cars, labels = table.car[first], labels_of(table)
    tasks = [task for task in TASKS if task in labels and all(task in s for s in scores.values())]
    # Only checks that every way could judge count, for all alike.
    common = np.all([np.isfinite(s["any"]) for s in scores.values()], axis=0)
    total = {way: sum(parts.values()) for way, parts in cost.items()}
    rows = []
    for way, by_task in scores.items():
        row: dict[str, Any] = {"way": way, "n_checks": int(common.sum()), "tasks": {}}
        for task in tasks:
            label = labels[task][first][common]
            area = auc_over_cars(
                by_task[task][common], label, cars[common], n_bootstrap=n_bootstrap
            )
            found = {"auc": {"value": area.value, "low": area.low, "high": area.high}}
            for key, other in (("ours_minus_this", OURS), ("ours_alone_minus_this", OURS_ALONE)):
                if way != other:
                    found[key] = paired_over_cars(
                        scores[other][task][common],
                        by_task[task][common],
                        label,
                        cars[common],
                        n_bootstrap=n_bootstrap,
                    )
            row["tasks"][task] = found
        row["cpu_s"] = {**cost[way], "total": total[way]}
        row["ours_over_this_cpu"] = total[OURS] / total[way]
        rows.append(row)
    return rows


def markdown(rows: list[dict[str, Any]], facts: dict[str, Any]) -> str:
    """Return the tables, with where the data came from."""

    def area(one: dict[str, Any]) -> str:
        return f"{one['value']:.3f} ({one['low']:.3f}–{one['high']:.3f})"

    def gap(one: dict[str, Any] | None) -> str:
        if one is None or one["value"] is None:
            return "–"
        word = "" if one["excludes_zero"] else ", holds 0"
        return f"{one['value']:+.3f} ({one['low']:+.3f} to {one['high']:+.3f}{word})"

    lines = [
        f"# Comparison ({facts['origin']})",
        "",
        f"{facts['n_cars']} cars, {facts['n_checks']} bench checks that every way could judge, "
        f"{facts['n_takes']} takes ({facts['takes']}), {facts['n_folds']} folds of cars; "
        f"recordings: {facts['origin']}. Intervals: 95 %, bootstrap over cars, paired for "
        "differences.",
        "",
        f"## Is anything loose? ({facts['origin']})",
        "",
        "| way | ROC area | ours less this | ours without baseline less this | CPU s: features | "
        "fit, judge | CPU of ours over this |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        task, cpu = row["tasks"]["any"], row["cpu_s"]
        lines.append(
            f"| {row['way']} | {area(task['auc'])} | {gap(task.get('ours_minus_this'))} | "
            f"{gap(task.get('ours_alone_minus_this'))} | {cpu['features_s']:.0f} | "
            f"{cpu['fit_and_judge_s']:.0f} | {row['ours_over_this_cpu']:.2f} |"
        )
    others = [task for task in rows[0]["tasks"] if task != "any"]
    if others:
        lines += ["", f"## Where? ROC area by zone ({facts['origin']})", ""]
        lines += [f"| way | {' | '.join(task.replace('_', ' ') for task in others)} |"]
        lines += [f"|---|{'---|' * len(others)}"]
        for row in rows:
            cells = [area(row["tasks"][task]["auc"]) for task in others]
            lines.append(f"| {row['way']} | {' | '.join(cells)} |")
    return "\n".join([*lines, "", *(f"- {note}" for note in facts["notes"])]) + "\n"


def run(options: argparse.Namespace) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Do the comparison."""
    rows = chosen_rows(read_manifest(options.manifest), options.takes, options.limit_cars)
    table, left_out = build_table(rows, cache=options.cache, n_jobs=options.workers)
    by_hash = {row.sha256: row for row in rows}
    files = [by_hash[digest].file for digest in table.sha256.tolist()]
    checks = np.unique(table.check)
    folds = outer_folds(table, options.folds)
    say(f"{table.n_takes} usable takes of {checks.size} bench checks, {len(left_out)} left out")
    some = np.random.default_rng(0).permutation(table.n_takes)[: options.time_takes]
    measure_take(by_hash[table.sha256[0]], None)
    start = time.process_time()
    for k in some:
        measure_take(by_hash[table.sha256[k]], None)
    ours_cpu = (time.process_time() - start) / some.size * table.n_takes
    say(f"our features: {ours_cpu / table.n_takes:.2f} CPU s a take")
    (ours, alone), fit_cpu = ours_scores(table, checks, folds, options.workers, alone=True)
    scores: Scores = {OURS: ours, OURS_ALONE: alone}
    # Both are fitted together: each carries the whole cost.
    cost = {OURS: {"features_s": ours_cpu, "fit_and_judge_s": fit_cpu}}
    cost[OURS_ALONE] = cost[OURS]
    keep = speed_free()
    unordered, cpu = ours_scores(blanked(table, keep), checks, folds, options.workers, alone=False)
    scores[UNORDERED] = unordered[0]
    cost[UNORDERED] = {"features_s": ours_cpu, "fit_and_judge_s": cpu}

    def told(done: int) -> None:
        if done % 100 == 0:
            say(f"measured {done} of {len(files)}")

    for name, make_features, make in (
        ("(a) log-mel and MFCC, logistic regression", cepstral, logistic),
        ("(c) level, kurtosis, crest, random forest", plain_signs, forest),
    ):
        features, cpu = measured(make_features, files, told)
        found, spent = rival(name, features, cpu, table, checks, folds, make)
        scores |= found
        cost |= spent
    notes = [
        f"(d) keeps {int(keep.sum())} of {keep.size} features; it still uses the phases that the "
        "speed track found, and its cost is counted with the track.",
        "Ours fits all its zones in the time given, with and without baseline together; the rivals "
        "fit one question.",
    ]
    python = options.aeon_python or sys.executable
    rockets = rocket_features(files, python, full=options.full, mini_only=options.mini_only)
    if rockets is None:
        notes.append("(b) was not run: no interpreter with aeon was named (--aeon-python).")
    else:
        notes.append(
            f"(b) aeon {rockets['aeon']}, loudest {ROCKET_S:g} s at {ROCKET_RATE_HZ} Hz, "
            f"{'aeon defaults' if options.full else 'MultiRocket and Hydra with fewer kernels'}; "
            "kernel biases fitted on takes of all cars, labels unseen (favours it)."
        )
        for key, words in (
            ("minirocket", "(b) MiniRocket, ridge"),
            ("multirocket_hydra", "(b) MultiRocket-Hydra, ridge"),
        ):
            if key in rockets:
                cpu = float(rockets[f"{key}_cpu_s"])
                found, spent = rival(words, rockets[key], cpu, table, checks, folds, ridge)
                scores |= found
                cost |= spent
    origins = sorted({row.origin for row in rows})
    result = compared(scores, cost, table, checks)
    facts = {
        "origin": " and ".join(origins),
        "n_cars": int(np.unique(table.car).size),
        "n_checks": result[0]["n_checks"],
        "n_takes": table.n_takes,
        "n_folds": len(folds),
        "takes": f"microphone, {'at the centre' if options.takes == 'centre' else 'all spots'}",
        "notes": notes,
        "kept_without_orders": int(keep.sum()),
    }
    return result, facts


def main() -> int:
    """Compare, print, write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("manifest", type=Path)
    parser.add_argument("--cache", type=Path, help="folder that keeps our features of the takes")
    parser.add_argument("--folds", type=int, default=5, help="outer folds of cars")
    parser.add_argument("--limit-cars", type=int, help="only the first cars by name")
    parser.add_argument("--takes", choices=("centre", "all"), default="centre")
    parser.add_argument(
        "--workers", type=int, default=2, help="processes for our features and fits"
    )
    parser.add_argument("--time-takes", type=int, default=12, help="takes that time our features")
    parser.add_argument("--aeon-python", help="interpreter of an environment with aeon and torch")
    parser.add_argument("--full", action="store_true", help="aeon's own numbers of kernels (slow)")
    parser.add_argument("--mini-only", action="store_true", help="of (b) MiniRocket alone")
    parser.add_argument("--out", type=Path, help="folder for comparison.json and comparison.md")
    options = parser.parse_args()
    try:
        rows, facts = run(options)
        text = markdown(rows, facts)
        print(text, end="")
        if options.out:
            content = json.dumps({**facts, "ways": rows}, indent=1) + "\n"
            write_whole(options.out / "comparison.json", content)
            write_whole(options.out / "comparison.md", text)
    except VibecheckError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
