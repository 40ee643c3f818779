"""Fits, distributions and figures of merit from other libraries."""

from __future__ import annotations

import numpy as np
import scipy.optimize
import scipy.signal
import scipy.special
import scipy.stats
from outside_check import Check, check, held

from vibecheck.dsp.statistics import clopper_pearson
from vibecheck.model import baseline, calibration
from vibecheck.model.unfamiliar import fit_familiarity
from vibecheck.risk import control_chart as cc
from vibecheck.risk import fusion
from vibecheck.risk.gamma_poisson import GammaRate, none_of, sum_of
from vibecheck.training import cohere, detection, metrics
from vibecheck.training.screening import areas_of_columns

G = "vibecheck.risk.gamma_poisson"
R = f"{G}.GammaRate"
CC = "vibecheck.risk.control_chart"
M = "vibecheck.training.metrics"
CAL = "vibecheck.model.calibration"
RATES = (GammaRate(0.3, 12.0), GammaRate(2.5, 40.0), GammaRate(33.0, 25.0))


def relative(ours: float, theirs: float) -> float:
    return abs(ours / theirs - 1.0)


def gamma_in_digits() -> float:
    """Quantiles put back through mpmath's incomplete gamma function."""
    import mpmath

    worst = 0.0
    with mpmath.workdps(30):
        for rate in RATES:
            for share in (0.025, 0.5, 0.975):
                x = mpmath.mpf(rate.quantile(share)) * rate.exposure
                back = mpmath.gammainc(rate.shape, 0, x, regularized=True)
                worst = max(worst, relative(float(back), share))
                above = mpmath.gammainc(rate.shape, x, mpmath.inf, regularized=True)
                ours = rate.chance_above(rate.quantile(share))
                worst = max(worst, relative(ours, float(above)))
    return worst


def gamma_in_scipy() -> float:
    worst = 0.0
    for rate in RATES:
        dist = scipy.stats.gamma(rate.shape, scale=1.0 / rate.exposure)
        for ours, theirs in zip(rate.interval(0.9), dist.interval(0.9), strict=True):
            worst = max(worst, relative(ours, float(theirs)))
        worst = max(
            worst,
            relative(rate.mean, float(dist.mean())),
            relative(rate.standard_deviation, float(dist.std())),
        )
    return worst


def counts_in_scipy() -> float:
    worst = 0.0
    for rate in RATES:
        for runs in (0.5, 8.0, 300.0):
            dist = scipy.stats.nbinom(rate.shape, rate.exposure / (rate.exposure + runs))
            worst = max(
                worst,
                *(relative(rate.chance_of_finds(k, runs), float(dist.pmf(k))) for k in range(6)),
                relative(rate.chance_of_a_find(runs), float(dist.sf(0))),
            )
    return worst


def runs_in_scipy() -> float:
    worst = 0.0
    for rate in RATES:
        theirs = scipy.optimize.brentq(
            lambda runs, r=rate: scipy.stats.nbinom(r.shape, r.exposure / (r.exposure + runs)).sf(0)
            - 0.2, 1e-9, 1e6, xtol=1e-10,
        )  # fmt: skip
        worst = max(worst, relative(rate.runs_until(0.2), theirs))
    return worst


def sum_by_simulation() -> list[float]:
    parts = [GammaRate(2.0, 10.0), GammaRate(0.5, 3.0)]
    draws = np.random.default_rng(1).gamma([2.0, 0.5], [0.1, 1 / 3], (400_000, 2)).sum(axis=1)
    both = sum_of(parts)
    return [both.mean / draws.mean(), both.standard_deviation / draws.std()]


def proportions_in_statsmodels() -> float:
    from statsmodels.stats.proportion import proportion_confint

    worst = 0.0
    for k, n in ((0, 10), (1, 10), (4, 20), (81, 263), (29, 29)):
        pairs = (
            (clopper_pearson(k, n), proportion_confint(k, n, method="beta")),
            (metrics.wilson_interval(k, n), proportion_confint(k, n, method="wilson")),
        )
        for ours, theirs in pairs:
            worst = max(worst, *(abs(a - b) for a, b in zip(ours, theirs, strict=True)))
    return worst


