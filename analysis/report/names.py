"""Headings, columns and unit words: no sentences."""

from __future__ import annotations

from analysis.report.conditions import Sentence, limit, name

__all__ = ["NAMES"]

_TITLES = {
    f"title.{key}": name(text)
    for key, text in {
        "report": "Listening study",
        "short": "In short",
        "claims": "Claims",
        "preference": "Preference",
        "pairs": "Pair by pair",
        "researcher": "Researcher’s report",
        "reviewer": "Reviewer’s sheet",
        "customer": "Listening result",
        "card_first": "What to do first",
        "card_heard": "Which versions could be kept apart",
        "card_you": "How your ears did",
        "card_chosen": "What was chosen",
        "card_played": "What was played",
        "card_mind": "Keep in mind",
        "departures": "Plan and practice",
        "stages": "The versions",
        "upgrade": "What to do first",
        "order": "The whole order",
        "link": "Measurement and choice",
        "ratings": "Ratings",
        "power": "What this study could notice",
        "by_listener": "Listener by listener",
        "by_programme": "Programme by programme",
        "differences": "Do listeners and programmes agree?",
        "responses": "What was measured",
        "deviation": "Distance from the target",
        "levels": "Level match",
        "schedule": "Balance of order",
        "listeners": "The listeners",
        "methods": "Methods",
        "limits": "What this can and cannot say",
        "checks": "Versions, hashes and how to check again",
        "data": "Data (CSV)",
        "evidence": "evidence (JSON)",
        "note": "Note",
        "skip": "Skip to the result",
    }.items()
}

_PARTS = {
    f"part.{key}": name(key.capitalize())
    for key in ("summary", "methods", "results", "discussion", "availability")
}

_QUESTIONS = {"title.discrimination": limit("Told apart or not")}

_COLUMNS = {
    f"col.{key}": name(text)
    for key, text in {
        "stage": "Version",
        "pair": "Pair",
        "method": "Method",
        "programme": "Programme",
        "listener": "Listener",
        "log_worth": "Log-worth",
        "se": "Standard error (listeners)",
        "se_naive": "Standard error (single trials)",
        "interval": "95 % interval",
        "p_best": "Chance of being first",
        "wins": "Chosen",
        "losses": "Other chosen",
        "ties": "Ties",
        "share": "Share",
        "p": "p",
        "right": "Right",
        "answers": "Answers",
        "share_right": "Right (%)",
        "p_guess": "p (exact)",
        "p_listeners": "p (listeners)",
        "centred": "Worth (logits)",
        "trials": "Trials",
        "critical": "Needed",
        "dprime": "d′",
        "verdict": "Result",
        "sd": "SD (dB)",
        "mean_abs": "Mean distance (dB)",
        "tilt": "Tilt (dB per octave)",
        "loudness": "Loudness (LUFS)",
        "residual": "Residual (LU)",
        "peak": "True peak (dBTP)",
        "gain": "Gain (dB)",
        "first": "First-named played first",
        "second": "Second-named played first",
        "check": "Check",
        "outcome": "Outcome",
        "figure": "Figure",
        "limit": "Limit",
        "cost": "Cost",
        "labour": "Labour",
        "what": "What",
        "value": "Value",
        "claim": "Claim",
        "test": "Test",
        "estimate": "Estimate",
        "p_holm": "p (Holm)",
        "id": "Id",
        "factors": "Parts",
        "step": "Step",
        "p_first": "Chance of gaining most",
        "gain_worth": "Gain (logits)",
        "per_cost": "Gain per cost unit",
        "metric": "Metric",
        "sd_listeners": "SD between listeners (logits)",
        "share_first": "Listeners with it first",
        "n_stages": "Stages",
        "slope": "Slope",
        "pairs_agree": "Pairs that agree",
        "se_plain": "Standard error",
        "spearman": "Rank correlation",
        "p_permutation": "p (permutation)",
        "p_lack": "p (lack of fit)",
        "true_size": "True size",
        "power": "Chance to notice, as run",
        "difference": "Difference",
        "with_all": "With all",
        "without": "Without",
        "median": "Median",
        "quartiles": "Quartiles",
        "mean": "Mean",
        "repeats": "Repeats",
        "agree": "Answered alike",
        "identical": "Same-pair controls",
        "obvious": "Obvious controls",
        "circular": "Circular triads",
        "zeta": "Consistence",
    }.items()
}

_METRICS = {
    "metric.deviation_sd_db": name("Deviation from the target, SD (dB)"),
    "metric.deviation_mean_abs_db": name("Mean distance from the target (dB)"),
    "metric.deviation_tilt_db_per_octave": name("Tilt against the target (dB per octave)"),
}

_UNITS = {
    f"unit.{key}": name(text)
    for key, text in {
        "version": "version",
        "versions": "versions",
        "time": "time",
        "times": "times",
        "question": "question",
        "questions": "questions",
        "listener": "listener",
        "listeners": "listeners",
        "trial": "trial",
        "trials": "trials",
        "answer": "answer",
        "answers": "answers",
        "stage": "stage",
        "stages": "stages",
        "programme": "programme",
        "programmes": "programmes",
        "test": "test",
        "tests": "tests",
        "position": "position",
        "positions": "positions",
        "half": "half",
    }.items()
}

NAMES: dict[str, Sentence] = {**_TITLES, **_PARTS, **_QUESTIONS, **_COLUMNS, **_METRICS, **_UNITS}
