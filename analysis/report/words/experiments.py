"""Sentences about experiments made of sound, about programmes, and about what was not compared."""

from __future__ import annotations

from analysis.report.words.conditions import Sentence, limit, name

__all__ = ["EXPERIMENTS"]

_TITLES = {
    "title.predictions": limit("Versions that nobody compared"),
    "title.regions": name("Which part of the spectrum"),
    "title.dose": name("Part of the way"),
    "title.second": name("And then"),
    "title.link_programmes": name("Measurement and choice by programme"),
}

_COLUMNS = {
    f"col.{key}": name(text)
    for key, text in {
        "figure_value": "Measured",
        "against": "Against",
        "share_expected": "Expected share",
        "p_above": "Chance of more than half",
        "region": "Region",
        "per_db": "For one dB (logits)",
        "recovered": "Share of the whole gain",
        "dose": "Part of the change",
        "programmes": "Programmes",
        "mean_spearman": "Mean rank correlation",
        "lowest": "Lowest",
        "highest": "Highest",
        "after": "After",
        "per_hundred": "Gain for {rule_hundred} units of cost",
        "per_hour": "Gain for an hour of labour",
    }.items()
}

_WORDS = {
    "pred.lead": limit(
        "Measured versions that nobody compared. A share is given only where the primary metric of "
        "a sealed plan passed its own test above, and only inside the range that was played; its "
        "interval holds the panel, the repeats of the measurement, the slope and the scatter of "
        "versions about the line."
    ),
    "pred.error": Sentence(
        "Leaving out one version at a time, the line misses its worth by {error} logits on average "
        "(root mean square)."
    ),
    "pred.declined": limit("No share for {stage}: {reason}"),
    "reg.lead": Sentence(
        "The versions take some regions of the spectrum from the one end of the change and the "
        "rest from the other, so that each region’s own effect can be told."
    ),
    "reg.caption": Sentence(
        "Points are the effect of changing one region, averaged over the others; bars are "
        "{rule_interval} intervals. At the dashed line nothing is gained."
    ),
    "reg.axis": name("Effect of the region (logits)"),
    "dose.lead": Sentence(
        "The versions go part of the way from {zero} to the whole change. Tests run from the "
        "largest part downwards and stop at the one that fails."
    ),
    "dose.caption": Sentence(
        "Right answers against {zero} with {rule_interval} intervals between listeners."
    ),
    "dose.axis": name("Right answers (%)"),
    "prog.lead": limit(
        "The same versions under several programmes are not more versions: they are shuffled in "
        "all programmes together. These figures are exploratory and adjusted together (Holm); the "
        "primary metric of a sealed plan is tested above."
    ),
    "up.second": Sentence(
        "What each further step gains once another is done, and in what share of the resampled "
        "panels it gains most."
    ),
}

EXPERIMENTS: dict[str, Sentence] = {**_TITLES, **_COLUMNS, **_WORDS}