def proportions_in_digits() -> float:
    """Limits put back through mpmath's incomplete beta function: tails of 2.5 %."""
    import mpmath

    worst = 0.0
    for k, n in ((1, 10), (4, 20), (81, 263)):
        low, high = clopper_pearson(k, n)
        tail = mpmath.betainc(k, n - k + 1, 0, low, regularized=True)
        other = mpmath.betainc(k + 1, n - k, high, 1, regularized=True)
        worst = max(worst, relative(float(tail), 0.025), relative(float(other), 0.025))
    return worst


def averages_in_scipy() -> float:
    x = np.random.default_rng(3).standard_normal(200)
    theirs, _ = scipy.signal.lfilter([0.2], [1.0, -0.8], x, zi=[0.8 * 1.5])
    tail = scipy.signal.lfilter([0.2], [1.0, -0.8], np.eye(1, 400)[0])
    return max(
        float(np.abs(cc.ewma(x, 0.2, 1.5) - theirs).max()),
        relative(cc.asymptotic_limit(3.0, 0.2), 3.0 * float(np.sqrt(tail @ tail))),
    )


def score_in_scipy() -> float:
    reference = [0.3, 1.9, -0.4, 2.2, 0.8]
    mean, s, n = np.mean(reference), np.std(reference, ddof=1), len(reference)
    worst = 0.0
    for value in (-2.0, 0.9, 5.0):
        t = (value - mean) / (s * np.sqrt(1 + 1 / n))
        theirs = float(scipy.stats.norm.ppf(scipy.stats.t.cdf(t, n - 1)))
        ours = cc.self_starting_score(value, reference)
        assert ours is not None
        worst = max(worst, abs(ours - theirs))
    return worst


def odds_in_scipy() -> float:
    p = np.array([1e-6, 0.02, 0.5, 0.9])
    x = np.array([-30.0, -1.0, 0.0, 4.0])
    pairs = (
        (calibration.log_odds(p), scipy.special.logit(p)),
        (calibration.sigmoid(x[1:]), scipy.special.expit(x[1:])),
        (np.array([fusion.logit(float(v)) for v in p]), scipy.special.logit(p)),
        (np.array([fusion.expit(float(v)) for v in x]), scipy.special.expit(x)),
        (
            np.array([fusion.posterior(0.02, 1.5)]),
            np.array([0.02 * np.exp(1.5) / (0.02 * np.exp(1.5) + 0.98)]),
        ),
    )
    return max(float(np.abs(a - b).max()) for a, b in pairs)


def cases(n: int = 300) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(0)
    labels = rng.random(n) < 0.4
    return np.round(rng.normal(0.0, 1.0, n) + labels, 1), labels


def merit_in_scikit_learn() -> float:
    import sklearn.metrics as sk

    scores, labels = cases()
    p = scipy.special.expit(scores)
    alarms, recall = metrics.roc_curve(scores, labels, n_points=10_000)
    far, tpr, _ = sk.roc_curve(labels, scores, drop_intermediate=False)
    u = scipy.stats.mannwhitneyu(scores[labels], scores[~labels]).statistic
    return max(
        abs(metrics.roc_auc(scores, labels) - sk.roc_auc_score(labels, scores)),
        abs(metrics.roc_auc(scores, labels) - u / (labels.sum() * (~labels).sum())),
        abs(metrics.column_areas(scores[:, None], labels)[0] - sk.roc_auc_score(labels, scores)),
        abs(areas_of_columns(scores[:, None], labels)[0] - sk.roc_auc_score(labels, scores)),
        abs(metrics.brier(p, labels) - sk.brier_score_loss(labels, p)),
        abs(metrics.log_loss(p, labels) - sk.log_loss(labels, p)),
        float(np.abs(np.array(alarms) - far).max()),
        float(np.abs(np.array(recall) - tpr).max()),
    )


def platt_in_statsmodels() -> float:
    import statsmodels.api as sm

    scores, labels = cases()
    n1, n0 = labels.sum(), (~labels).sum()
    target = np.where(labels, (n1 + 1.0) / (n1 + 2.0), 1.0 / (n0 + 2.0))
    fit = sm.GLM(target, sm.add_constant(scores), family=sm.families.Binomial()).fit(tol=1e-12)
    return float(np.abs(np.array(calibration.fit_sigmoid(scores, labels)) - fit.params).max())


