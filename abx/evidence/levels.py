"""How far other models of loudness than the declared one set two versions apart."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stimuli.render.manifest import Manifest

__all__ = ["AGREE_LU", "versions_apart"]

AGREE_LU = 0.5
"""Models that set two versions no further apart agree that these are equally loud."""


def versions_apart(manifest: Manifest) -> list[dict[str, Any]]:
    """Find the pairs of versions that are equally loud in one model of loudness only.

    Parameters
    ----------
    manifest : Manifest
        The rendered set; anchors are left out.

    Returns
    -------
    list of dict
        Of each pair that some further model sets more than :data:`AGREE_LU` apart with some
        programme, where it is furthest apart: ``louder``, ``softer``, ``programme``, ``model`` and
        ``apart_lu``. Widest first.
    """
    anchors = {stage.id for stage in manifest.stages if stage.anchor}
    found: dict[frozenset[str], dict[str, Any]] = {}
    for programme in manifest.programmes:
        records = [
            record
            for record in manifest.stimuli
            if record.programme == programme.id and record.stage not in anchors
        ]
        for model in manifest.other_models:
            for one, other in combinations(records, 2):
                apart = one.other_models_db[model] - other.other_models_db[model]
                louder, softer = (one, other) if apart > 0 else (other, one)
                pair = frozenset((one.stage, other.stage))
                if abs(apart) > max(AGREE_LU, found.get(pair, {}).get("apart_lu", 0.0)):
                    found[pair] = {
                        "louder": louder.stage,
                        "softer": softer.stage,
                        "programme": programme.id,
                        "model": model,
                        "apart_lu": float(abs(apart)),
                    }
    return sorted(found.values(), key=lambda row: -float(row["apart_lu"]))
