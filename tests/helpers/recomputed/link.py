"""Values of ``link`` and ``link_programmes``: measured figures against the worths of stages."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, permutations
from typing import Any

import numpy as np
from scipy import linalg, optimize, stats

from helpers.recomputed.pair_fit import Fit, centred, chances, design, newton
from helpers.recomputed.preference import answers, main_fit, programme_fit
from helpers.recomputed.shares import p_written
from helpers.recomputed.study import Drawn, Recomputed, at

ROOT, BY = "/results/link", "/results/link_programmes"
#: Fewest stages of a line; most stages for which every order is visited.
LINE, ORDERS = 6, 8
#: Draws in which the figures are measured again, theirs and ours.
AGAIN, OWN_AGAIN = 1000, 4000


@dataclass(frozen=True)
class Line:
    """The line of worths over a figure, with the weights of the contrasts."""

    slope: float
    se: float
    df: int
    p: float
    weights: np.ndarray


def points(s: Recomputed, metric: str) -> tuple[tuple[str, ...], np.ndarray, np.ndarray]:
    """Return the measured stages that were compared, the figure, and their worths."""
    found, table = main_fit(s), s.stages
    column = table[f"metric_{metric}"]
    made = table["made"]
    names = tuple(
        n for n in found.stages if n in table.index and made[n] == "" and np.isfinite(column[n])
    )
    worth = centred([found.worth[found.stages.index(n)] for n in names])
    return names, column.loc[list(names)].to_numpy(float), worth


def contrasts(n: int) -> np.ndarray:
    """Return orthonormal contrasts, rows that add up to 0."""
    return linalg.null_space(np.ones((1, n))).T


def covariance(found: Fit) -> np.ndarray:
    """Return the covariance of worths between listeners, or a scaled one for few listeners."""
    g, n, c = found.n_listeners, len(found.stages), contrasts(len(found.stages))
    between = found.cluster * g / (g - 1)
    effect = np.trace(np.linalg.solve(c @ found.naive @ c.T, c @ between @ c.T)) / (n - 1)
    enough = g >= 3 * (n - 1) and effect >= 0.25
    return between if enough else found.naive * max(effect, 1.0)


def line(s: Recomputed, metric: str) -> Line:
    """Return the line of the worths over a figure."""

    def work() -> Line:
        names, x, y = points(s, metric)
        assert len(names) >= LINE
        return line_of(x, y, _between(s, names))

    return s.once(("line", metric), work)


def _between(s: Recomputed, names: tuple[str, ...]) -> np.ndarray:
    inside = [main_fit(s).stages.index(name) for name in names]
    return covariance(main_fit(s))[np.ix_(inside, inside)]


def line_of(x: np.ndarray, y: np.ndarray, covariance: np.ndarray) -> Line:
    """Fit stages that scatter about a line (Paule and Mandel 1982; Knapp and Hartung 2003)."""
    n, c = len(x), contrasts(len(x))
    v, z, t, df = c @ covariance @ c.T, c @ x, c @ y, n - 2

    def rest(tau2: float) -> tuple[float, float, np.ndarray]:
        w = np.linalg.inv(v + tau2 * np.eye(n - 1))
        b = z @ w @ t / (z @ w @ z)
        return float((t - z * b) @ w @ (t - z * b)), float(b), w

    tau2 = 0.0
    if rest(0.0)[0] > df:
        tau2 = optimize.brentq(lambda u: rest(u)[0] - df, 0, 1e3, xtol=1e-14)
    q, slope, w = rest(tau2)
    se = float(np.sqrt(max(1.0, q / df) / (z @ w @ z)))
    return Line(slope, se, df, float(2 * stats.t.sf(abs(slope / se), df)), c.T @ w @ c)


def missed(s: Recomputed, metric: str) -> tuple[float, float]:
    """Return the error of foretelling each stage from the others, by the line and by their mean."""
    names, x, y = points(s, metric)
    v, n = _between(s, names), len(x)
    by_line, by_mean = [], []
    for k in range(n):
        rest = np.arange(n) != k
        own = line_of(x[rest], y[rest], v[np.ix_(rest, rest)])
        by_mean.append(y[k] - y[rest].mean())
        by_line.append(by_mean[-1] - own.slope * (x[k] - x[rest].mean()))
    errors = (float(np.sqrt(np.mean(np.square(e)))) for e in (by_line, by_mean))
    return next(errors), next(errors)


def measured_again(s: Recomputed, metric: str) -> float:
    """Return the SD of the slope were the figures measured again, worths held."""

    def work() -> float:
        names, x, y = points(s, metric)
        sd = s.stages.loc[list(names), f"metric_{metric}_repeat_sd"].to_numpy(float)
        w, rng = line(s, metric).weights, np.random.default_rng(7)
        again = x + rng.standard_normal((OWN_AGAIN, len(x))) * sd
        top, bottom = again @ w @ y, np.einsum("ni,ij,nj->n", again, w, again)
        return float(np.std(top / bottom, ddof=1))

    return s.once(("again", metric), work)


def rank_test(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Return the mean rank correlation of rows, and its p over all orders of the stages."""
    a, b = (stats.rankdata(np.round(v, 9), axis=1) for v in (x, y))
    a, b = (v - v.mean(axis=1, keepdims=True) for v in (a, b))
    size = np.sqrt((a**2).sum(axis=1) * (b**2).sum(axis=1))
    n = x.shape[1]
    assert n <= ORDERS, "more stages than every order can be visited for"
    orders = np.array(list(permutations(range(n))))
    found = np.mean([u[orders] @ v / size[k] for k, (u, v) in enumerate(zip(a, b, strict=True))], 0)
    own = float(found[0])  # the first order is the one that was found
    return own, float((np.abs(found) >= abs(own) - 1e-12).mean())