def pod_in_statsmodels() -> float:
    import statsmodels.api as sm

    rng = np.random.default_rng(0)
    size = np.exp(rng.uniform(np.log(0.05), np.log(2.0), 300))
    found = rng.random(300) < scipy.special.expit(2.0 + 1.5 * np.log(size))
    fit = sm.Logit(found.astype(float), sm.add_constant(np.log(size))).fit(disp=0, tol=1e-12)
    ours = detection.fit_pod(size, found)
    a90 = float(np.exp((np.log(9.0) - fit.params[0]) / fit.params[1]))
    return max(
        abs(ours.intercept - fit.params[0]), abs(ours.slope - fit.params[1]),
        float(np.abs(ours.at(size) - fit.predict()).max()),
        abs(ours.size_at_90(1e-3, 100.0) - a90),
    )  # fmt: skip


def shares_in_statsmodels() -> float:
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    x, offset = rng.normal(0.0, 1.0, (500, 2)), rng.normal(0.0, 0.5, 500)
    loose = rng.random(500) < scipy.special.expit(offset - 0.5 + x @ [0.8, 0.4])
    ours = cohere.nonnegative_logistic(x, loose, offset, penalty=0.0)
    fit = sm.GLM(
        loose.astype(float), sm.add_constant(x), family=sm.families.Binomial(), offset=offset
    ).fit()
    return float(np.abs(ours - fit.params).max())


def medians_in_numpy() -> float:
    rng = np.random.default_rng(6)
    values, missing = rng.standard_normal((15, 6)), rng.random((15, 6)) < 0.3
    middle, _ = baseline.masked_median(values, missing)
    theirs = np.nanmedian(np.where(missing, np.nan, values), axis=0)
    return float(np.abs(middle - theirs).max())


def distance_in_scipy() -> float:
    from scipy.spatial.distance import mahalanobis

    x = np.random.default_rng(7).standard_normal((400, 4)) @ np.diag([1.0, 2.0, 0.8, 1.5])
    made = fit_familiarity(x, np.zeros(x.shape, bool), shrinkage=0.0)
    inverse = np.linalg.inv(np.cov(x.T, bias=True))
    theirs = mahalanobis(x[3], x.mean(axis=0), inverse) ** 2 / 4
    return relative(made.surprise(x[3], np.zeros(4, bool)), float(theirs))


def combined_normals() -> float:
    """Log ratio of equally correlated normals against scipy's densities."""
    n, rho, shift = 4, 0.35, 1.3
    cov = (1 - rho) * np.eye(n) + rho
    worst = 0.0
    for x in np.random.default_rng(3).normal(0.0, 1.0, (5, n)):
        up, down = (
            scipy.stats.multivariate_normal(sign * np.full(n, shift / 2), cov).logpdf(x)
            for sign in (1.0, -1.0)
        )
        worst = max(worst, abs(calibration.combine(shift * x, rho) - float(up - down)))
    return worst


def library(
    key: str, quantity: str | tuple[str, ...], what: str, reference: str, ours: object,
    tolerance: float,
) -> Check:  # fmt: skip
    return check(key, quantity, what, reference, "recomputed", 0.0, ours, tolerance)  # type: ignore[arg-type]


