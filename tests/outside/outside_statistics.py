"""Proportions, areas, calibration, rates and control charts: values from outside."""

from __future__ import annotations

import numpy as np
from outside_check import Check, Other, check, held

from vibecheck.dsp.statistics import clopper_pearson
from vibecheck.model import conformal
from vibecheck.risk import control_chart as cc
from vibecheck.risk.gamma_poisson import GammaRate
from vibecheck.training import metrics

CP = "vibecheck.dsp.statistics.clopper_pearson"
M = "vibecheck.training.metrics"
CF = "vibecheck.model.conformal"
G = "vibecheck.risk.gamma_poisson.GammaRate"
CC = "vibecheck.risk.control_chart"
BDA = "Gelman et al., Bayesian Data Analysis, 3rd ed."
HANLEY = "Hanley & McNeil, Radiology 143 (1982) 29–36"
LUCAS = "Lucas & Saccucci, Technometrics 32 (1990) 1–12"
NEWCOMBE = "Newcombe, Stat. Med. 17 (1998) 857"
ANGELOPOULOS = "Vovk et al. 2005; Angelopoulos & Bates, arXiv:2107.07511"

# k, n, Clopper–Pearson low and high, one-sided upper (95 %), Wilson low and high.
PROPORTIONS = (
    (0, 10, 0.0, 0.30850, 0.25887, 0.0, 0.2775),
    (0, 20, 0.0, 0.16843, 0.13911, 0.0, 0.1611),
    (0, 30, 0.0, 0.11570, 0.09503, 0.0, 0.1135),
    (0, 50, 0.0, 0.07112, 0.05816, 0.0, 0.0713),
    (0, 100, 0.0, 0.03622, 0.02951, 0.0, 0.0370),
    (1, 10, 0.00253, 0.44502, 0.39416, 0.0179, 0.4042),
    (4, 20, 0.05733, 0.43661, 0.40103, 0.0807, 0.4160),
    (5, 56, 0.02963, 0.19619, 0.17861, 0.0387, 0.1926),
    (15, 148, 0.05784, 0.16165, 0.15177, 0.0624, 0.1605),
    (81, 263, 0.25274, 0.36762, 0.35818, 0.2553, 0.3662),
    (10, 100, 0.04900, 0.17622, 0.16372, 0.0552, 0.1744),
    (29, 29, 0.88056, 1.0, 1.0, 0.8830, 1.0),
)
SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
RUN_LENGTHS = (
    (0.40, 3.054, (500.0, 223.7, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4)),
    (0.25, 2.998, (499.8, 170.3, 48.3, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7)),
    (0.20, 2.962, (499.7, 150.2, 41.8, 18.1, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9)),
    (0.10, 2.814, (499.6, 106.3, 31.3, 15.8, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2)),
    (0.05, 2.615, (499.9, 84.0, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7)),
)
HANDBOOK = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
HANDBOOK_AVERAGES = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip


def zero_failures(reliability: float, confidence: float) -> int:
    """Least number of successes without a failure that shows a reliability."""
    n = 1
    while clopper_pearson(n, n, 2.0 * confidence - 1.0)[0] < reliability:
        n += 1
    return n


def ratings() -> tuple[np.ndarray, np.ndarray]:
    normal = np.repeat(np.arange(1, 6), [33, 6, 6, 11, 2])
    abnormal = np.repeat(np.arange(1, 6), [3, 2, 2, 11, 33])
    return np.concatenate([normal, abnormal]), np.repeat([False, True], [58, 51])


P, Y = [0.1, 0.4, 0.8, 0.9], [0, 0, 1, 1]


def coverages() -> list[float]:
    """Coverage of one calibration set of 100 at 90 %: mean, 5, 50, 95 %."""
    scores = np.sort(np.random.default_rng(2).random((40_000, 100)), axis=1)
    # Uniform nonconformity: a limit of share s covers 1 − s.
    covered = np.array([1.0 - conformal.share_limit(row, 0.9) for row in scores])
    return [float(covered.mean()), *(float(q) for q in np.quantile(covered, [0.05, 0.5, 0.95]))]