def _metric(s: Recomputed, k: int) -> str:
    return str(s.words["link"][k]["metric"])


def _order(s: Recomputed, k: int) -> tuple[float, float]:
    _, x, y = points(s, _metric(s, k))
    return s.once(("order of", k), lambda: rank_test(x[None], y[None]))


def _adjusted(s: Recomputed, key: str, p_of: Any) -> list[float]:
    """Return a primary figure's own p, and the others' by Holm among themselves."""

    def work() -> list[float]:
        table = s.words["link"]
        p = [p_of(k) for k in range(len(table))]
        others = s.holm([None if table[k]["primary"] else p[k] for k in range(len(table))])
        return [p[k] if others[k] is None else others[k] for k in range(len(table))]

    return s.once(("adjusted", key), work)


@at(f"{ROOT}/*/slope")
def slope(s: Recomputed, k: int) -> float:
    return line(s, _metric(s, k)).slope


@at(f"{ROOT}/*/se")
def slope_error(s: Recomputed, k: int) -> float:
    return line(s, _metric(s, k)).se


@at(f"{ROOT}/*/p_value")
def line_p(s: Recomputed, k: int) -> float:
    return line(s, _metric(s, k)).p


@at(f"{ROOT}/*/p_adjusted")
def line_adjusted(s: Recomputed, k: int) -> float:
    return _adjusted(s, "line", lambda n: line_p(s, n))[k]


def _end(s: Recomputed, k: int, sign: int) -> Drawn:
    """Return an end of the interval of the slope, which holds measuring again.

    The SD over draws has a relative error of 1/√(2(n - 1)) if the slopes are about normal.
    """
    own, sd = line(s, _metric(s, k)), measured_again(s, _metric(s, k))
    half = stats.t.ppf(0.975, own.df) * np.hypot(own.se, sd)
    relative = np.sqrt(1 / (2 * AGAIN) + 1 / (2 * OWN_AGAIN))
    error = stats.t.ppf(0.975, own.df) * sd**2 / np.hypot(own.se, sd) * relative
    return Drawn(own.slope + sign * half, float(error))