CHECKS: tuple[Check, ...] = (
    library("gamma distribution in 30 digits", (f"{R}.quantile", f"{R}.chance_above"),
            "quantiles and tails, largest relative difference", "mpmath.gammainc", gamma_in_digits,
            1e-11),
    library("gamma distribution in scipy", (f"{R}.interval", f"{R}.mean",
                                            f"{R}.standard_deviation"),
            "largest relative difference", "scipy.stats.gamma", gamma_in_scipy, 1e-11),
    library("chance of finds", (f"{R}.chance_of_finds", f"{R}.chance_of_a_find"),
            "negative binomial, largest relative difference", "scipy.stats.nbinom",
            counts_in_scipy, 1e-9),
    library("runs until a find", f"{R}.runs_until", "largest relative difference",
            "scipy.stats.nbinom, scipy.optimize.brentq", runs_in_scipy, 1e-7),
    check("sum of rates", f"{G}.sum_of", "mean and deviation over those of 400 000 draws",
          "simulation (Welch 1938, Satterthwaite 1946)", "recomputed", (1.0, 1.0),
          sum_by_simulation, 0.01),
    check("none of several", f"{G}.none_of", "chances 0.1 and 0.2", "0.9 × 0.8", "recomputed",
          0.72, lambda: none_of([0.1, 0.2]), 1e-12),
    library("proportions in statsmodels", ("vibecheck.dsp.statistics.clopper_pearson",
                                           f"{M}.wilson_interval"),
            "Clopper–Pearson and Wilson, largest difference",
            "statsmodels.stats.proportion.proportion_confint", proportions_in_statsmodels, 1e-7),
    library("proportions in digits", "vibecheck.dsp.statistics.clopper_pearson",
            "tails beyond the limits over 2.5 %, less 1", "mpmath.betainc", proportions_in_digits,
            1e-10),
    library("moving averages and limits", (f"{CC}.ewma", f"{CC}.asymptotic_limit"),
            "largest difference", "scipy.signal.lfilter", averages_in_scipy, 1e-12),
    library("self-starting score in scipy", f"{CC}.self_starting_score", "largest difference",
            "scipy.stats.t and norm", score_in_scipy, 1e-9),
    library("odds", (f"{CAL}.sigmoid", f"{CAL}.log_odds", "vibecheck.risk.fusion.logit",
                     "vibecheck.risk.fusion.expit", "vibecheck.risk.fusion.posterior"),
            "logit, its inverse and Bayes' rule, largest difference", "scipy.special",
            odds_in_scipy, 1e-9),
    library("figures of merit", (f"{M}.roc_auc", f"{M}.column_areas", f"{M}.roc_curve",
                                 f"{M}.brier", f"{M}.log_loss",
                                 "vibecheck.training.screening.areas_of_columns"),
            "area, curve, Brier, log loss, largest difference",
            "sklearn.metrics, scipy.stats.mannwhitneyu", merit_in_scikit_learn, 1e-12),
    library("sigmoid calibration", f"{CAL}.fit_sigmoid", "line, largest difference",
            "statsmodels GLM with Platt's targets", platt_in_statsmodels, 1e-4),
    held("sigmoid calibration in scikit-learn", f"{CAL}.fit_sigmoid", "probabilities within 2e-4",
         "sklearn.calibration (Platt)", "recomputed",
         "tests/model/test_calibration.py::test_fit_sigmoid_equals_scikit_learns"),
    library("detection curve", ("vibecheck.training.detection.fit_pod",
                                "vibecheck.training.detection.PodFit.at",
                                "vibecheck.training.detection.PodFit.size_at_90"),
            "line, curve and a90, largest difference", "statsmodels Logit", pod_in_statsmodels,
            1e-5),
    held("detection curve in scikit-learn", "vibecheck.training.detection.fit_pod",
         "line within 1e-5; two sizes in closed form", "sklearn LogisticRegression", "recomputed",
         "tests/training/test_detection.py::test_fit_equals_scikit_learns_without_penalty",
         "tests/training/test_detection.py::test_two_sizes_have_a_closed_form"),
    library("nonnegative logistic fit", "vibecheck.training.cohere.nonnegative_logistic",
            "weights with slack bounds, largest difference", "statsmodels GLM with offset",
            shares_in_statsmodels, 1e-3),
    library("masked medians", "vibecheck.model.baseline.masked_median", "largest difference",
            "numpy.nanmedian", medians_in_numpy, 1e-12),
    library("familiarity", ("vibecheck.model.unfamiliar.fit_familiarity",
                            "vibecheck.model.unfamiliar.Familiarity.surprise"),
            "without shrinkage: relative difference",
            "scipy.spatial.distance.mahalanobis", distance_in_scipy, 1e-6),
    library("combined takes", f"{CAL}.combine",
            "equally correlated normals, largest difference of the log ratio",
            "scipy.stats.multivariate_normal", combined_normals, 1e-9),
    held("dependence of takes", f"{CAL}.fit_dependence", "finds the correlation of drawn takes",
         "simulation", "recomputed",
         "tests/model/test_calibration.py::test_fit_dependence_finds_the_correlation"),
    held("spread from car to car", (f"{CAL}.fit_spread", f"{CAL}.Spread.sd"),
         "finds the offset of drawn cars", "simulation", "recomputed",
         "tests/model/test_calibration.py::test_spread_finds_the_offset_from_car_to_car",
         "tests/model/test_calibration.py::test_sd_by_hand"),
    held("features kept by chance", "vibecheck.training.screening.areas_of_columns",
         "7 degrees of freedom: |t| over 1.5 in 17.7 % of cases", "Student's t", "recomputed",
         "tests/training/test_screening.py::"
         "test_features_of_chance_stay_as_often_as_the_bar_says"),
)  # fmt: skip
