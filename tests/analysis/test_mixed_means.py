"""Linear mixed models against published software."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.testing as npt
import pandas as pd
import pytest
from scipy.optimize import approx_fprime

from analysis.models.mixed_means import _Profile, fit_mixed_means

Read = Callable[..., pd.DataFrame]


def _published(reference: Read, model: str) -> tuple[pd.DataFrame, float]:
    # lme4 1.1-31 lmer() with a tightened optimiser; tolerances as given in the table.
    table = reference("mixed_models")
    rows = table.loc[table["model"] == model].set_index("term")
    return rows, float(rows["logLik"].iloc[0])


def _check(fit: Any, rows: pd.DataFrame, value: float, names: dict[str, str]) -> None:
    for k, name in enumerate(fit.names):
        assert fit.beta[k] == pytest.approx(float(rows.loc[name, "estimate"]), abs=1e-4)
        assert fit.se[k] == pytest.approx(float(rows.loc[name, "se"]), abs=1e-3)
    for factor, term in names.items():
        assert fit.sd[factor] == pytest.approx(float(rows.loc[term, "estimate"]), abs=1e-3)
    residual = float(rows.loc["sd:Residual:NA", "estimate"])
    assert fit.sd_residual == pytest.approx(residual, abs=1e-3)
    assert fit.log_likelihood == pytest.approx(value, abs=1e-6)
    assert fit.converged


@pytest.mark.parametrize("reml", [True, False], ids=["REML", "ML"])
def test_one_factor(gpl_data: Read, reference: Read, reml: bool) -> None:
    days = gpl_data("sleepstudy_lme4")
    rows, value = _published(
        reference, f"lmer {'REML' if reml else 'ML'} Reaction~Days+(1|Subject)"
    )
    fit = fit_mixed_means(
        days["Reaction"].to_numpy(),
        {"(Intercept)": np.ones(len(days)), "Days": days["Days"].to_numpy(float)},
        {"subject": days["Subject"].to_numpy()},
        reml=reml,
    )
    _check(fit, rows, value, {"subject": "sd:Subject:(Intercept)"})
    assert fit.n_levels == {"subject": 18}


def test_two_crossed_factors(gpl_data: Read, reference: Read) -> None:
    zones = gpl_data("penicillin_lme4")
    rows, value = _published(reference, "lmer REML diameter~1+(1|plate)+(1|sample)")
    fit = fit_mixed_means(
        zones["diameter"].to_numpy(),
        {"(Intercept)": np.ones(len(zones))},
        {"plate": zones["plate"].to_numpy(), "sample": zones["sample"].to_numpy()},
    )
    names = {"plate": "sd:plate:(Intercept)", "sample": "sd:sample:(Intercept)"}
    _check(fit, rows, value, names)


@pytest.mark.parametrize("reml", [True, False], ids=["REML", "ML"])
def test_gradient_agrees_with_differences(gpl_data: Read, reml: bool) -> None:
    zones = gpl_data("penicillin_lme4")
    groups = [np.unique(zones[name], return_inverse=True)[1] for name in ("plate", "sample")]
    x = np.column_stack([np.ones(144), np.random.default_rng(1).normal(size=144)])
    model = _Profile(zones["diameter"].to_numpy(float) - 23, x, groups, reml=reml)
    at = np.array([0.7, 1.3])
    npt.assert_allclose(model.gradient(at), approx_fprime(at, model.deviance, 1e-6), rtol=1e-4)


def test_no_spread_between_groups_is_found_at_zero() -> None:
    # Every group has the same four values, so that group means do not differ at all.
    y = np.tile([1.0, 2.0, 3.0, 4.0], 5)
    fit = fit_mixed_means(y, {"mean": np.ones(20)}, {"group": np.repeat(np.arange(5), 4)})
    assert fit.sd["group"] == 0
    assert fit.sd_residual == pytest.approx(y.std(ddof=1))
    assert fit.converged


def test_shifting_and_scaling_the_values_changes_nothing_else() -> None:
    rng = np.random.default_rng(2)
    group = np.repeat(np.arange(8), 5)
    y = rng.normal(0, 1, 40) + rng.normal(0, 1, 8)[group]
    plain, far = (
        fit_mixed_means(values, {"mean": np.ones(40)}, {"group": group})
        for values in (y, 1e6 + 1e-3 * y)
    )
    assert far.sd["group"] == pytest.approx(1e-3 * plain.sd["group"], rel=1e-5)
    assert far.beta[0] == pytest.approx(1e6 + 1e-3 * plain.beta[0])


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"groups": {}}, "one entry a row"),
        ({"values": np.arange(3.0)}, "one entry a row"),
        ({"fixed": {"a": np.ones(4), "b": np.ones(4)}}, "repeat each other"),
        ({"values": np.full(4, 50.0)}, "no residual"),
    ],
)
def test_faults(change: dict[str, Any], what: str) -> None:
    call: dict[str, Any] = {
        "values": np.array([1.0, 2.0, 4.0, 3.0]),
        "fixed": {"mean": np.ones(4)},
        "groups": {"listener": np.array([0, 0, 1, 1])},
    }
    call |= change
    with pytest.raises(ValueError, match=what):
        fit_mixed_means(call["values"], call["fixed"], call["groups"])
