"""Judging claims again by part of the answers, or with other weights, as cheaply as can be."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.claims.hearing import obvious_controls
from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.dprime import CHANCE
from analysis.hearing.pair_cells import PairCells
from analysis.link.block import Link
from analysis.panels.multiplicity import holm
from analysis.panels.panel import panel_proportion
from analysis.panels.proportions import discriminators
from analysis.panels.smallest_effect import TOO_SMALL
from analysis.preference.fit import Preference, preference_of
from analysis.robustness.contributions import hearing_limit
from analysis.tables.counts import PairCounts, split_pair_counts
from analysis.tables.stages import StageTable

__all__ = ["HEARING", "Judge", "LinksOf"]

HEARING = ("hear", "similar")
LinksOf = Callable[[Preference | None], Sequence[Link]]
Rows = list[dict[str, Any]]


class Judge:
    """Judges the claims of some rows by part of the answers, each part once.

    Parameters
    ----------
    rows : sequence of mapping
        From :func:`analysis.claims.judge.judge_claims`.
    heard, groups, stages, alpha
        As they were given there; answers with their `trials`.
    links_of : callable or None
        Holds the metrics against a fitted preference, as was done for `heard`.
    """

    def __init__(
        self,
        rows: Sequence[Mapping[str, Any]],
        heard: Heard,
        groups: Mapping[str, Heard],
        stages: StageTable | None,
        alpha: float,
        links_of: LinksOf | None,
    ) -> None:
        self.rows, self.heard, self.groups = rows, heard, groups
        self.texts = [row["text"] for row in rows]
        self.stages, self.alpha, self.links_of = stages, alpha, links_of
        self.kinds = {row["kind"] for row in rows}
        declared = [row["smallest_effect"] for row in rows if row.get("smallest_effect")]
        self.smallest_effect = declared[0] if declared else None
        self._kept: dict[tuple[frozenset[str], str | None], Rows] = {}
        self._split: dict[int, dict[str, PairCounts]] = {}

    def answers_of(self, row: Mapping[str, Any]) -> Heard | None:
        """Return the answers that a row rests on."""
        return self.heard if row["who"] is None else self.groups.get(row["who"])

    def listeners_of(self, row: Mapping[str, Any]) -> set[str]:
        """Return the listeners whose answers a row rests on."""
        heard = self.answers_of(row)
        if heard is None:
            return set()
        if row["kind"] in HEARING:
            return {str(n) for g in asked_cells(row, heard) for n in g.cells["listener"].unique()}
        return set() if heard.preference is None else set(heard.preference.counts.listeners)

    def without(self, listeners: Sequence[str] = (), programme: str | None = None) -> Rows:
        """Return the rows without some listeners or without a programme."""
        key = frozenset(listeners), programme
        if key not in self._kept:
            self._kept[key] = self._judged(
                self._part(self.heard, *key),
                {name: self._part(group, *key) for name, group in self.groups.items()},
            )
        return self._kept[key]

    def every_answer(self) -> Rows:
        """Return the rows with every answer counting once."""
        whole = self._judged(
            self._recounted(self.heard),
            {name: self._recounted(group) for name, group in self.groups.items()},
        )
        for row in whole:
            answers = self.answers_of(row)
            if row["kind"] in HEARING and answers is not None and row["n_listeners"]:
                row |= _over_trials(row, asked_cells(row, answers)[0])
        adjusted = holm(np.array([row["p_value"] for row in whole], dtype=float))
        for row, p in zip(whole, adjusted, strict=True):
            decided = row["direction"] != 0 and p <= row["alpha"]
            side = "supported" if row["direction"] > 0 else "contradicted"
            if row.get("matters") == "no":
                side = TOO_SMALL
            row |= {"p_holm": float(p), "verdict": side if decided else "undecided"}
        return whole

    def _judged(self, heard: Heard, groups: Mapping[str, Heard]) -> Rows:
        return judge_claims(
            self.texts,
            heard,
            groups=groups,
            stages=self.stages,
            alpha=self.alpha,
            smallest_effect=self.smallest_effect,
        )

    def _recounted(self, heard: Heard) -> Heard:
        counts = None if heard.preference is None else heard.preference.counts
        return self._with(heard, heard.cells, counts, heard.controls, every_answer=True)

    def _part(self, heard: Heard, listeners: frozenset[str], programme: str | None) -> Heard:
        kept = (_cells_without(g, listeners, programme) for g in heard.cells if self._needed(g))
        cells = [group for group in kept if len(group.cells)]
        counts = None if heard.preference is None else heard.preference.counts
        if programme is not None and counts is not None:
            by_programme = self._by_programme(heard)
            if programme in by_programme:
                rest = counts.counts - by_programme[programme].counts
                counts = replace(counts, counts=rest)
        if counts is not None:
            counts = _counts_without(counts, listeners)
        return self._with(heard, cells, counts, self._controls(heard, listeners, programme))

    def _by_programme(self, heard: Heard) -> dict[str, PairCounts]:
        """Return the paired answers of each programme, split once for all that are left out."""
        if heard.trials is None:
            return {}
        if id(heard) not in self._split:
            paired = heard.trials.of("paired")
            self._split[id(heard)] = split_pair_counts(paired, by="programme")
        return self._split[id(heard)]

    def _needed(self, group: PairCells) -> bool:
        if "neither" in self.kinds:
            # Any pair that they told apart vouches for the panel.
            return True
        pair = set(group.pair)
        return any(row["kind"] in HEARING and set(row["stages"]) == pair for row in self.rows)

    def _controls(self, heard: Heard, listeners: frozenset[str], programme: str | None) -> Any:
        if heard.trials is None or not self.kinds & {"similar", "neither"}:
            return heard.controls
        frame = heard.trials.frame
        out = frame["listener"].isin(listeners)
        if programme is not None:
            out |= frame["programme"] == programme
        return obvious_controls(frame.loc[~out])

    def _with(
        self,
        heard: Heard,
        cells: Sequence[PairCells],
        counts: PairCounts | None,
        controls: Any,
        *,
        every_answer: bool = False,
    ) -> Heard:
        preference: Preference | None = None
        if counts is not None and self.kinds - {*HEARING, "one hears"}:
            main = None if heard.preference is None else heard.preference.main
            wanted = None if main is None else main.reference
            preference = preference_of(
                counts,
                reference=wanted if wanted in counts.stages else None,
                n_draws=0,
                every_answer=every_answer,
            )
        links = heard.links
        if "orders" in self.kinds and links and self.links_of is not None:
            links = self.links_of(preference)
        return Heard(cells, preference, controls, links)


def asked_cells(row: Mapping[str, Any], heard: Heard) -> list[PairCells]:
    """Return the forced choices that a row rests on."""
    pair = set(row["stages"])
    return [g for g in heard.cells if set(g.pair) == pair and g.method == row["method"]]


def _cells_without(group: PairCells, listeners: frozenset[str], programme: str | None) -> PairCells:
    keep = ~group.cells["listener"].isin(listeners)
    if programme is not None:
        keep &= group.cells["programme"] != programme
    return replace(group, cells=group.cells.loc[keep])


def _counts_without(counts: PairCounts, listeners: frozenset[str]) -> PairCounts | None:
    """Return the answers of the others, without stages and pairs that nobody else compared."""
    keep = np.array([name not in listeners for name in counts.listeners])
    rest = counts.counts[keep]
    cells = rest.sum(axis=(0, 2)) > 0
    if not cells.any():
        return None
    stages = np.union1d(counts.first[cells], counts.second[cells])
    names = tuple(n for n, yes in zip(counts.listeners, keep, strict=True) if yes)
    part = PairCounts(
        counts.stages, names, counts.first[cells], counts.second[cells], rest[:, cells]
    )
    return part.only([int(k) for k in stages])


def _over_trials(row: Mapping[str, Any], group: PairCells) -> dict[str, Any]:
    """Return the figures of a claim about hearing with every answer counting once."""
    right, asked = group.counts
    if not asked.any():
        # No rule tells hearing from a habit in these trials; the claim was left open.
        return {}
    chance, margin, limit = CHANCE[group.method], row.get("margin"), hearing_limit(row)
    confidence = 0.95 if margin is None else 0.9
    above = panel_proportion(right, asked, chance=limit, confidence=confidence, every_answer=True)
    numbers = {"estimate": above.estimate, "ci_low": above.ci_low, "ci_high": above.ci_high}
    if margin is None:
        return numbers | {"p_value": above.p_value}
    below = panel_proportion(asked - right, asked, chance=1 - limit, every_answer=True)
    scaled = {key: float(discriminators(v, chance=chance)) for key, v in numbers.items()}
    side = 1 if below.p_value < above.p_value else -1
    # Whether controls would vouch for not hearing is known only where the verdict leant that way.
    held = row["direction"] == 0 or side > row["direction"]
    return scaled | {
        "p_value": min(below.p_value, above.p_value),
        "direction": 0 if held else side,
    }
