"""Stage 4: the feature catalogue as a Markdown page."""

from __future__ import annotations

from vibecheck.features.catalogue import CATALOGUE, CATALOGUE_VERSION
from vibecheck.features.spec import FeatureSpec, Sign

SIGNS: dict[Sign, tuple[str, str]] = {
    "impact": (
        "Impacts",
        "A part with play strikes its stops once or more per turn. Bursts make the sound peaked, "
        "and its envelope repeats with the shaft.",
    ),
    "onset": (
        "Rattle that starts at a speed",
        "A part with play lifts off when its unbalance pull passes its weight, e·ω² = g.",
    ),
    "harmonics": (
        "Sub- and super-harmonics",
        "A part that meets its stop on one side only answers a pure rotation with harmonics, "
        "halves and thirds.",
    ),
    "resonance": (
        "Stiffness lost",
        "A joint that slips or opens is softer: its resonances come earlier, blunter, jump, and "
        "differ between run-up and coast-down.",
    ),
    "mesh": (
        "Gear mesh",
        "The mesh line, its second harmonic, its sidebands and its modulation.",
    ),
    "colour": (
        "Changed colour",
        "Band levels at matched speed: the fallback, and the weakest.",
    ),
    "speed": ("Drag and unsteady turning", "From the speed track alone."),
}
_DIRECTIONS = {1: "rises", -1: "falls", 0: "moves either way"}
_INTRO = f"""# Feature reference

Generated from the feature catalogue, version {CATALOGUE_VERSION}: {len(CATALOGUE)} features.
Do not edit by hand; run `python scripts/make_feature_reference.py`.

Every feature is **level-free**: the take is divided by its own r.m.s. first, so that the phone's
gain does not matter. Every feature is **finite**: where its phase or its order cannot be observed
(telephone sound, a slow accelerometer, a machine without a drivetrain) it has its *neutral* value
and is flagged as missing. Kurtosis-like figures are stated against Gaussian noise.

*Phase*: `driven` is run-up and hold together; `running` is any time with a trusted speed; `idle` is
before and after the run, when only the room is heard.
*Locates*: its strength differs between spots, so that several spots help to find the wheel.
"""


def reference_page() -> str:
    """Return the whole page."""
    parts = [_INTRO]
    for sign, (title, what) in SIGNS.items():
        specs = [spec for spec in CATALOGUE if spec.sign == sign]
        parts.append(f"## {title}\n\n{what}\n")
        parts.extend(_entry(spec) for spec in specs)
    return "\n".join(parts)


def _entry(spec: FeatureSpec) -> str:
    zones = ", ".join("the wheels" if zone == "wheel" else f"`{zone}`" for zone in spec.zones)
    high = spec.reading(spec.neutral, high=True)
    low = spec.reading(spec.neutral, high=False)
    return "\n".join(
        [
            f"### `{spec.name}`",
            "",
            f"- **Unit** {spec.unit} · **shaft** {spec.shaft} · **phase** {spec.phase} · "
            f"**neutral** {spec.neutral:g} · **locates** {'yes' if spec.locates else 'no'}",
            f"- **Formula** {spec.formula}",
            f"- **Raised by** {spec.raised_by}",
            f"- **When loose** {_DIRECTIONS[spec.direction]}",
            f"- **Speaks about** {zones}",
            f"- **Reads, when high** “{high}”",
            f"- **Reads, when low** “{low}”",
            f"- **Source** {spec.source}",
            "",
        ]
    )