def asthma(finds: int, exposure: float) -> list[float]:
    rate = GammaRate(3.0, 5.0).after(finds, exposure)
    return [rate.mean, rate.standard_deviation, rate.chance_above(1.0)]


KIDNEY = GammaRate(20.0, 430_000.0)


def garwood(count: int) -> list[float]:
    low = GammaRate(count, 1.0).quantile(0.025) if count else 0.0
    return [low, GammaRate(count + 1.0, 1.0).quantile(0.975)]


def limits() -> list[float]:
    half = 2.0539 * cc.asymptotic_limit(3.0, 0.3)
    return [50.0 + half, 50.0 - half]


def proportion_checks() -> list[Check]:
    out = []
    for k, n, low, high, upper, w_low, w_high in PROPORTIONS:
        more = f"; {NEWCOMBE}" if (k, n) in ((15, 148), (81, 263)) else ""
        status = "from memory, recomputed" if more else "recomputed"
        out += [
            check(
                f"{k} of {n}", CP, f"{k} of {n}: two-sided 95 %, one-sided 95 % upper",
                f"Clopper–Pearson by the beta distribution{more}", status, (low, high, upper),
                lambda k=k, n=n: [*clopper_pearson(k, n), clopper_pearson(k, n, 0.9)[1]], 1e-5,
            ),
            check(
                f"{k} of {n} by Wilson", f"{M}.wilson_interval", f"{k} of {n}: 95 %",
                f"Wilson's formula{more}", status, (w_low, w_high),
                lambda k=k, n=n: metrics.wilson_interval(k, n), 1e-4,
            ),
        ]  # fmt: skip
    return out


