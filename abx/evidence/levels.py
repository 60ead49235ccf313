"""How far other models of loudness than the declared one set two versions apart."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from stimuli.render.manifest import MODELS_AGREE_DB, Manifest, levels_by_model

__all__ = ["versions_apart"]


def versions_apart(manifest: Manifest) -> list[dict[str, Any]]:
    """Find the pairs of versions that are equally loud in one model of loudness only.

    Parameters
    ----------
    manifest : Manifest
        The rendered set; anchors are left out.

    Returns
    -------
    list of dict
        Of each pair that some further model sets more than
        :data:`stimuli.render.manifest.MODELS_AGREE_DB` apart with some programme, where it is
        furthest apart: ``louder``, ``softer``, ``programme``, ``model`` and ``apart_lu``. Widest
        first.
    """
    found: dict[frozenset[str], dict[str, Any]] = {}
    for programme, model, levels in levels_by_model(manifest):
        for pair in combinations(levels, 2):
            softer, louder = sorted(pair, key=lambda stage: levels[stage])
            apart = float(levels[louder] - levels[softer])
            widest = found.get(frozenset(pair), {"apart_lu": MODELS_AGREE_DB})["apart_lu"]
            if apart > widest:
                found[frozenset(pair)] = {
                    "louder": louder,
                    "softer": softer,
                    "programme": programme,
                    "model": model,
                    "apart_lu": apart,
                }
    return sorted(found.values(), key=lambda row: -float(row["apart_lu"]))
