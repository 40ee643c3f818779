"""Command line: the help texts of ``vibecheck dataset``."""

from __future__ import annotations

from vibecheck.cli.texts import help_text

ADD_HELP = help_text(
    "Add takes to a set: from the garage, or recordings that lie about.",
    "Without TAKE every bench check of the garage that ended with a hand check is added: what the "
    "hand check found labels the takes before it. With TAKE say which car it is and what was found "
    "in it.",
    "A zone at which nobody looked stays open: it is not labelled, and never counted as snug. "
    "Adding twice is adding once.",
    examples=[
        ("The whole garage:", "vibecheck dataset add my-set"),
        (
            "Recorded right after a complete hand check that left everything snug:",
            "vibecheck dataset add my-set a.wav b.wav --car saltflat8.toml --kind baseline",
        ),
        (
            "Recorded before a hand check that found a motor screw a quarter turn loose, all else "
            "snug:",
            "vibecheck dataset add my-set c.wav --car saltflat8.toml \\\n"
            "    --loose motor_mount=loose:90 --rest-snug",
        ),
    ],
)

VERIFY_HELP = help_text(
    "List everything that is wrong with a set: exit code 1 where anything is.",
    "It looks for missing and changed takes, labels that cannot be, one recording counted twice, "
    "and leaks: one recording or one car that could stand on both sides of a split.",
    examples=[("", "vibecheck dataset verify my-set")],
)

PACK_HELP = help_text(
    "Write a set as one archive to share.",
    "Before that a privacy pass: sound is written anew without the phone's tags, a high-pass takes "
    "away what lies under the shafts' orders, and the band of voices is masked before and after "
    "the spin-up and wherever somebody speaks while the motor holds its speed. Run-up and "
    "coast-down are not searched: listen before you share.",
    examples=[
        ("", "vibecheck dataset pack my-set --out to-share.zip"),
        ("", "vibecheck dataset pack my-set --out mine.zip --as-it-is"),
    ],
)

MERGE_HELP = help_text(
    "Put packs or other sets into a set.",
    "Every part of a pack is proved before it is believed. A take that is there already, by its "
    "hash now or before its privacy pass, is left as it is: merging twice is merging once. Where "
    "anything is wrong nothing is changed.",
    examples=[
        ("", "vibecheck dataset merge club-set anna.zip"),
        ("", "vibecheck dataset merge club-set anna.zip --owner Anna"),
    ],
)

SUGGEST_HELP = help_text(
    "Say which recordings would help a set most, and how to get them safely.",
    "It counts zones short of finds, baselines, spots and sensors, and names the takes that a "
    "model is least sure of. It never proposes to spin a car with a wheel nut, a motor mount or a "
    "driveline fastener loosened.",
    examples=[
        ("", "vibecheck dataset suggest my-set"),
        ("", "vibecheck dataset suggest my-set --model my-model/model.npz"),
    ],
)