CHECKS: tuple[Check, ...] = (
    *proportion_checks(),
    check(
        "handbook proportion", CP, "4 of 20, two-sided 90 %",
        "NIST/SEMATECH e-Handbook, 7.2.4.1", "from memory, recomputed", (0.071354, 0.401029),
        lambda: clopper_pearson(4, 20, 0.9), 2e-6,
    ),
    check(
        "rule of three", CP, "none in 100: 95 % upper limit times 100",
        "Hanley & Lippman-Hand, JAMA 249 (1983) 1743 (from memory); a public note: ≈ 3",
        "published, from memory, recomputed", 3.0, lambda: 100 * clopper_pearson(0, 100, 0.9)[1],
        0.05, also=(Other(2.9513, "exact, 100·(1 − 0.05^(1/100))"),),
    ),
    check(
        "sample sizes without failure", CP,
        "reliability 0.90, 0.95, 0.99 at 95 % confidence, then at 90 %", "ln(1 − C)/ln R",
        "recomputed", (29, 59, 299, 22, 45, 230),
        lambda: [zero_failures(r, c) for c in (0.95, 0.90) for r in (0.90, 0.95, 0.99)], 1e-9,
    ),
    check(
        "area of the rating data", (f"{M}.roc_auc", f"{M}.hanley_mcneil_se"),
        "58 normal and 51 abnormal cases: area; its closed-form standard error at 0.893",
        HANLEY, "from memory, recomputed", (0.893, 0.03251),
        lambda: [metrics.roc_auc(*ratings()), metrics.hanley_mcneil_se(0.893, 51, 58)], 5e-4,
        also=(Other(0.032, "standard error from the observed Q's, as printed"),),
    ),
    check(
        "standard error of an area", f"{M}.hanley_mcneil_se",
        "area 0.75 of 20/200, 110/110, 20/20 cases", "example output of an R package",
        "published", (0.06498283, 0.03282048, 0.07789072),
        lambda: [metrics.hanley_mcneil_se(0.75, *n) for n in ((20, 200), (110, 110), (20, 20))],
        1e-7,
    ),
    check(
        "standard error, equal classes", f"{M}.hanley_mcneil_se",
        "50 and 50 cases: areas 0.7, 0.8, 0.9", f"closed form of {HANLEY}", "recomputed",
        (0.0522, 0.0445, 0.0321),
        lambda: [metrics.hanley_mcneil_se(a, 50, 50) for a in (0.7, 0.8, 0.9)], 1e-4,
    ),
    check(
        "Brier score and log loss", (f"{M}.brier", f"{M}.log_loss"),
        "four cases: Brier, log loss; constant forecast 0.3 at base rate 0.3: Brier",
        "Brier 1950", "from memory, recomputed", (0.0550, 0.236173, 0.21),
        lambda: [
            metrics.brier(P, Y), metrics.log_loss(P, Y),
            metrics.brier(np.full(10, 0.3), np.arange(10) < 3),
        ], 1e-6,
    ),
    check(
        "calibration error", f"{M}.expected_calibration_error", "four cases, two bins",
        "Naeini et al. 2015; Guo et al. 2017", "from memory, recomputed", 0.2,
        lambda: metrics.expected_calibration_error(P, Y, n_bins=2), 1e-12,
    ),
    check(
        "conformal index", f"{CF}.quantile_index",
        "n = 100 at 90 %; least n that bounds at 90 %, at 95 %", ANGELOPOULOS,
        "from memory, recomputed", (91, 9, 19),
        lambda: [
            float(conformal.quantile_index(100, 0.9) or 0),
            *(
                min(n for n in range(1, 60) if conformal.quantile_index(n, c) is not None)
                for c in (0.9, 0.95)
            ),
        ], 1e-9,
    ),
    check(
        "conformal coverage", (f"{CF}.share_limit", f"{CF}.quantile_index"),
        "n = 100 at 90 %, 40 000 simulated sets: mean, 5, 50, 95 % of Beta(91, 10)", ANGELOPOULOS,
        "from memory, recomputed", (0.90099, 0.848, 0.904, 0.945), coverages, 0.002,
    ),
    held(
        "conformal sets", f"{CF}.candidate_places",
        "by hand, and coverage within 1 − α and 1 − α + 1/(n + 1)", ANGELOPOULOS,
        "from memory, recomputed",
        "tests/model/test_conformal.py::test_the_set_by_hand",
        "tests/model/test_conformal.py::test_coverage_of_exchangeable_checks",
    ),
    check(
        "asthma", (f"{G}.after", f"{G}.mean", f"{G}.standard_deviation", f"{G}.chance_above"),
        "Gamma(3, 5), 3 deaths in 2: mean, deviation, chance above 1", f"{BDA}, 2.6",
        "from memory, recomputed", (0.857143, 0.349927, 0.300708), lambda: asthma(3, 2.0), 1e-5,
        also=(Other(0.86, "mean, printed"), Other(0.30, "chance, printed")),
    ),
    check(
        "asthma, ten years", (f"{G}.after", f"{G}.mean", f"{G}.standard_deviation",
                              f"{G}.chance_above"),
        "30 deaths in 20: mean, deviation, chance above 1", f"{BDA}, 2.6",
        "from memory, recomputed", (1.32, 0.229783, 0.928544), lambda: asthma(30, 20.0), 1e-5,
        also=(Other(0.93, "chance, printed"),),
    ),
    check(
        "asthma prior", f"{G}.chance_above", "share of Gamma(3, 5) below 1.44", f"{BDA}, 2.6",
        "from memory, recomputed", 0.97453, lambda: 1.0 - GammaRate(3.0, 5.0).chance_above(1.44),
        1e-5, also=(Other(0.975, "the book's 97.5 %"),),
    ),
    check(
        "kidney cancer", (f"{G}.after", f"{G}.mean"),
        "prior mean; 0, 1, 2 deaths of 1000; 393, 545 of a million, each ×1e5",
        f"{BDA}, 2.7; two values in public notebooks", "published, recomputed",
        (4.6512, 4.54545, 4.77273, 5.0, 3.95973, 5.41707),
        lambda: [
            1e5 * KIDNEY.mean,
            *(1e5 * KIDNEY.after(d, 1e4).mean for d in (0, 1, 2)),
            *(1e5 * KIDNEY.after(d, 1e7).mean for d in (393, 545)),
        ], 1e-4,
    ),
    check(
        "kidney cancer, predictive", (f"{G}.chance_of_finds", f"{G}.chance_of_a_find"),
        "1000 people: chance of 0, 1, 2, 3 deaths, and of any",
        f"{BDA}, 2.7: negative binomial", "recomputed", (0.631, 0.287, 0.068, 0.011, 0.369),
        lambda: [
            *(KIDNEY.chance_of_finds(k, 1e4) for k in range(4)), KIDNEY.chance_of_a_find(1e4)
        ], 1e-3,
    ),
    check(
        "exact Poisson interval", (f"{G}.quantile", f"{G}.interval"),
        "0, 1, 3, 10 events: 95 %", "Garwood 1936", "recomputed",
        (0.0, 3.68888, 0.02532, 5.57164, 0.61867, 8.76727, 4.79539, 18.39036),
        lambda: [end for k in (0, 1, 3, 10) for end in garwood(k)], 1e-5,
        held_by=("tests/risk/test_gamma_poisson.py::test_an_interval_holds_its_share",),
    ),
    *(
        check(
            f"run lengths, smoothing {smoothing}", f"{CC}.average_run_length",
            f"λ = {smoothing}, L = {width}, shifts 0 to 4: ten values, to one decimal as printed",
            LUCAS,
            "from memory, recomputed", lengths,
            lambda s=smoothing, w=width: [
                round(cc.average_run_length(w, s, shift), 1) for shift in SHIFTS
            ], 0.005, relative=True,
        )
        for smoothing, width, lengths in RUN_LENGTHS
    ),
    check(
        "Shewhart chart", f"{CC}.average_run_length", "3 σ, no smoothing: shifts 0, 1, 2, 3",
        "one over the share beyond the limits", "recomputed", (370.40, 43.89, 6.30, 2.00),
        lambda: [cc.average_run_length(3.0, 1.0, shift) for shift in (0.0, 1.0, 2.0, 3.0)], 0.005,
        relative=True,
    ),
    held(
        "run lengths by a Markov chain", (f"{CC}.average_run_length",
                                          f"{CC}.width_for_run_length"),
        "another way to the same number", "Brook & Evans, Biometrika 59 (1972) 539–549",
        "recomputed", "tests/risk/test_control_chart.py::test_a_markov_chain_comes_to_the_same",
        "tests/risk/test_control_chart.py::test_the_width_brings_the_stated_run_length",
    ),
    check(
        "handbook averages", f"{CC}.ewma", "λ = 0.3, target 50: twenty averages",
        "NIST/SEMATECH e-Handbook, 6.3.2.4, quoted in a public file", "published, recomputed",
        HANDBOOK_AVERAGES, lambda: [float(v) for v in cc.ewma(HANDBOOK, 0.3, 50.0)], 0.0101,
    ),
    check(
        "handbook limits", f"{CC}.asymptotic_limit", "s = 2.0539, L = 3: upper, lower",
        "NIST/SEMATECH e-Handbook, 6.3.2.4, quoted in a public file", "published, recomputed",
        (52.5884, 47.4115), limits, 1e-4,
        also=(Other(52.58843, "recomputed"), Other(47.41157, "recomputed; the page truncates")),
    ),
    held(
        "self-starting score", (f"{CC}.self_starting_score", f"{CC}.control_chart"),
        "by hand with the t table; false signals as rare as stated", "t table; simulation",
        "recomputed", "tests/risk/test_control_chart.py::test_a_score_by_hand",
        "tests/risk/test_control_chart.py::test_false_signals_are_as_rare_as_stated",
    ),
)  # fmt: skip
