"""Train the demo model on simulated takes and write it with its metrics and its page.

    python scripts/train_demo_model.py MANIFEST [--cache FOLDER] [--workers 2]

Writes vibecheck/data/model/looseness.npz (the form a check reads), and in models/ the same content
as looseness.skops, metrics.json and README.md.
The model is judged on held-out cars first; the model that is written is then fitted on all cars.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np

from vibecheck import __version__
from vibecheck.dataset.manifest import LOOSE_PRELOAD, read_manifest
from vibecheck.errors import VibecheckError
from vibecheck.features.catalogue import CATALOGUE_VERSION
from vibecheck.model.looseness import LoosenessModel
from vibecheck.model.store import save_model, save_skops
from vibecheck.training.build import build_table, data_hash
from vibecheck.training.card import LIMITS, model_page
from vibecheck.training.evaluate import cross_validate, plain, reliability, summarise
from vibecheck.training.fit import fit_model

ROOT = Path(__file__).resolve().parent.parent


def say(sentence: str) -> None:
    """Progress goes to stderr."""
    print(f"[{time.strftime('%H:%M:%S')}] {sentence}", file=sys.stderr, flush=True)


def main() -> int:
    """Train, judge, write."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("manifest", type=Path)
    parser.add_argument("--cache", type=Path, help="folder that keeps the takes' features")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--outer", type=int, default=7, help="folds of cars for the judgement")
    parser.add_argument("--out", type=Path, default=ROOT, help="root to write under")
    options = parser.parse_args()
    try:
        rows = read_manifest(options.manifest)

        def measured(done: int, total: int) -> None:
            if done % 50 == 0 or done == total:
                say(f"Measured {done} of {total} takes")

        table, left_out = build_table(
            rows, cache=options.cache, n_jobs=options.workers, progress=measured
        )
        for sentence in left_out:
            say(f"left out: {sentence}")
        found, chosen_per_fold = cross_validate(
            table, n_outer=options.outer, n_jobs=options.workers, progress=say
        )
        fitted = fit_model(table, progress=say)
    except VibecheckError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    import sklearn

    metrics = {
        "n_outer": options.outer,
        "modes": {name: plain(summarise(one)) for name, one in found.items()},
        "reliability": {
            name: reliability(one) for name, one in found.items() if name.startswith("all takes")
        },
        "chosen": fitted.chosen,
        "skill": plain(fitted.skill),
        "chosen_per_fold": chosen_per_fold,
        "held_out_log_loss": fitted.losses,
        "n_left_out": len(left_out),
    }
    about = {
        "name": "demo",
        "version": __version__,
        "trained_on": "simulated",
        "n_takes": table.n_takes,
        "n_checks": int(np.unique(table.check).size),
        "n_cars": int(np.unique(table.car).size),
        "data_sha256": data_hash(table),
        "catalogue_version": CATALOGUE_VERSION,
        "loose_preload": LOOSE_PRELOAD,
        "versions": {"scikit-learn": sklearn.__version__, "numpy": np.__version__},
        "metrics": metrics,
        "limits": list(LIMITS),
    }
    model = fitted.model
    model = LoosenessModel(
        **{name: getattr(model, name) for name in model.__dataclass_fields__ if name != "about"},
        about=about,
    )
    folder = options.out / "vibecheck" / "data" / "model"
    digest = save_model(model, folder / "looseness.npz")
    save_skops(model, fitted.pipelines, options.out / "models" / "looseness.skops")
    page = options.out / "models" / "README.md"
    page.parent.mkdir(parents=True, exist_ok=True)
    page.write_text(model_page({**about, "content_hash": digest}), encoding="utf-8")
    (page.parent / "metrics.json").write_text(
        json.dumps({**about, "content_hash": digest}, indent=1, sort_keys=True) + "\n",
        encoding="utf-8",
    )
    say(f"wrote the model ({digest[:12]}…)")
    for name, figures in metrics["modes"].items():
        area = figures["any_loose_auc"]
        print(f"{name}: ROC area {area['value']:.3f} ({area['low']:.3f}–{area['high']:.3f})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
