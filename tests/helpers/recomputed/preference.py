"""Values of the block ``preference``: fits, counted choices, programmes, listeners of their own."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import optimize, stats

from helpers.recomputed import resampled
from helpers.recomputed.pair_fit import Answers, Fit, centred, fit
from helpers.recomputed.shares import mean_share
from helpers.recomputed.study import FITTED, Recomputed, at

ROOT = "/results/preference"


def answers(s: Recomputed) -> Answers:
    """Return all paired answers, with the order in which they were heard."""
    return s.once("answers", lambda: Answers.of(s.paired))


def reference(s: Recomputed) -> str:
    """Return the stage whose log-worth is 0."""
    return str(s.words["preference"]["reference"])


def main_fit(s: Recomputed) -> Fit:
    """Return the fit behind worths and verdicts: every listener counts once."""
    return s.once("main", lambda: fit(answers(s), reference=reference(s)))


def stage(s: Recomputed, k: int) -> str:
    """Return the stage of a row."""
    return str(s.words["preference"]["stages"][k]["stage"])


@at(f"{ROOT}/n_trials")
def n_trials(s: Recomputed) -> int:
    return len(s.paired)


@at(f"{ROOT}/n_listeners")
def n_listeners(s: Recomputed) -> int:
    return s.paired["listener"].nunique()


@at(f"{ROOT}/stages/*/log_worth_listeners")
def log_worth(s: Recomputed, k: int) -> float:
    found = main_fit(s)
    return float(found.worth[found.stages.index(stage(s, k))])


@at(f"{ROOT}/stages/*/se_listeners")
def se_listeners(s: Recomputed, k: int) -> float:
    found = main_fit(s)
    place, g = found.stages.index(stage(s, k)), found.n_listeners
    return float(np.sqrt(found.cluster[place, place] * g / (g - 1)))


def _about_mean(s: Recomputed, k: int) -> tuple[float, float]:
    """Return a log-worth about the mean of the stages, and half its interval."""
    found = main_fit(s)
    size, g = len(found.stages), found.n_listeners
    w = np.eye(size)[found.stages.index(stage(s, k))] - 1 / size
    se = np.sqrt(w @ found.cluster @ w * g / (g - 1))
    return float(w @ found.worth), float(stats.t.ppf(0.975, g - 1) * se)


@at(f"{ROOT}/stages/*/centred_listeners")
def about_mean(s: Recomputed, k: int) -> float:
    return _about_mean(s, k)[0]


@at(f"{ROOT}/stages/*/centred_listeners_low")
def about_mean_low(s: Recomputed, k: int) -> float:
    value, half = _about_mean(s, k)
    return value - half


@at(f"{ROOT}/stages/*/centred_listeners_high")
def about_mean_high(s: Recomputed, k: int) -> float:
    return sum(_about_mean(s, k))


@at(f"{ROOT}/stages/*/p_best")
def p_best(s: Recomputed, k: int) -> Any:
    panels = resampled.panels(s, answers(s), main_fit(s))
    return resampled.first(s, panels)[main_fit(s).stages.index(stage(s, k))]


@at(f"{ROOT}/stages/*/rank_probabilities/*")
def rank(s: Recomputed, k: int, place: int) -> Any:
    panels = resampled.panels(s, answers(s), main_fit(s))
    own = main_fit(s).stages.index(stage(s, k))
    above = (panels > panels[:, [own]] + 1e-7).sum(axis=1)
    level = (np.abs(panels - panels[:, [own]]) <= 1e-7).sum(axis=1)
    shared = ((above <= place) & (place < above + level)) / level
    return resampled.share(s, shared)


@at(f"{ROOT}/order_effect/estimate")
def order_effect(s: Recomputed) -> float | None:
    return _with_order(s).order


@at(f"{ROOT}/order_effect/se_cluster")
def order_error(s: Recomputed) -> float | None:
    return _with_order(s).order_cluster


def _with_order(s: Recomputed) -> Fit:
    return s.once("order", lambda: fit(answers(s), once=False, order=True))


def _ordinary(s: Recomputed) -> Fit:
    """Return the fit in which every answer counts once, without an order effect."""
    return s.once("ordinary", lambda: fit(answers(s), once=False, order=False))


@at(f"{ROOT}/fit/deviance")
def deviance(s: Recomputed) -> float:
    return _ordinary(s).deviance


@at(f"{ROOT}/fit/df")
def deviance_df(s: Recomputed) -> int:
    return _ordinary(s).df


@at(f"{ROOT}/fit/p_value")
def deviance_p(s: Recomputed) -> float:
    return float(stats.chi2.sf(_ordinary(s).deviance, _ordinary(s).df))


@at(f"{ROOT}/equal_worths/p_value")
def equal_worths(s: Recomputed) -> float:
    """Hotelling's T² of the worths against the reference."""
    found = main_fit(s)
    free = [k for k, name in enumerate(found.stages) if name != reference(s)]
    k, g = len(free), found.n_listeners
    v = found.cluster[np.ix_(free, free)] * g / (g - 1)
    t2 = found.worth[free] @ np.linalg.solve(v, found.worth[free])
    return float(stats.f.sf(t2 * (g - k) / (k * (g - 1)), k, g - k))


