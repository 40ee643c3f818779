"""A small made-up feature table with known effects, for tests of the training machinery only."""

from __future__ import annotations

import numpy as np

from vibecheck.features.catalogue import CATALOGUE, NAMES
from vibecheck.training.table import FeatureTable

ZONES = (
    "wheel_front_left",
    "wheel_front_right",
    "wheel_rear_left",
    "wheel_rear_right",
    "motor_mount",
    "gear_mesh",
)


def fake_table(
    n_cars: int = 12, n_checks: int = 10, *, effect: float = 3.0, seed: int = 0
) -> FeatureTable:
    """Cars with their own offsets; loose zones raise the features that speak about them."""
    rng = np.random.default_rng(seed)
    neutral = np.array([spec.neutral for spec in CATALOGUE])
    rows: dict[str, list] = {name: [] for name in FeatureTable.__dataclass_fields__}
    for c in range(n_cars):
        offset = rng.normal(0.0, 1.0, len(NAMES))
        for k in range(n_checks):
            zone = None if k % 3 == 0 else ZONES[int(rng.integers(len(ZONES)))]
            turns = float(rng.uniform(0.0, 2.0)) if zone else 0.0
            common = rng.normal(0.0, 0.3, len(NAMES))
            for spot in ("centre", ZONES[int(rng.integers(4))]):
                values = neutral + offset + common + rng.normal(0.0, 0.3, len(NAMES))
                if zone:
                    for j, spec in enumerate(CATALOGUE):
                        if spec.speaks_about(zone):
                            near = 1.5 if spec.locates and spot == zone else 0.7
                            values[j] += effect * near * turns
                missing = rng.random(len(NAMES)) < 0.03
                rows["values"].append(np.where(missing, neutral, values))
                rows["missing"].append(missing)
                rows["car"].append(f"car {c}")
                rows["check"].append(f"car {c} check {k}")
                rows["layout"].append("4wd")
                rows["file"].append(f"{c}-{k}-{spot}.flac")
                rows["sha256"].append(f"{c:02d}{k:02d}{spot}")
                rows["spot"].append(spot)
                rows["sensor"].append("microphone")
                rows["limited"].append(False)
                snug = "baseline" if k % 2 == 0 else "out_of_balance"
                rows["kind"].append("loose" if zone else snug)
                rows["loose"].append([z == zone for z in ZONES])
                rows["preload"].append([0.0 if z == zone else 1.0 for z in ZONES])
                rows["turns"].append([turns if z == zone else 0.0 for z in ZONES])
    rows["zones"] = list(ZONES)
    version = rows.pop("catalogue_version")
    assert version == rows.pop("known") == []
    return FeatureTable(**{name: np.array(values) for name, values in rows.items()})
