"""Gather what a report and a reviewer need: plain data, no conclusions of its own."""

from __future__ import annotations

import dataclasses
import json
import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from abx.errors import InputError
from abx.evidence.conduct import conduct_block
from abx.evidence.levels import versions_apart
from abx.session.opening import sealed_design_claims
from abx.session.panels import open_sessions
from abx.sound.audibility import compare_audibility, predicted_audibility
from abx.sound.stages import stage_repeats, stage_tables
from abx.sound.stimuli import load_manifest, load_stages, manifest_hash, stimuli_check
from abx.study.model import target_curve
from abx.study.prices import labour_money, price_columns, whole_price
from abx.study.workspace import Area, Workspace
from abx.study_file.reading import load_study
from abx.text.shell import command_line
from stimuli.figures.deviation import compare_with_target
from stimuli.figures.metrics import stage_metrics
from stimuli.figures.repeats import stage_repeat_sds
from stimuli.response.measured import power_average

if TYPE_CHECKING:
    from abx.session.sitting import PanelStanding
    from abx.study.model import Stage, Study
    from stimuli.render.manifest import Manifest
    from stimuli.response.measured import Response, StageResponse
    from stimuli.response.target import Target

__all__ = ["collect_evidence", "software_versions", "stage_table"]

_PACKAGES = ("earwitness", "numpy", "scipy", "pandas", "statsmodels", "soundfile", "soxr")
_PLOT_BAND_HZ = (20.0, 20_000.0)


def stage_table(workspace: Workspace, study: Study) -> pd.DataFrame:
    """Return the stage table: one row a stage, factors, cost, deviation metrics.

    The column ``made`` tells experiments from stages that were measured; they have no cost. A price
    that the study file leaves out is an empty cell. Partial
    steps between two stages get their percentage as the factor ``dose``, unless the study file
    gives doses itself. Each metric stands beside its repeat SD (``..._repeat_sd``), so that a
    difference can be held against what measuring again would do.
    """
    target = target_curve(study, workspace.root)
    tables = stage_tables(workspace, study)
    doses = _doses(study)
    rows = []
    for stage in study.stages:
        row: dict[str, Any] = {
            "stage": stage.id,
            "label": stage.label,
            "made": "" if stage.made is None else stage.made.kind,
            **price_columns(study, stage),
        }
        row |= {f"factor_{name}": value for name, value in stage.factors.items()}
        row |= doses.get(stage.id, {})
        row |= _metrics(tables[stage.id], target, stage_repeats(workspace, stage))
        rows.append(row)
    return pd.DataFrame(rows)


def _doses(study: Study) -> dict[str, dict[str, str]]:
    """Return the factor ``dose`` of partial steps and of the two stages between which they lie.

    None where the study file gives doses itself, or where steps lie between several pairs.
    """
    partial = [(s.id, s.made) for s in study.stages if s.made and s.made.share is not None]
    pairs = {(made.base, made.other) for _, made in partial}
    if len(pairs) != 1 or any("dose" in stage.factors for stage in study.stages):
        return {}
    ((start, end),) = pairs
    shares = {stage: made.share for stage, made in partial} | {start: 0.0, end: 1.0}
    return {
        str(stage): {"factor_dose": f"{100 * share:g}"}
        for stage, share in shares.items()
        if share is not None
    }


def _metrics(
    tables: list[Response], target: Target, again: list[list[Response]]
) -> dict[str, float | None]:
    repeats = stage_repeat_sds(tables, target, repeats=again)
    row: dict[str, float | None] = {}
    for name, value in stage_metrics(power_average(tables), target).items():
        row[f"metric_{name}"] = value
        row[f"metric_{name}_repeat_sd"] = repeats[name]
    return row


def collect_evidence(
    workspace: Workspace, area: Area, *, database: str | None = None
) -> dict[str, Any]:
    """Collect everything the report shows, as plain JSON data.

    Parameters
    ----------
    workspace : Workspace
        The study.
    area : Area
        The panel: real or rehearsal. Its ``results.json`` must exist.
    database : str, optional
        Database URL when not the SQLite file of the study folder.

    Raises
    ------
    InputError
        If the panel has not been analysed.
    """
    results_file = area.result("results.json")
    if not results_file.is_file():
        raise InputError(
            source=str(results_file),
            problem="the answers have not been analysed",
            remedy=f"run '{command_line('report', workspace.root)}'",
        )
    results = json.loads(results_file.read_text(encoding="utf-8"))
    study = load_study(workspace)
    target = target_curve(study, workspace.root)
    stages = load_stages(workspace, study)
    manifest = load_manifest(workspace)
    sessions = open_sessions(workspace, area, database=database)
    try:
        standing = sessions.standing()
        conduct = conduct_block(
            sessions,
            study_sha256=study.sha256,
            manifest_sha256=manifest_hash(workspace.stimuli),
        )
        by_design = sealed_design_claims(sessions.store, study.sha256)
    finally:
        sessions.store.close()
    return {
        "study": _study_block(area, study, target, manifest, standing, by_design),
        "conduct": conduct,
        "responses": [_response_block(stage, r) for stage, r in stages.items()],
        "target": _target_block(target),
        "deviation": [_deviation_block(stage, r, target) for stage, r in stages.items()],
        "levels": _level_blocks(manifest),
        "level_apart": versions_apart(manifest),
        "level_check": stimuli_check(workspace),
        "schedule": _schedule_block(area),
        "results": results,
        "audibility": compare_audibility(
            predicted_audibility(workspace), results, alpha=study.plan.alpha
        ),
        "software": software_versions(),
        "hashes": {
            "study.toml": study.sha256,
            "stimuli/manifest.json": manifest_hash(workspace.stimuli),
        },
    }


