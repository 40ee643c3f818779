"""What a car file may hold: every key once, with its rule, its question and its meaning.

Reading, writing, asking and documenting all walk these tables, so they cannot drift apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from vibecheck.errors import InputError, did_you_mean

MAX_NAME_LENGTH = 80
# Words for the same thing whose letters lead elsewhere.
_OTHER_WORDS = {"awd": "4wd", "4x4": "4wd", "lock_nut": "nylon_insert", "glue": "threadlocker"}


@dataclass(frozen=True)
class NumberField:
    """One number of a car file.

    Attributes
    ----------
    key : str
        The key in the file.
    whole : bool
        True for a count.
    low, high : float
        Allowed range. ``low`` itself is allowed for a count, or with ``low_allowed``.
    meaning : str
        What it is, in the owner's words (used as help, comment and question).
    default : float or None
        What the file may leave away; ``None`` and ``required=False`` means "unknown".
    even : bool
        True where only even counts exist.
    """

    key: str
    whole: bool
    low: float
    high: float
    meaning: str
    required: bool = True
    default: float | None = None
    even: bool = False
    suggestion: str = ""
    """Default offered to a question; never used by the reader."""
    low_allowed: bool = False

    @property
    def rule(self) -> str:
        """The rule as the end of the sentence "… must be …"."""
        if self.whole:
            kind = "an even whole number" if self.even else "a whole number"
            return f"{kind} from {self.low:g} to {self.high:g}"
        if self.low_allowed:
            return f"a number from {self.low:g} to {self.high:g}"
        return f"a number above {self.low:g} and at most {self.high:g}"

    def check(self, value: object, *, where: str | None = None) -> float | int:
        """Return ``value`` as ``int`` or ``float``, or say which rule it breaks.

        Raises
        ------
        InputError
            If it is text, a truth value, NaN, infinite, not whole or out of range.
        """
        number = value
        if self.whole and isinstance(number, float) and number.is_integer():
            number = int(number)  # 26.0 is a clear way of writing 26
        kinds: tuple[type, ...] = (int,) if self.whole else (int, float)
        good = isinstance(number, kinds) and not isinstance(number, bool)
        if good:
            assert isinstance(number, int | float)
            allowed = self.whole or self.low_allowed
            above = number >= self.low if allowed else number > self.low
            good = above and number <= self.high  # NaN fails both, infinity the second
            if good and self.even:
                good = number % 2 == 0
        if not good:
            raise InputError(
                f"{self.key} must be {self.rule}. Got {show(value)} instead.",
                where=where,
                advice=self.advice(value),
            )
        assert isinstance(number, int | float)
        return int(number) if self.whole else float(number)

    def advice(self, value: object) -> str:
        """What to do about a value that broke the rule."""
        if isinstance(value, str):
            try:
                float(value.replace(",", "."))
            except ValueError:
                return f"It is {self.meaning}."
            return f"Write the number without quotes: {self.key} = {value.replace(',', '.')}"
        return f"It is {self.meaning}."


DRIVETRAIN_FIELDS: tuple[NumberField, ...] = (
    NumberField(
        "motor_poles",
        True,
        2,
        60,
        "the number of magnetic poles of the motor's rotor (not of its windings)",
        even=True,
        suggestion="4",
    ),
    NumberField(
        "kv_rpm_per_v",
        False,
        0.0,
        100_000.0,
        "the motor's turns per minute for each volt with no load (Kv)",
    ),
    NumberField("cells", True, 1, 30, "the number of LiPo cells in series"),
    NumberField("pinion_teeth", True, 1, 500, "the number of teeth of the gear on the motor"),
    NumberField(
        "spur_teeth", True, 1, 500, "the number of teeth of the gear that the pinion drives"
    ),
    NumberField(
        "internal_ratio",
        False,
        0.0,
        100.0,
        "the spur's turns for one turn of a wheel (differential, belts)",
    ),
    NumberField(
        "tyre_diameter_mm", False, 0.0, 1000.0, "the tyre's diameter in millimetres, standing still"
    ),
    NumberField(
        "wheel_max_rpm",
        False,
        0.0,
        200_000.0,
        "the wheel speed that the tyre is rated or trusted for",
        required=False,
    ),
    NumberField(
        "bench_max_wheel_rpm",
        False,
        0.0,
        200_000.0,
        "the fastest that you let the wheels turn on the bench, with no load",
        required=False,
    ),
)

BEARING_FIELDS: tuple[NumberField, ...] = (
    NumberField("balls", True, 3, 60, "the number of balls"),
    NumberField("ball_mm", False, 0.0, 100.0, "the diameter of one ball in millimetres"),
    NumberField(
        "pitch_mm", False, 0.0, 1000.0, "the diameter of the circle of the ball centres, in mm"
    ),
    NumberField(
        "contact_deg",
        False,
        0.0,
        89.0,
        "the contact angle in degrees (0 for a deep-groove bearing)",
        required=False,
        default=0.0,
        low_allowed=True,
    ),
)

RATIO_FIELD = NumberField(
    "ratio", False, 0.0, 10_000.0, "the events for one turn of the reference shaft"
)
SEVERITY_FIELD = NumberField(
    "severity",
    True,
    1,
    3,
    "1 for a nuisance, 2 for a broken run, 3 for a part that leaves the car at speed",
    required=False,
    default=2,
)
EFFORT_FIELD = NumberField(
    "check_effort",
    True,
    1,
    3,
    "1 for a finger, 2 for a tool, 3 where parts come off first",
    required=False,
    default=2,
)
COUNT_FIELD = NumberField(
    "count", True, 1, 200, "how many of them there are", required=False, default=1
)

CHOICES: Mapping[str, tuple[str, ...]] = {
    "layout": ("4wd", "rwd", "fwd"),
    "shaft": ("motor", "spur", "wheel"),
    "locking": (
        "none",
        "nylon_insert",
        "threadlocker",
        "spring_washer",
        "serrated",
        "set_screw_flat",
    ),
    "into": ("steel", "aluminium", "plastic"),
    "kind": ("shaft", "electrical", "mesh", "bearing", "other"),
}

# Every key that each table of a car file may hold, in the order in which it is written.
KEYS: Mapping[str, tuple[str, ...]] = {
    "": (
        "name",
        "layout",
        "shaft",
        "default_zones",
        "drivetrain",
        "bearings",
        "orders",
        "zones",
    ),
    "drivetrain": tuple(field.key for field in DRIVETRAIN_FIELDS),
    "bearings": ("shaft", *(field.key for field in BEARING_FIELDS)),
    "orders": ("name", "ratio", "kind"),
    "zones": ("name", "severity", "check_effort", "how_to_check", "fasteners"),
    "zones.fasteners": ("name", "thread", "count", "locking", "into"),
}


def show(value: object) -> str:
    """Return a value as the car file writes it, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, Mapping):
        return "a table"
    elif isinstance(value, list | tuple):
        return "a list"
    elif isinstance(value, int) and abs(value) >= 10**18:
        return "a number of more than 18 digits"
    elif isinstance(value, float) and not math.isfinite(value):
        text = str(value)
    else:
        text = str(value)
    return text if len(text) <= 60 else f"{text[:57]}…"


def number_fields(table: str) -> tuple[NumberField, ...]:
    """Return the number fields of one table of a car file (``""`` is the top)."""
    fields: dict[str, tuple[NumberField, ...]] = {
        "drivetrain": DRIVETRAIN_FIELDS,
        "bearings": BEARING_FIELDS,
        "orders": (RATIO_FIELD,),
        "zones": (SEVERITY_FIELD, EFFORT_FIELD),
        "zones.fasteners": (COUNT_FIELD,),
    }
    return fields.get(table, ())


def closest_choice(word: str, choices: tuple[str, ...]) -> str | None:
    """Suggest the allowed word that was most likely meant."""
    word = word.strip().lower().replace(" ", "_").replace("-", "_")
    if word in _OTHER_WORDS:
        return f'Did you mean "{_OTHER_WORDS[word]}"?'
    # "nylon" is short for nylon_insert, though "none" has more letters in common with it.
    begins = [choice for choice in choices if choice[:3] == word[:3]]
    if len(begins) == 1:
        return f'Did you mean "{begins[0]}"?'
    return did_you_mean(word, choices).strip() or None