# counted choices ---------------------------------------------------------------------------


def _votes(s: Recomputed, k: int) -> tuple[np.ndarray, np.ndarray]:
    """Return by listener the choices of a pair's first and second stage."""
    first, second = s.words["preference"]["pairs"][k]["pair"]
    frame = s.paired
    inside = frame[["stage_a", "stage_b"]].isin([first, second]).all(axis=1)
    own = frame[inside]
    chosen = np.where(own["answer"] == "a", own["stage_a"], own["stage_b"])
    chosen = np.where(own["answer"] == "tie", "", chosen)
    people = sorted(own["listener"].unique())
    counts = [
        [int(((own["listener"] == name) & (chosen == stage)).sum()) for name in people]
        for stage in (first, second)
    ]
    return np.array(counts[0]), np.array(counts[1])


def _between(s: Recomputed, k: int) -> Any:
    won, lost = _votes(s, k)
    return s.once(("pair", k), lambda: mean_share(won, won + lost, 0.5))


@at(f"{ROOT}/pairs/*/wins")
def wins(s: Recomputed, k: int) -> int:
    return int(_votes(s, k)[0].sum())


@at(f"{ROOT}/pairs/*/losses")
def losses(s: Recomputed, k: int) -> int:
    return int(_votes(s, k)[1].sum())


@at(f"{ROOT}/pairs/*/share_listeners")
def pair_share(s: Recomputed, k: int) -> float:
    return _between(s, k).estimate


@at(f"{ROOT}/pairs/*/share_low")
def pair_low(s: Recomputed, k: int) -> float:
    return _between(s, k).low


@at(f"{ROOT}/pairs/*/share_high")
def pair_high(s: Recomputed, k: int) -> float:
    return _between(s, k).high


def _choices(s: Recomputed, k: int) -> tuple[int, int]:
    """Return how often a stage was chosen and compared, by one listener or by all."""
    row, frame = s.words["preference"]["chosen"][k], s.paired
    if row["listener"] is not None:
        frame = frame[frame["listener"] == row["listener"]]
    is_a, is_b = frame["stage_a"] == row["stage"], frame["stage_b"] == row["stage"]
    taken = (is_a & (frame["answer"] == "a")) | (is_b & (frame["answer"] == "b"))
    return int(taken.sum()), int((is_a | is_b).sum())


@at(f"{ROOT}/chosen/*/n_chosen")
def chosen(s: Recomputed, k: int) -> int:
    return _choices(s, k)[0]


@at(f"{ROOT}/chosen/*/n_compared")
def compared(s: Recomputed, k: int) -> int:
    return _choices(s, k)[1]


@at(f"{ROOT}/programmes/by_programme/*/log_worth/<stage>")
def programme_worth(s: Recomputed, k: int, name: str) -> float:
    """Return the ordinary worth in one programme, about the mean of the stages."""
    programme = s.words["preference"]["programmes"]["by_programme"][k]["programme"]
    found = programme_fit(s, programme)
    return float(centred(found.worth)[found.stages.index(name)])


