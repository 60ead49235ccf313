"""Sentences about what was measured: responses, deviations from the target, loudness, order."""

from __future__ import annotations

from analysis.report.words.conditions import (
    Sentence,
    limit,
    name,
)

__all__ = [
    "MEASURED",
]


MEASURED = {
    "resp.caption": Sentence(
        "Solid line: measured response, averaged over positions. Dashed line: target. Shaded "
        "frequencies: the band in which the measurement is valid. Pale ribbon: spread between "
        "positions (one standard deviation)."
    ),
    "resp.caption.no_target": Sentence(
        "Solid line: measured response, averaged over positions. Shaded frequencies: the band "
        "in which the measurement is valid. Pale ribbon: spread between positions (one standard "
        "deviation)."
    ),
    "resp.levels": Sentence(
        "Levels are as stored; only the shape matters here, since all versions are played at "
        "matched loudness."
    ),
    "resp.stage": Sentence("Valid from {low} to {high}; {positions}."),
    "resp.none": limit(
        "No measured responses came with these data, so this report cannot say what the "
        "versions do to the sound."
    ),
    "resp.axis.x": name("Frequency (Hz)"),
    "resp.axis.y": name("Level (dB)"),
    "resp.legend.measured": name("measured"),
    "resp.legend.target": name("target"),
    "dev.caption": Sentence(
        "Mean distance from the target by region, in dB. Plus means more than the target asks "
        "for, minus less. Cells of a stronger shade are further away."
    ),
    "dev.target": Sentence("Target: {target}."),
    "dev.none": limit("No deviation from a target was worked out for these data."),
    "dev.empty": name("outside the valid band"),
    "lev.lead": Sentence(
        "All versions of one programme were set to equal loudness in the declared model, to "
        "{rule_match_lu}\u00a0LU. Other models of loudness judge the same files a little "
        "differently."
    ),
    "lev.caption": Sentence(
        "Each mark is one version of one programme: how far it is from the common loudness by "
        "each model. Marks right of zero count as louder in that model."
    ),
    "lev.unjudged": limit(
        "What nobody was asked about is in the table of the data, not in the figure."
    ),
    "lev.warning": limit(
        "Loudness models disagree by more than {rule_models}\u00a0LU for: {stages}. Choices "
        "involving them may follow loudness and not tone alone; whether they do cannot be seen "
        "from these data."
    ),
    "lev.apart": limit(
        "The versions were set to equal loudness by one model. Another judges otherwise: by the "
        "{model}, {louder} is {apart} louder than {softer} with {programme}. Choices between them "
        "may follow loudness."
    ),
    "lev.claim": limit(
        "Condition: equal loudness by the declared model. By the {model}, {louder} is {apart} "
        "louder than {softer} with {programme}."
    ),
    "lev.agree": Sentence("The models agree within {rule_models}\u00a0LU for every stimulus."),
    "lev.single": limit("Only one loudness model was stored, so none could be compared."),
    "lev.none": limit("No level-match figures came with these data; loudness was not checked."),
    "lev.axis": name("Residual (LU)"),
    "lev.declared": name("declared model"),
    "model.a_weighted": name("A-weighted level"),
    "model.erb_sum": name("loudness sum over ERB bands"),
    "model.bs1770": name("BS.1770 loudness"),
    "aud.lead": limit(
        "Before anyone listened, the measured difference of each pair was held against published "
        "detection thresholds, programme by programme. Thresholds are averages over other people "
        "and other sounds: the answers decide, not the expectation."
    ),
    "aud.below": name("below"),
    "aud.near": name("near"),
    "aud.above": name("above"),
    "aud.as predicted": name("as expected"),
    "aud.heard against prediction": name("right more often than expected"),
    "aud.not shown against prediction": name("expected, not shown"),
    "aud.open before": name("open beforehand"),
    "sched.lead": Sentence(
        "How often each version of a pair was played first. Equal bars mean that order cannot "
        "favour one of them. Control trials are left out."
    ),
    "sched.none": limit("No schedule came with these data; balance of order was not checked."),
    "sched.axis": name("Trials played first"),
}