@at(f"{ROOT}/*/ci_low")
def slope_low(s: Recomputed, k: int) -> Drawn:
    return _end(s, k, -1)


@at(f"{ROOT}/*/ci_high")
def slope_high(s: Recomputed, k: int) -> Drawn:
    return _end(s, k, 1)


@at(f"{ROOT}/*/spearman")
def spearman(s: Recomputed, k: int) -> float:
    return _order(s, k)[0]


@at(f"{ROOT}/*/p_exact")
def order_p(s: Recomputed, k: int) -> float:
    return _order(s, k)[1]


@at(f"{ROOT}/*/p_exact_adjusted")
def order_adjusted(s: Recomputed, k: int) -> float:
    return _adjusted(s, "order", lambda n: order_p(s, n))[k]


@at(f"{ROOT}/*/n_stages")
def n_stages(s: Recomputed, k: int) -> int:
    return len(points(s, _metric(s, k))[0])


@at(f"{ROOT}/*/pairs_total")
def pairs_total(s: Recomputed, k: int) -> int:
    return len(list(combinations(range(n_stages(s, k)), 2)))


@at(f"{ROOT}/*/pairs_agree")
def pairs_agree(s: Recomputed, k: int) -> int:
    """Count the pairs that go the way of the rank correlation."""
    _, x, y = points(s, _metric(s, k))
    lead = 1 if spearman(s, k) >= 0 else -1
    pairs = combinations(range(len(x)), 2)
    return sum(np.sign(x[i] - x[j]) * np.sign(np.round(y[i] - y[j], 9)) == lead for i, j in pairs)


@at(f"{ROOT}/*/lack_of_fit/p_value")
def lack_of_fit(s: Recomputed, k: int) -> float:
    """Hold worths on the figure alone (Springall 1973) against a worth for each stage.

    F of the statistic over the mean design effect (Rao and Scott 1984; Thomas and Rao 1987).
    """
    names, x, _ = points(s, _metric(s, k))
    found, g = main_fit(s), main_fit(s).n_listeners
    assert names == found.stages
    order = found.order is not None
    cells = answers(s) if order else answers(s).unordered
    z, df = (x - x.mean()) / x.std(), len(x) - 2
    ties = bool(cells.counts[:, :, 2].any())
    own = design(cells, len(x) - 1, order=order, ties=ties)
    along = own[:, :, : len(x) - 1] @ (z[:-1] - z[-1])
    one = np.concatenate([along[:, :, None], own[:, :, len(x) - 1 :]], axis=2)
    pooled = np.einsum("l,lco->co", cells.weights, cells.counts[:, :, : own.shape[1]])
    beta = newton(one, pooled)
    ll = float((pooled * np.log(chances(one, beta))).sum())
    statistic = 2 * (found.log_likelihood - ll)
    rest = linalg.null_space(np.stack([np.ones(len(x)), z])).T
    between = rest @ found.cluster @ rest.T * g / (g - 1)
    effect = np.trace(np.linalg.solve(rest @ found.naive @ rest.T, between)) / df
    effect = effect if effect >= 0.25 else 1.0
    return float(stats.f.sf(statistic / (df * effect), df, df * (g - 1)))


# by programme ------------------------------------------------------------------------------


