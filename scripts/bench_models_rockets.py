"""Random convolution kernels of aeon on signals in a file: the second interpreter's part.

    python bench_models_rockets.py SIGNALS.npz FEATURES.npz [--full] [--jobs 1]

Reads ``signals`` (float32, takes × samples) and writes ``minirocket`` and ``multirocket_hydra``
(float32, takes × features) with the CPU seconds of each, all takes together. Imports nothing of
vibecheck, so that aeon may live in an environment of its own. Compilation is warmed up on two
takes and not counted.

Kernels: MiniRocket as aeon sets it (10 000 features). MultiRocket and Hydra as aeon sets them take
several seconds a take on this length; without ``--full`` they get 1 250 kernels with at most 8
dilations, and 16 groups of 8. Their biases are fitted on up to 200 of the takes, labels unseen.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

N_TO_FIT = 200
BATCH = 32


def transformed(transformer, signals: np.ndarray) -> tuple[np.ndarray, float]:
    """Fit without labels, transform in batches; return features and CPU seconds."""
    chosen = np.random.default_rng(0).permutation(len(signals))[:N_TO_FIT]
    warm = signals[:2, None, :]
    transformer.fit_transform(warm)
    start = time.process_time()
    transformer.fit(signals[np.sort(chosen), None, :])
    parts = []
    for first in range(0, len(signals), BATCH):
        part = transformer.transform(signals[first : first + BATCH, None, :])
        parts.append(np.asarray(part, dtype=np.float32))
        done = min(first + BATCH, len(signals))
        print(f"{type(transformer).__name__}: {done} of {len(signals)}", file=sys.stderr)
    return np.concatenate(parts), time.process_time() - start


def main() -> int:
    """Transform one file of signals."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("signals", type=Path)
    parser.add_argument("features", type=Path)
    parser.add_argument("--full", action="store_true", help="aeon's own numbers of kernels")
    parser.add_argument("--mini-only", action="store_true", help="MiniRocket alone")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    try:
        import aeon
        from aeon.transformations.collection import convolution_based as rockets
    except ImportError as error:
        print(f"aeon cannot be imported here: {error}", file=sys.stderr)
        return 1
    with np.load(options.signals, allow_pickle=False) as archive:
        signals = archive["signals"]
    jobs = {"n_jobs": options.jobs, "random_state": 0}
    mini, mini_cpu = transformed(rockets.MiniRocket(**jobs), signals)
    found = {"minirocket": mini, "minirocket_cpu_s": mini_cpu, "aeon": aeon.__version__}
    if not options.mini_only:
        few = {} if options.full else {"n_kernels": 1250, "max_dilations_per_kernel": 8}
        multi, multi_cpu = transformed(rockets.MultiRocket(**few, **jobs), signals)
        try:
            hydra = rockets.HydraTransformer(n_groups=64 if options.full else 16, **jobs)
        except ImportError as error:
            print(f"Hydra needs torch: {error}", file=sys.stderr)
        else:
            hydras, hydra_cpu = transformed(hydra, signals)
            # Counts of winning kernels: the square root evens their spread out.
            both = np.concatenate([multi, np.sqrt(np.maximum(hydras, 0.0))], axis=1)
            found |= {"multirocket_hydra": both, "multirocket_hydra_cpu_s": multi_cpu + hydra_cpu}
    temporary = options.features.with_name(f"part-{options.features.name}")
    np.savez(temporary, **found)
    temporary.replace(options.features)
    return 0


if __name__ == "__main__":
    sys.exit(main())