def programme_fit(s: Recomputed, programme: str) -> Fit:
    """Return the ordinary fit, without an order effect, of one programme's answers."""
    frame = s.paired[s.paired["programme"] == programme]
    work = lambda: fit(Answers.of(frame), once=False, order=False)  # noqa: E731
    return s.once(("programme", programme), work)


# listeners with worths of their own --------------------------------------------------------


@at(f"{ROOT}/mixed/n_trials")
def mixed_trials(s: Recomputed) -> int:
    return len(s.paired)


@at(f"{ROOT}/mixed/n_listeners")
def mixed_listeners(s: Recomputed) -> int:
    return s.paired["listener"].nunique()


def laplace(s: Recomputed) -> tuple[float, float, np.ndarray]:
    """Fit one SD of taste for every stage, by Laplace's approximation (Breslow and Clayton 1993).

    Returns
    -------
    sd, twice the gain in log-likelihood, listeners' most probable worths
    """
    assert s.words["preference"]["mixed"]["structure"] == "common", "freely correlated tastes"
    return s.once("laplace", lambda: _laplace(answers(s).unordered))


def _laplace(cells: Answers) -> tuple[float, float, np.ndarray]:
    k = len(cells.stages)
    x = np.zeros((len(cells.cells), k))
    for c, (i, j) in enumerate(cells.cells):
        x[c, i], x[c, j] = 1, -1
    won = cells.counts[:, :, 0] + cells.counts[:, :, 2] / 2
    total = cells.counts.sum(axis=2)

    def modes(theta: np.ndarray, sd: float) -> tuple[np.ndarray, float]:
        u, eye = np.zeros((len(won), k)), np.eye(k)
        for _ in range(40):
            p = 1 / (1 + np.exp(-(theta + sd * u) @ x.T))
            slope = sd * (won - total * p) @ x - u
            curve = eye + sd**2 * np.einsum("lc,cp,cq->lpq", total * p * (1 - p), x, x)
            step = np.linalg.solve(curve, slope[..., None])[..., 0]
            u = u + step
            if np.abs(step).max() < 1e-10:
                break
        eta = (theta + sd * u) @ x.T
        inside = (won * eta - total * np.logaddexp(0, eta)).sum() - (u**2).sum() / 2
        return u, float(inside - np.linalg.slogdet(curve)[1].sum() / 2)

    def minus(v: np.ndarray) -> float:
        return -modes(np.append(v[:-1], 0.0), v[-1])[1]

    start = fit(cells, once=False, order=False).worth
    start = (start - start[-1])[:-1]
    alike = minus(np.append(start, 0.0))
    # The likelihood is even in the SD: a start at 0 would never leave it.
    tried = [optimize.minimize(minus, np.append(start, sd), method="BFGS") for sd in (0.1, 0.7)]
    best = min(tried, key=lambda one: one.fun)
    sd = abs(float(best.x[-1])) if best.fun < alike - 1e-9 else 0.0
    theta = np.append(best.x[:-1] if sd else start, 0.0)
    worths = theta + sd * modes(theta, sd)[0]
    return sd, max(0.0, 2 * (alike - best.fun)), worths


@at(f"{ROOT}/mixed/p_value", tolerance=FITTED)
def mixed_p(s: Recomputed) -> float:
    return float(stats.chi2.sf(laplace(s)[1], 1))


@at(f"{ROOT}/mixed/stages/*/sd_between_listeners", tolerance=1e-3)
def mixed_sd(s: Recomputed, k: int) -> float:
    """Return the SD about a listener's own mean, of which one part in so many stages is lost."""
    n = len(answers(s).stages)
    return laplace(s)[0] * float(np.sqrt(1 - 1 / n))


@at(f"{ROOT}/mixed/stages/*/share_of_listeners_with_it_first")
def mixed_first(s: Recomputed, k: int) -> float:
    name = s.words["preference"]["mixed"]["stages"][k]["stage"]
    best = laplace(s)[2].argmax(axis=1)
    return float((best == answers(s).stages.index(name)).mean())