def _study_block(
    area: Area,
    study: Study,
    target: Target,
    manifest: Manifest,
    standing: PanelStanding,
    by_design: Sequence[str],
) -> dict[str, Any]:
    return {
        "title": study.title,
        "note": study.note,
        "simulated": area.rehearsal,
        "target_name": target.name,
        "plan": _plain(study.plan)
        | {"claims": [*study.plan.claims, *by_design], "design_claims": list(by_design)},
        "prices": _plain(study.prices),
        "stages": [
            {
                "id": s.id,
                "label": s.label,
                "made": None if s.made is None else s.made.kind,
                **_price(study, s),
                "factors": dict(s.factors),
            }
            for s in study.stages
        ],
        "programmes": [{"id": p.id, "seconds": _seconds(manifest, p.id)} for p in study.programmes],
        "tests": [_plain(test) for test in study.tests],
        "seed_commitment": standing.seed_commitment,
        "seed": standing.seed,
        "state": standing.state,
        "n_sessions": standing.n_sessions,
    }


def _price(study: Study, stage: Stage) -> dict[str, float | None]:
    """Return what a stage takes, in parts and together; None where a part is not known."""
    return {
        "cost": stage.cost,
        "labour_h": stage.labour_h,
        "labour_cost": labour_money(study, stage),
        "total": whole_price(study, stage),
    }


def _plain(record: Any) -> dict[str, Any]:
    """Turn a frozen record of the study into JSON data."""
    names = [field.name for field in dataclasses.fields(record)]
    return {name: _plain_value(getattr(record, name)) for name in names}


def _plain_value(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain_value(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_plain_value(item) for item in value]
    return value


def _seconds(manifest: Manifest, programme: str) -> float | None:
    for record in manifest.stimuli:
        if record.programme == programme:
            return float(record.frames / record.sample_rate)
    return None


def _floats(values: NDArray[np.float64]) -> list[float]:
    return [float(v) for v in values]


def _response_block(stage_id: str, response: StageResponse) -> dict[str, Any]:
    return {
        "stage": stage_id,
        "f_hz": _floats(response.f_hz),
        "level_db": _floats(response.level_db),
        "spread_db": _floats(response.spread_db),
        "valid_low_hz": float(response.valid_low_hz),
        "valid_high_hz": float(response.valid_high_hz),
        "n_positions": response.n_positions,
    }


def _target_block(target: Target) -> dict[str, Any]:
    f_hz = np.geomspace(*_PLOT_BAND_HZ, 121)
    return {"name": target.name, "f_hz": _floats(f_hz), "level_db": _floats(target.level_at(f_hz))}


def _deviation_block(stage_id: str, response: StageResponse, target: Target) -> dict[str, Any]:
    result = compare_with_target(response, target)
    return {
        "stage": stage_id,
        "f_hz": _floats(result.f_hz),
        "deviation_db": _floats(result.deviation_db),
        "offset_db": float(result.offset_db),
        "sd_db": float(result.sd_db),
        "mean_abs_db": float(result.mean_abs_db),
        "tilt_db_per_octave": float(result.tilt_db_per_octave),
        "regions": {
            name: None if value is None or not np.isfinite(value) else float(value)
            for name, value in result.regions.items()
        },
    }


def _level_blocks(manifest: Manifest) -> list[dict[str, Any]]:
    return [
        {
            "stage": record.stage,
            "programme": record.programme,
            "loudness_after_lufs": record.loudness_after_lufs,
            "residual_lu": record.residual_lu,
            "true_peak_dbtp": record.true_peak_dbtp,
            "gain_db": record.gain_db,
            "residuals": dict(record.other_models_db),
        }
        for record in manifest.stimuli
    ]


def _schedule_block(area: Area) -> dict[str, Any]:
    """Count how often each pair was heard in each order, from the answers that are no controls."""
    trials = pd.read_csv(area.result("trials.csv"), keep_default_na=False, dtype=str)
    apart = (trials["stage_b"] != "") & (trials["stage_a"] != trials["stage_b"])
    heard = trials[apart & (trials["control"] == "")]
    pairs = []
    low = heard[["stage_a", "stage_b"]].min(axis=1)
    high = heard[["stage_a", "stage_b"]].max(axis=1)
    first = (heard["stage_a"] == low).astype(int)
    table = pd.DataFrame({"i": low, "j": high, "method": heard["method"], "first": first})
    for (method, i, j), group in table.groupby(["method", "i", "j"], sort=True):
        n_first = int(group["first"].sum())
        pairs.append(
            {"method": method, "pair": [i, j], "first": n_first, "second": len(group) - n_first}
        )
    programmes = trials["programme"].value_counts().sort_index()
    return {
        "pairs": pairs,
        "n_trials": len(heard),
        "programmes": {str(k): int(v) for k, v in programmes.items()},
    }


def software_versions() -> dict[str, str]:
    """Return the versions of everything that shapes a number."""
    versions = {"python": platform.python_version(), "platform": platform.system()}
    for package in _PACKAGES:
        try:
            versions[package] = version(package)
        except PackageNotFoundError:
            versions[package] = "not installed"
    return versions
