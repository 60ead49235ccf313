"""Over-dispersion, similarity, and Thurstone's scale."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy import stats

from analysis.hearing.similarity import largest_similar_count, similarity
from analysis.models.thurstone import fit_thurstone
from analysis.panels.overdispersion import beta_binomial
from analysis.panels.proportions import discriminators
from analysis.run import analyse
from analysis.tables.counts import pair_counts
from analysis.tables.trials import trial_table

Read = Callable[..., pd.DataFrame]


def test_beta_binomial_likelihood_is_that_of_scipy() -> None:
    k, n = np.array([3, 8, 5, 8, 4, 7, 2, 8]), np.full(8, 8)
    fit = beta_binomial(k, n)
    size = (1 - fit.correlation) / fit.correlation
    a, b = fit.mean * size, (1 - fit.mean) * size
    coefficient = np.log([float(stats.binom.pmf(x, 8, 0.5) * 2**8) for x in k]).sum()
    direct = stats.betabinom.logpmf(k, n, a, b).sum() - coefficient
    assert fit.log_likelihood == pytest.approx(direct, abs=1e-8)
    # Half the chi-square tail: the null lies on the boundary (Self & Liang 1987).
    ratio = 2 * (fit.log_likelihood - fit.log_likelihood_binomial)
    assert fit.p_value == pytest.approx(stats.chi2.sf(ratio, 1) / 2)
    # No other mean and correlation does better on a grid around the estimate.
    for mean in (fit.mean - 0.02, fit.mean + 0.02):
        for size_other in (size * 0.8, size * 1.25):
            a, b = mean * size_other, (1 - mean) * size_other
            assert stats.betabinom.logpmf(k, n, a, b).sum() - coefficient < fit.log_likelihood


def test_beta_binomial_recovers_a_known_panel() -> None:
    rng = np.random.default_rng(2)
    p = rng.beta(6, 3, 4000)
    fit = beta_binomial(rng.binomial(12, p), np.full(4000, 12))
    assert fit.mean == pytest.approx(2 / 3, abs=0.012)
    assert fit.correlation == pytest.approx(0.1, abs=0.012)
    assert fit.p_value < 1e-10


def test_beta_binomial_edges() -> None:
    alike = beta_binomial(np.full(5, 4), np.full(5, 8))
    assert (alike.correlation, alike.p_value) == (0.0, 1.0)
    assert beta_binomial(np.full(5, 8), np.full(5, 8)).mean == 1.0
    assert np.isnan(beta_binomial(np.array([4]), np.array([8])).p_value)
    opposed = beta_binomial(np.array([0, 8, 0, 8]), np.full(4, 8))
    assert opposed.correlation > 0.9
    with pytest.raises(ValueError, match="at least one trial"):
        beta_binomial(np.array([0]), np.array([0]))


def test_similarity_limit_is_the_exact_binomial() -> None:
    # ISO 4120 form: triangle, 60 trials, 30 % discriminators, 5 %: P(X <= 25 | .5333) = .0467 and
    # P(X <= 26) = .0792 (sums recomputed in rational arithmetic).
    assert largest_similar_count(60, chance=1 / 3, margin=0.3) == 25
    assert stats.binom.cdf(25, 60, 1 / 3 + 0.3 * 2 / 3) <= 0.05
    assert stats.binom.cdf(26, 60, 1 / 3 + 0.3 * 2 / 3) > 0.05
    assert largest_similar_count(3, margin=0.05) is None
    with pytest.raises(ValueError, match=r"probabilities in \(0, 1\)"):
        largest_similar_count(10, margin=1.0)


def test_discriminators_by_abbott() -> None:
    npt.assert_allclose(discriminators(np.array([0.4, 0.5, 0.75, 1.0]), chance=0.5), [0, 0, 0.5, 1])


def test_similarity_needs_both_tests() -> None:
    trials = np.full(12, 20)
    alike = similarity(np.full(12, 10), trials, chance=0.5, margin=0.3)
    # Of the tails, the one of a panel that by luck holds few who always hear is the largest here.
    who = np.arange(7)
    lucky = stats.binom.pmf(who, 12, 0.3) @ stats.binom.cdf(120 - 20 * who, 240 - 20 * who, 0.5)
    assert stats.binom.cdf(120, 240, 0.65) < lucky
    assert alike.p_similar == pytest.approx(lucky)
    split = similarity(np.array([20, 20, 0, 0, 20, 0] * 2), trials, chance=0.5, margin=0.3)
    assert stats.binom.cdf(120, 240, 0.65) < 1e-5
    assert split.p_similar > 0.05, "half the listeners hear it all the time"
    assert np.isnan(similarity(np.array([5]), np.array([10]), chance=0.5, margin=0.3).p_similar)
    with pytest.raises(ValueError, match="margin must lie"):
        similarity(np.array([5]), np.array([10]), chance=0.5, margin=0.0)


def _with_controls(frame: pd.DataFrame, right: bool) -> pd.DataFrame:
    control = frame.loc[frame["trial"] == 1].copy()
    control["trial"], control["control"] = 1000, "obvious"
    truth = np.where(control["stage_x"] == control["stage_a"], "a", "b")
    control["answer"] = truth if right else np.where(truth == "a", "b", "a")
    return pd.concat([frame.assign(control=""), control], ignore_index=True)


@pytest.mark.parametrize(
    ("right", "controls", "verdict", "words"),
    [
        (10, True, "supported", "No audible difference of i and j beyond the declared margin"),
        (10, False, "undecided", "0 of 12 obvious controls were right"),
        (10, None, "undecided", "none was given"),
        (18, True, "contradicted", "More listeners can tell i from j than the margin allows"),
        (13, True, "undecided", "do not settle"),
    ],
)
def test_similarity_claim(
    abx_rows: Callable[..., pd.DataFrame],
    right: int,
    controls: bool | None,
    verdict: str,
    words: str,
) -> None:
    frame = abx_rows({f"P{k}": (right + k % 2, 20) for k in range(12)})
    if controls is not None:
        frame = _with_controls(frame, controls)
    claims = ["listeners cannot tell i from j within 30 %"]
    (row,) = analyse(trial_table(frame), claims=claims).to_dict()["claims"]
    assert row["verdict"] == verdict
    assert words in row["words"]
    assert row["margin"] == pytest.approx(0.3)


def test_adjusted_p_values_by_family(abx_rows: Callable[..., pd.DataFrame]) -> None:
    one = abx_rows({f"P{k}": (5 + k % 3, 8) for k in range(12)})
    two = abx_rows({f"P{k}": (4 + k % 2, 8) for k in range(12)}, ("i", "k")).assign(session="2")
    rows = analyse(trial_table(pd.concat([one, two], ignore_index=True))).to_dict()[
        "discrimination"
    ]
    panel = [row for row in rows if row["listener"] is None]
    assert [row["family_size"] for row in panel] == [2, 2]
    assert panel[0]["p_holm"] == pytest.approx(2 * panel[0]["panel"]["p_value"])
    listeners = [row for row in rows if row["listener"] is not None]
    assert all(row["family_size"] == 24 and row["p_holm"] >= row["p_bh"] for row in listeners)


def test_thurstone_scale_of_the_published_judgements(
    judgements: pd.DataFrame, reference: Read
) -> None:
    # statsmodels probit GLM and eba thurstone() on Choisel & Wickelmaier (2007).
    checked = 0
    for subset, rows in reference("thurstone_soundquality").groupby("subset"):
        part = judgements
        for piece in str(subset).split(";"):
            if piece == "before":
                part = part.loc[part["time"] == "before"]
            elif piece.startswith("progmat="):
                part = part.loc[part["programme"] == piece.removeprefix("progmat=")]
        fit = fit_thurstone(pair_counts(trial_table(part).frame), reference="Mono")
        place = [fit.stages.index(name) for name in rows["item"]]
        npt.assert_allclose(fit.scale[place], rows["estimate"].astype(float), atol=1e-6)
        se = np.sqrt(np.diag(fit.covariance))[place]
        npt.assert_allclose(se, rows["se"].astype(float), atol=1e-6)
        assert fit.deviance == pytest.approx(float(rows["deviance"].iloc[0]), abs=1e-5)
        assert fit.df == int(rows["df"].iloc[0])
        checked += 1
    assert checked == 4


def test_thurstone_edges(paired_rows: Callable[..., pd.DataFrame]) -> None:
    table = trial_table(paired_rows([("P1", "i", "j", "a", 3), ("P2", "i", "j", "a", 3)]))
    fit = fit_thurstone(pair_counts(table.frame))
    assert fit.penalty == 0.5
    with pytest.raises(ValueError, match="reference 'k' is not one of"):
        fit_thurstone(pair_counts(table.frame), reference="k")
