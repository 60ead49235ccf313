"""Looking before the end: sequential tests that keep their error rates, computed and not tabulated.

Wald's sequential ratio test (Wald 1947 Sequential Analysis); group-sequential limits (Pocock 1977
Biometrika 64:191; O'Brien & Fleming 1979 Biometrics 35:549) by recursive integration (Armitage,
McPherson & Rowe 1969 JRSSA 132:235); spending functions (Lan & DeMets 1983 Biometrika 70:659); and
intervals that hold at every moment at once (Robbins 1970 Ann Math Stat 41:1397, beta mixture).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import optimize, stats
from scipy.special import betaln, xlog1py, xlogy

__all__ = [
    "AlwaysValid",
    "RatioTest",
    "always_valid",
    "group_limits",
    "ratio_test_behaviour",
    "spending_limits",
    "spent",
    "wald_ratio_test",
]


@dataclass(frozen=True, slots=True)
class RatioTest:
    """Limits of Wald's test of p0 against p1 > p0.

    Attributes
    ----------
    log_a, log_b : float
        Limits of the log likelihood ratio.
    slope, upper, lower : float
        p1 is accepted when the right answers reach ``upper + slope·n``, p0 when they are down to
        ``lower + slope·n``.
    p0, p1, alpha, beta : float
    """

    log_a: float
    log_b: float
    slope: float
    upper: float
    lower: float
    p0: float
    p1: float
    alpha: float
    beta: float

    def limits(self, n: int) -> tuple[int | None, int | None]:
        """Return (fewest right answers that accept p1, most that accept p0) after `n` trials."""
        accept = int(np.ceil(self.upper + self.slope * n - 1e-9))
        reject = int(np.floor(self.lower + self.slope * n + 1e-9))
        return (accept if accept <= n else None), (reject if reject >= 0 else None)

    def mean_trials(self) -> tuple[float, float]:
        """Return Wald's approximate mean number of trials when p0 and when p1 holds."""
        right = float(np.log(self.p1 / self.p0))
        wrong = float(np.log((1 - self.p1) / (1 - self.p0)))
        gain = [p * right + (1 - p) * wrong for p in (self.p0, self.p1)]
        at0 = (self.alpha * self.log_a + (1 - self.alpha) * self.log_b) / gain[0]
        at1 = ((1 - self.beta) * self.log_a + self.beta * self.log_b) / gain[1]
        return at0, at1


def wald_ratio_test(
    *, p0: float = 0.5, p1: float = 0.75, alpha: float = 0.05, beta: float = 0.1
) -> RatioTest:
    """Return the limits of the sequential probability ratio test of right answers.

    Raises
    ------
    ValueError
        Unless ``0 < p0 < p1 < 1`` and the error rates lie in (0, 1) with a sum below 1.
    """
    if not 0 < p0 < p1 < 1:
        raise ValueError(f"need 0 < p0 < p1 < 1, got {p0} and {p1}")
    if not (0 < alpha < 1 and 0 < beta < 1 and alpha + beta < 1):
        raise ValueError(f"need error rates in (0, 1) with a sum below 1, got {alpha} and {beta}")
    log_a, log_b = float(np.log((1 - beta) / alpha)), float(np.log(beta / (1 - alpha)))
    right, wrong = np.log(p1 / p0), np.log((1 - p1) / (1 - p0))
    step = float(right - wrong)
    return RatioTest(
        log_a, log_b, float(-wrong) / step, log_a / step, log_b / step, p0, p1, alpha, beta
    )


def ratio_test_behaviour(
    test: RatioTest, true_p: float, *, longest: int = 2000
) -> tuple[float, float]:
    """Return the exact chance to accept p1 and the mean number of trials at a true P(correct).

    Parameters
    ----------
    test : RatioTest
    true_p : float
    longest : int, optional
        Trials after which the rest of the probability is given up; it is negligible long before.
    """
    alive = np.zeros(longest + 2)
    alive[0] = 1.0
    accepted = trials = 0.0
    for n in range(1, longest + 1):
        trials += float(alive.sum())
        alive[1 : n + 1] = alive[1 : n + 1] * (1 - true_p) + alive[:n] * true_p
        alive[0] *= 1 - true_p
        accept, reject = test.limits(n)
        if accept is not None:
            accepted += float(alive[accept : n + 1].sum())
            alive[accept : n + 1] = 0.0
        if reject is not None:
            alive[: reject + 1] = 0.0
        if alive.sum() < 1e-13:
            break
    return accepted, trials


# --- group-sequential limits --------------------------------------------------------------------

_HALF_WIDTH_NODES = 161


@cache
def _rule() -> tuple[np.ndarray, np.ndarray]:
    x, w = np.polynomial.legendre.leggauss(_HALF_WIDTH_NODES)
    return x, w


def _crossing(limits: np.ndarray, information: np.ndarray) -> np.ndarray:
    """Return P(first crossing ±limit at look k) of Brownian motion at the given information."""
    x, w = _rule()
    crossed = np.empty(len(limits))
    roots = np.sqrt(information)
    nodes, weights = x * limits[0] * roots[0], w * limits[0] * roots[0]
    density = stats.norm.pdf(nodes, scale=roots[0])
    crossed[0] = 2 * stats.norm.sf(limits[0])
    for k in range(1, len(limits)):
        bound = limits[k] * roots[k]
        sd = float(np.sqrt(information[k] - information[k - 1]))
        flow = weights * density
        outside = stats.norm.sf((bound - nodes) / sd) + stats.norm.cdf((-bound - nodes) / sd)
        crossed[k] = float((flow * outside).sum())
        ahead = x * bound
        density = stats.norm.pdf(ahead[:, None] - nodes[None, :], scale=sd) @ flow
        nodes, weights = ahead, w * bound
    return crossed