def _by_programme(s: Recomputed, metric: str) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Return the stages that every programme has, the figure and the worths by programme."""

    def work() -> tuple[list[str], np.ndarray, np.ndarray]:
        table = s.programmes.set_index(["programme", "stage"])[f"metric_{metric}"].dropna()
        fits = {name: programme_fit(s, name) for name in sorted(set(s.paired["programme"]))}
        made = s.stages["made"]
        known = [
            {n for n in one.stages if (p, n) in table.index and made[n] == ""}
            for p, one in fits.items()
        ]
        stages = sorted(set.intersection(*known))
        x = np.array([[table[p, n] for n in stages] for p in fits])
        y = np.array([[one.worth[one.stages.index(n)] for n in stages] for one in fits.values()])
        return stages, x, y - y.mean(axis=1, keepdims=True)

    return s.once(("by programme", metric), work)


def _joint(s: Recomputed, k: int) -> tuple[float, float]:
    _, x, y = _by_programme(s, s.words["link_programmes"][k]["metric"])
    return s.once(("joint", k), lambda: rank_test(x, y))


@at(f"{BY}/*/mean_spearman")
def mean_spearman(s: Recomputed, k: int) -> float:
    return _joint(s, k)[0]


@at(f"{BY}/*/p_exact")
def joint_p(s: Recomputed, k: int) -> float:
    return _joint(s, k)[1]


@at(f"{BY}/*/p_adjusted")
def joint_adjusted(s: Recomputed, k: int) -> float:
    n = len(s.words["link_programmes"])
    return s.once("joint holm", lambda: s.holm([joint_p(s, m) for m in range(n)]))[k]


@at(f"{BY}/*/n_programmes")
def n_programmes(s: Recomputed, k: int) -> int:
    return len(_by_programme(s, s.words["link_programmes"][k]["metric"])[1])


@at(f"{BY}/*/n_stages")
def joint_stages(s: Recomputed, k: int) -> int:
    return len(_by_programme(s, s.words["link_programmes"][k]["metric"])[0])


# words -------------------------------------------------------------------------------------


def said(s: Recomputed, k: int) -> tuple[set[str], list[Drawn]]:
    """Return the numbers that the words of a figure may hold, and those that hang on draws."""
    metric, row = _metric(s, k), s.words["link"][k]
    _, x, y = points(s, metric)
    pairs = combinations(range(len(x)), 2)
    signs = [np.sign(x[i] - x[j]) * np.sign(y[i] - y[j]) for i, j in pairs]
    known = {str(len(x)), *(str(signs.count(way)) for way in (-1, 1)), str(len(signs))}
    known.add(str(sum(not one["primary"] for one in s.words["link"])))
    known |= {f"{abs(v):.2f}" for v in (spearman(s, k), slope(s, k), *missed(s, metric))}
    known |= p_written(order_adjusted(s, k)) | p_written(line_adjusted(s, k))
    known |= p_written(lack_of_fit(s, k))
    supported = row["verdict"] == "supported"
    return known, [slope_low(s, k), slope_high(s, k)] if supported else []


def said_by_programme(s: Recomputed, k: int) -> set[str]:
    """Return the numbers that the words of a figure by programme may hold."""
    metric = s.words["link_programmes"][k]["metric"]
    stages, x, y = _by_programme(s, metric)
    each = [rank_test(x[[n]], y[[n]])[0] for n in range(len(x))]
    free = (len(x) - 1) * (len(stages) - 1)
    rest = y - y.mean(axis=0)  # worths are about the mean of their programme already
    sampling = [
        _sampling(programme_fit(s, name), stages) for name in sorted(set(s.paired["programme"]))
    ]
    known = {str(len(stages)), str(len(s.words["link_programmes"]))}
    known |= {f"{abs(v):.2f}" for v in (*each, mean_spearman(s, k))}
    known.add(f"{np.sqrt((rest**2).sum() / free):.2f}")
    known.add(f"{np.sqrt(np.mean(sampling)):.2f}")
    return known | p_written(joint_adjusted(s, k))


def _sampling(found: Fit, stages: list[str]) -> float:
    """Return the mean variance of worths about their mean, per free worth."""
    inside = [found.stages.index(name) for name in stages]
    v, c = covariance(found)[np.ix_(inside, inside)], contrasts(len(stages))
    return float(np.trace(c @ v @ c.T) / (len(stages) - 1))
