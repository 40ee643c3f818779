"""Ground: a finding, the one way any stage tells the owner about the state of a recording."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Weight = Literal["note", "limits", "refuses"]
QualityVerdict = Literal["usable", "limited", "unusable"]


@dataclass(frozen=True)
class Finding:
    """One thing noticed about a recording, and what to do about it.

    Attributes
    ----------
    code : str
        Stable machine name in ``snake_case``, listed in the docs.
    message : str
        One sentence in the owner's words: what was noticed.
    advice : str
        One sentence: what to do about it.
    value, limit : float or None
        The measured figure and the limit it was held against, where there is one.
    weight : {"note", "limits", "refuses"}
        ``note`` informs; ``limits`` widens the uncertainty; ``refuses`` makes the take unusable.
    """

    code: str
    message: str
    advice: str
    value: float | None = None
    limit: float | None = None
    weight: Weight = "limits"


@dataclass(frozen=True)
class QualityReport:
    """Stage 1's word on one take: usable, limited or unusable, and why.

    Attributes
    ----------
    verdict : {"usable", "limited", "unusable"}
    findings : tuple of Finding
    highest_order : float or None
        Highest order of the reference shaft that the take can show at its top speed.
    """

    verdict: QualityVerdict
    findings: tuple[Finding, ...] = ()
    highest_order: float | None = None