def group_limits(looks: int, *, shape: str, alpha: float = 0.05) -> np.ndarray:
    """Return two-sided limits of z at equally spaced looks.

    Parameters
    ----------
    looks : int
        Number of looks, the last one included.
    shape : str
        ``"pocock"``: the same limit at every look. ``"obrien-fleming"``: strict early, near the
        usual limit at the end, constant/√(k/looks).
    alpha : float, optional

    Returns
    -------
    numpy.ndarray, shape (looks,)

    Raises
    ------
    ValueError
        Fewer than one look, an unknown shape, or alpha outside (0, 1).
    """
    if looks < 1 or not 0 < alpha < 1:
        raise ValueError(f"need at least one look and alpha in (0, 1), got {looks} and {alpha}")
    share = np.arange(1, looks + 1) / looks
    shapes = {"pocock": np.ones(looks), "obrien-fleming": 1 / np.sqrt(share)}
    if shape not in shapes:
        raise ValueError(f"shape must be one of {', '.join(shapes)}, got {shape!r}")
    form = shapes[shape]

    def surplus(constant: float) -> float:
        return float(_crossing(constant * form, share).sum()) - alpha

    return np.asarray(optimize.brentq(surplus, 0.5, 8.0, xtol=1e-10) * form)


def spent(share: float, *, kind: str, alpha: float = 0.05) -> float:
    """Return the error rate spent at a share of the information (Lan & DeMets 1983).

    Parameters
    ----------
    share : float
        In (0, 1].
    kind : str
        ``"obrien-fleming"``: 2 - 2Φ(z_{α/2}/√share). ``"pocock"``: α ln(1 + (e-1) share).
    alpha : float, optional

    Raises
    ------
    ValueError
        A share outside (0, 1] or an unknown kind.
    """
    if not 0 < share <= 1:
        raise ValueError(f"share must lie in (0, 1], got {share}")
    if kind == "obrien-fleming":
        return float(2 * stats.norm.sf(stats.norm.isf(alpha / 2) / np.sqrt(share)))
    if kind == "pocock":
        return float(alpha * np.log1p((np.e - 1) * share))
    raise ValueError(f"kind must be 'obrien-fleming' or 'pocock', got {kind!r}")


def spending_limits(
    shares: Sequence[float], *, kind: str = "obrien-fleming", alpha: float = 0.05
) -> np.ndarray:
    """Return two-sided limits of z at looks that need not be equally spaced.

    Parameters
    ----------
    shares : sequence of float
        Shares of the planned information at the looks, rising, in (0, 1].
    kind, alpha : optional
        See :func:`spent`.

    Returns
    -------
    numpy.ndarray, shape (n_looks,)

    Raises
    ------
    ValueError
        Shares that do not rise within (0, 1].
    """
    t = np.asarray(shares, dtype=float)
    if not t.size or t[0] <= 0 or t[-1] > 1 or np.any(np.diff(t) <= 0):
        raise ValueError(f"shares must rise within (0, 1], got {list(shares)}")
    limits: list[float] = []
    before = 0.0
    for share in t:
        total = spent(float(share), kind=kind, alpha=alpha)
        wanted = total - before
        limits.append(_next_limit(limits, t, wanted))
        before = total
    return np.array(limits)


def _next_limit(limits: list[float], t: np.ndarray, wanted: float) -> float:
    k = len(limits)

    def surplus(limit: float) -> float:
        return float(_crossing(np.array([*limits, limit]), t[: k + 1])[-1]) - wanted

    return float(optimize.brentq(surplus, 0.2, 12.0, xtol=1e-10))


# --- always valid -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AlwaysValid:
    """What may be said now, however often one has looked before.

    Attributes
    ----------
    e_value : float
        Evidence against `chance`: on average at most 1 for guessing, at any stopping time.
    p_value : float
        min(1, 1/e); stays valid under peeking (two-sided).
    ci_low, ci_high : float
        Interval for P(correct) that covers at all times together.
    n_correct, n_trials : int
    chance, confidence : float
    """

    e_value: float
    p_value: float
    ci_low: float
    ci_high: float
    n_correct: int
    n_trials: int
    chance: float
    confidence: float


def always_valid(
    n_correct: int, n_trials: int, *, chance: float = 0.5, confidence: float = 0.95
) -> AlwaysValid:
    """Return e-value and confidence sequence of right answers, uniform mixture.

    Trials are taken as independent: use it for one listener, or for one answer a listener.

    Raises
    ------
    ValueError
        Impossible counts or probabilities.
    """
    if n_trials < 1 or not 0 <= n_correct <= n_trials:
        raise ValueError(f"need 0 <= n_correct <= n_trials, got {n_correct} of {n_trials}")
    if not 0 < chance < 1 or not 0 < confidence < 1:
        raise ValueError("chance and confidence must lie in (0, 1)")
    wrong = n_trials - n_correct
    mixture = float(betaln(1 + n_correct, 1 + wrong))

    def log_e(p: float) -> float:
        return mixture - float(xlogy(n_correct, p) + xlog1py(wrong, -p))

    limit = -float(np.log(1 - confidence))
    best = n_correct / n_trials
    low = 0.0 if n_correct == 0 else _root(log_e, limit, 1e-300, best)
    high = 1.0 if wrong == 0 else _root(log_e, limit, best, 1 - 1e-16)
    e = float(np.exp(log_e(chance)))
    return AlwaysValid(e, min(1.0, 1 / e), low, high, n_correct, n_trials, chance, confidence)


def _root(log_e: Callable[[float], float], limit: float, low: float, high: float) -> float:
    return float(optimize.brentq(lambda p: log_e(p) - limit, low, high, xtol=1e-14))
