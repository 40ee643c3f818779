"""Train the demo model on simulated takes and put it, its metrics and its card in their places.

    python scripts/train_demo_model.py MANIFEST [--cache FOLDER] [--workers 2]

The same as ``vibecheck train``, but for where the files go: vibecheck/data/model/looseness.npz (the
form a check reads), and in models/ looseness.skops, metrics.json, README.md and card.html.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from vibecheck.cli.stages import Stages
from vibecheck.cli.train import print_figures
from vibecheck.errors import VibecheckError
from vibecheck.training.workflow import (
    CARD,
    FULL_FILE,
    METRICS_FILE,
    N_OUTER,
    PLAIN_FILE,
    SEED,
    train,
    write_trained,
)

ROOT = Path(__file__).resolve().parent.parent
PLACES = {
    PLAIN_FILE: "vibecheck/data/model/looseness.npz",
    FULL_FILE: "models/looseness.skops",
    METRICS_FILE: "models/metrics.json",
    f"{CARD}.md": "models/README.md",
    f"{CARD}.html": "models/card.html",
}


def place_of(name: Path) -> str:
    """Where a file of the trained folder goes, from the root."""
    return PLACES.get(name.as_posix(), f"models/{name.as_posix()}")


def main() -> int:
    """Train, judge, write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("manifest", type=Path)
    parser.add_argument("--cache", type=Path, help="folder that keeps the takes' features")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folds", type=int, default=N_OUTER, help="groups of cars")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--out", type=Path, default=ROOT, help="root to write under")
    options = parser.parse_args()
    try:
        with Stages() as report:
            trained = train(
                options.manifest,
                name="demo",
                cache=options.cache,
                n_workers=options.workers,
                n_outer=options.folds,
                seed=options.seed,
                report=report,
            )
        with tempfile.TemporaryDirectory(prefix=".model.", dir=options.out) as temporary:
            folder = Path(temporary) / "whole"
            for path in write_trained(trained, folder):
                target = options.out / place_of(path.relative_to(folder))
                target.parent.mkdir(parents=True, exist_ok=True)
                os.replace(path, target)
    except VibecheckError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    for sentence in trained.left_out:
        print(f"Left out: {sentence}", file=sys.stderr)
    print_figures(trained.facts["metrics"], "Judged on cars it never saw (simulated)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
