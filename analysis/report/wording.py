"""Every sentence a report can say, each with the condition under which it may be said.

Templates hold no prose and sections build none: they ask for a sentence by key, and
:func:`say` refuses one whose condition does not hold. Guarded words (prefer, hear,
"no difference", significant, predict, best, told apart) assert something about
listeners; :data:`GUARDS` names what must be true before a finding may use them, and the
tests try every sentence against every combination of facts.

``{people}`` becomes "listeners" or "simulated listeners". ``use`` says what kind of
sentence it is: ``finding`` asserts a result, ``limit`` says what is not known or what was
asked, ``name`` is a heading or a column, ``fact`` describes procedure or measurement.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from markupsafe import Markup

from analysis.report.numbers import rule

__all__ = [
    "GUARDS",
    "RULES",
    "SENTENCES",
    "Condition",
    "Facts",
    "Sentence",
    "WordingError",
    "first_allowed",
    "guarded_words",
    "say",
]

# Limits of the report itself. Sources: the ratio of draws that counts as sure or likely is
# this project's convention; the 0.5 dB between loudness models and the six stages are fixed
# in the project's design; 85 dBA, 8 h and 3 dB are the NIOSH recommended exposure limit
# (NIOSH publication 98-126, 1998).
SURE, LIKELY = 0.95, 0.80
MODELS_DISAGREE_LU = 0.5
STAGES_FOR_LINK = 6
RULES: dict[str, Markup] = {
    "rule_sure": rule(SURE, "percent"),
    "rule_likely": rule(LIKELY, "percent"),
    "rule_models": rule(MODELS_DISAGREE_LU),
    "rule_six": rule(STAGES_FOR_LINK, "count"),
    "rule_dba": rule(85, "count"),
    "rule_rel_h": rule(8, "count"),
    "rule_exchange_db": rule(3, "count"),
    "rule_interval": rule(0.95, "percent"),
    "rule_match_lu": rule(0.1),
    "rule_filter_db": rule(0.3),
    "rule_peak": rule(-1.0, "count"),
    "rule_half": rule(0.5, "percent"),
}


class WordingError(RuntimeError):
    """A sentence was asked for without its condition being met: a fault of the program."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the evidence allows a sentence to assume.

    Attributes
    ----------
    simulated : bool
        Any simulated listener took part.
    claim : str or None
        Kind of the claim spoken about: ``hear``, ``prefer``, ``most``, ``same``, ``other``.
    verdict : str or None
        ``supported``, ``contradicted``, ``undecided``.
    p_best, step_p_best : float or None
        Probability of being the best liked stage, or the best first step.
    claim_open : bool
        The plan claims that this stage is liked most, and the claim was not supported: then no
        sentence may call it best, whatever its probability.
    p_value, alpha : float or None, float
        The test of one pair and its level.
    n_stages : int
        Stages behind a link between measurement and choices.
    link_passed : bool
        The link's own test was passed.
    control_passed : bool
        The obvious control trials were passed by the panel.
    """

    simulated: bool = False
    claim: str | None = None
    verdict: str | None = None
    p_best: float | None = None
    step_p_best: float | None = None
    claim_open: bool = False
    p_value: float | None = None
    alpha: float = 0.05
    n_stages: int = 0
    link_passed: bool = False
    control_passed: bool = False


@dataclass(frozen=True, slots=True)
class Condition:
    """A named condition on the facts."""

    words: str
    holds: Callable[[Facts], bool]


def _at_least(value: float | None, limit: float) -> bool:
    return value is not None and value >= limit


def _claims(kind: str, verdict: str = "supported") -> Callable[[Facts], bool]:
    return lambda f: f.claim == kind and f.verdict == verdict


def _below_alpha(f: Facts) -> bool:
    return f.p_value is not None and f.p_value < f.alpha


def _link(f: Facts) -> bool:
    return f.link_passed and f.n_stages >= STAGES_FOR_LINK


ALWAYS = Condition("always", lambda f: True)
REHEARSAL = Condition("listeners were simulated", lambda f: f.simulated)
SUPPORTED = Condition("the claim is supported", lambda f: f.verdict == "supported")
CONTRADICTED = Condition("the claim is contradicted", lambda f: f.verdict == "contradicted")
UNDECIDED = Condition("the claim is undecided", lambda f: f.verdict == "undecided")
PREFER_SHOWN = Condition("a claim 'prefer I over J' is supported", _claims("prefer"))
MOST_SHOWN = Condition("a claim 'prefer I most' is supported", _claims("most"))
HEAR_SHOWN = Condition("a claim 'hear I from J' is supported", _claims("hear"))
SAME_SHOWN = Condition(
    "an equivalence claim is supported and the obvious control was passed",
    lambda f: f.claim == "same" and f.verdict == "supported" and f.control_passed,
)
STEP_SURE = Condition("best first step in 95 % of draws", lambda f: _at_least(f.step_p_best, SURE))
STEP_LIKELY = Condition("in 80 % of draws", lambda f: _at_least(f.step_p_best, LIKELY))
STEP_OPEN = Condition("in fewer than 80 %", lambda f: not _at_least(f.step_p_best, LIKELY))
BEST_SURE = Condition(
    "best liked in 95 % of draws and no claim to it left open",
    lambda f: _at_least(f.p_best, SURE) and not f.claim_open,
)
BEST_LIKELY = Condition("in 80 % of draws", lambda f: _at_least(f.p_best, LIKELY))
BEST_OPEN = Condition("in fewer than 80 %", lambda f: not _at_least(f.p_best, LIKELY))
TOLD_APART = Condition("the exact test of the pair is below alpha", _below_alpha)
NOT_TOLD_APART = Condition("the exact test is not below alpha", lambda f: not _below_alpha(f))
LINK_SHOWN = Condition("six stages or more and the link's test passed", _link)
FEW_STAGES = Condition("fewer than six stages", lambda f: f.n_stages < STAGES_FOR_LINK)
NO_LINK = Condition("six stages, link not shown", lambda f: f.n_stages >= 6 and not _link(f))

_USES = ("finding", "limit", "name", "fact")


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence with its condition and its kind."""

    text: str
    when: Condition = ALWAYS
    use: str = "fact"


# A finding may use the word only if its own condition implies this one.
GUARDS: dict[str, tuple[re.Pattern[str], Callable[[Facts], bool]]] = {
    "prefer": (
        re.compile(r"\b(prefer|prefers|preferred|best liked)\b", re.I),
        lambda f: (
            PREFER_SHOWN.holds(f)
            or MOST_SHOWN.holds(f)
            or CONTRADICTED.holds(f)
            or BEST_LIKELY.holds(f)
        ),
    ),
    "hear": (
        re.compile(r"\b(hear|hears|heard|audible|told apart|tell apart)\b", re.I),
        lambda f: HEAR_SHOWN.holds(f) or _below_alpha(f) or CONTRADICTED.holds(f),
    ),
    "no difference": (
        re.compile(r"\b(no difference|the same as|identical|equivalent)\b", re.I),
        SAME_SHOWN.holds,
    ),
    "significant": (re.compile(r"\bsignifican", re.I), _below_alpha),
    "predict": (re.compile(r"\b(predict\w*|forecast\w*)\b", re.I), _link),
    "best": (
        re.compile(r"\b(best|first step|winner|favou?rite)\b", re.I),
        lambda f: (
            BEST_LIKELY.holds(f)
            or STEP_LIKELY.holds(f)
            or PREFER_SHOWN.holds(f)
            or MOST_SHOWN.holds(f)
        ),
    ),
}


def guarded_words(text: str) -> list[str]:
    """Return the names of the guards whose words stand in ``text``."""
    return [name for name, (pattern, _) in GUARDS.items() if pattern.search(text)]


def say(key: str, facts: Facts, /, **values: object) -> Markup:
    """Write sentence ``key``; values that are not markup are escaped.

    Raises
    ------
    WordingError
        If the condition of the sentence does not hold.
    """
    sentence = SENTENCES[key]
    if not sentence.when.holds(facts):
        raise WordingError(f"{key} needs: {sentence.when.words}")
    people = "simulated listeners" if facts.simulated else "listeners"
    return Markup(sentence.text).format(
        people=people, People=people.capitalize(), **RULES, **values
    )


def first_allowed(keys: tuple[str, ...], facts: Facts, /, **values: object) -> Markup:
    """Write the first of ``keys`` whose condition holds.

    Raises
    ------
    WordingError
        If none does.
    """
    for key in keys:
        if SENTENCES[key].when.holds(facts):
            return say(key, facts, **values)
    raise WordingError(f"none of {', '.join(keys)} may be said")


def _finding(text: str, when: Condition) -> Sentence:
    return Sentence(text, when, "finding")


def _limit(text: str, when: Condition = ALWAYS) -> Sentence:
    return Sentence(text, when, "limit")


def _name(text: str) -> Sentence:
    return Sentence(text, use="name")


_HEADLINE = {
    "mark.simulated": Sentence("SIMULATED REHEARSAL", REHEARSAL, "name"),
    "head.rehearsal": _limit(
        "Rehearsal: the answers come from simulated listeners. Nothing on this page is evidence "
        "about people.",
        REHEARSAL,
    ),
    "head.in_rehearsal": Sentence("In this rehearsal:", REHEARSAL, "name"),
    "head.open": _limit(
        "This study is still open. The results below can change until it is closed, and looking "
        "early makes a lucky result more likely."
    ),
    "head.step_sure": _finding("Do {step} first.", STEP_SURE),
    "head.step_likely": _finding("{step} looks like the best first step.", STEP_LIKELY),
    "head.step_open": _limit("No single first step stands out yet.", STEP_OPEN),
    "head.step_how_sure": _finding(
        "How sure: {step} came out as the best first step in {p} of the re-draws of this panel.",
        STEP_LIKELY,
    ),
    "head.step_not_sure": _limit(
        "How sure: {step} leads, but came out as the best first step in only {p} of the re-draws "
        "of this panel. That is too little to build on.",
        STEP_OPEN,
    ),
    "head.before": _finding("Do {better} before {worse}.", PREFER_SHOWN),
    "head.before_how_sure": _finding(
        "Played blind and at matched loudness, {people} prefer {better} over {worse}.",
        PREFER_SHOWN,
    ),
    "head.best_sure": _finding("{best} came out best.", BEST_SURE),
    "head.best_likely": _finding("{best} is in front, but not settled.", BEST_LIKELY),
    "head.best_open": _limit("No clear winner yet.", BEST_OPEN),
    "head.best_how_sure": _finding(
        "How sure: the chance that {best} is really the best liked of the {n} versions is {p}, "
        "with the differences between {people} taken into account.",
        BEST_LIKELY,
    ),
    "head.best_not_sure": _limit(
        "How sure: {best} leads, but its chance of being the true favourite of the {n} versions "
        "is only {p}. That is too little to build on.",
        BEST_OPEN,
    ),
    "head.best_claim_open": _limit(
        "The claim that it is liked most did not pass its own, stricter test, so it is not settled."
    ),
    "head.no_order": _limit(
        "Which single step to take first was not worked out from these data; the order of the "
        "versions is not yet an order of work."
    ),
    "head.heard": _finding("{People} can hear {first} from {second}.", HEAR_SHOWN),
    "head.apart_some": _finding("At least one pair was told apart by ear.", TOLD_APART),
    "head.apart_none": _limit(
        "These answers do not show that any pair can be told apart by ear.", NOT_TOLD_APART
    ),
    "head.ratings_only": _limit("Ratings were gathered; no claim rests on them here."),
    "head.no_answers": _limit("Measurements only: no listener has answered yet."),
    "head.panel": Sentence("Based on {trials} from {panel}."),
    "head.cost": Sentence("Cost entered for {stage}: {cost}. Labour entered: {hours}."),
    "head.cost_only": Sentence("Cost entered for {stage}: {cost}."),
    "head.scope": _limit(
        "This holds for tonal balance played through filters, for this music and these "
        "{people} only."
    ),
    "head.claims": _name("The claims of this study"),
}

_CLAIMS = {
    "claim.supported": Sentence("Supported", SUPPORTED, "name"),
    "claim.contradicted": Sentence("Contradicted", CONTRADICTED, "name"),
    "claim.undecided": Sentence("Undecided", UNDECIDED, "name"),
    "claim.unknown": _name("Not judged"),
    "claim.supported.words": Sentence("The answers back this claim.", SUPPORTED),
    "claim.contradicted.words": Sentence("The answers speak against this claim.", CONTRADICTED),
    "claim.undecided.words": _limit("The answers do not settle this claim.", UNDECIDED),
    "claim.unknown.words": _limit("No verdict was given for this claim; it is not judged here."),
    "claim.undecided.note": _limit(
        "Undecided is not the same as no difference: the study could not tell.", UNDECIDED
    ),
    "claim.none": _limit("The plan declared no claims, so none is judged here."),
    "claim.test": Sentence("Test: {test}."),
    "claim.statistic": Sentence("Statistic: {value}."),
    "claim.estimate.right": Sentence("Right answers: {value}."),
    "claim.estimate.worth": Sentence("Difference of log-worths: {value}."),
    "claim.estimate.plain": Sentence("Estimate: {value}."),
    "claim.p_value": Sentence("p: {value}."),
    "claim.p_holm": Sentence("p allowing for all claims (Holm): {value}."),
    "claim.panel": Sentence("({panel})"),
    "claim.interval": Sentence("{rule_interval} interval: {bounds}."),
    "claim.needs": Sentence("To decide it: {needs}"),
    "claim.alpha": Sentence("All claims were tested at the level {alpha} that the plan set."),
    "claim.rehearsal": _limit(
        "These verdicts are about simulated listeners and show only that the procedure works.",
        REHEARSAL,
    ),
}

_PREFERENCE = {
    "pref.lead": Sentence(
        "Each pair of versions was played blind and at matched loudness, and the listener chose "
        "one. From all choices each version gets a worth: the higher, the more often it was "
        "chosen over the others."
    ),
    "pref.map": Sentence(
        "Further right means chosen more often. Where bars overlap widely, the order of two "
        "versions is not settled."
    ),
    "pref.map.line_mean": Sentence("The dashed line is the mean of all versions."),
    "pref.map.line_reference": Sentence("The dashed line is the reference, {reference}."),
    "pref.map.bars_ci": Sentence("Bars: {rule_interval} intervals, listeners as the unit."),
    "pref.map.bars_se": Sentence(
        "Bars: one standard error either way, listeners as the unit; an interval of "
        "{rule_interval} is about twice as long."
    ),
    "pref.pairs": Sentence(
        "Each point is the share of choices that went to the first-named version; bars are "
        "{rule_interval} Wilson intervals over single choices. At the dashed line both were "
        "chosen equally often."
    ),
    "pref.pairs.note": _limit(
        "The pair intervals treat every choice as if it came from a new person and are therefore "
        "too narrow; the worths above and the claims treat the listener as the unit and count "
        "for decisions."
    ),
    "pref.order": Sentence(
        "Effect of being played first: {estimate} on the log scale (standard error {se}); "
        "above zero means that the first version gained."
    ),
    "pref.fit": Sentence("Fit of the model: deviance {deviance} on {df} degrees of freedom."),
    "pref.fit_p": Sentence(
        "Fit of the model: deviance {deviance} on {df} degrees of freedom (p: {p})."
    ),
    "pref.equal": Sentence(
        "Test that all versions are liked alike, listeners as the unit: p: {p}."
    ),
    "pref.ties": Sentence("{ties} without a choice, counted as ties."),
    "pref.none": _limit(
        "No paired choices were gathered, so this report cannot say which version people like more."
    ),
    "pref.axis": _name("Log-worth (logits)"),
    "pref.axis.centred": _name("Log-worth against the mean (logits)"),
    "pref.share_axis": _name("Share of choices for the first-named version (%)"),
}

_DISCRIMINATION = {
    "disc.lead": Sentence(
        "Can the versions be kept apart blind? A listener who only guesses gets {chance} of the "
        "answers right on average."
    ),
    "disc.lead_mixed": Sentence(
        "Can the versions be kept apart blind? The dashed mark shows what guessing alone gives "
        "for each method."
    ),
    "disc.caption": Sentence(
        "Points are the share of right answers, bars its exact {rule_interval} interval; the "
        "dashed mark is guessing."
    ),
    "disc.caption.panel": Sentence(
        "Points are the share of right answers, bars its {rule_interval} interval with the "
        "listener as the unit; the dashed mark is guessing."
    ),
    "disc.caption.critical": Sentence(
        "The cross-bar marks the smallest share of right answers that guessing reaches too "
        "rarely for the level of the test."
    ),
    "disc.apart": _finding("told apart", TOLD_APART),
    "disc.not_shown": _limit("not shown", NOT_TOLD_APART),
    "disc.note": _limit(
        "“Not shown” does not mean that the two sound alike; it means that this many trials "
        "could not tell."
    ),
    "disc.pooled": _limit(
        "Counts are pooled over {people}. The exact test asks only whether anyone did better "
        "than guessing; it does not say how many can."
    ),
    "disc.per_pair": Sentence("{panel} a pair"),
    "disc.panel": Sentence(
        "The last column rests on the test between listeners; with a small panel the larger of "
        "both p-values counts."
    ),
    "disc.none": _limit(
        "No discrimination trials were gathered, so this report cannot say which versions "
        "people can tell apart."
    ),
    "disc.axis": _name("Right answers (%)"),
}

_MEASURED = {
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
    "resp.none": _limit(
        "No measured responses came with these data, so this report cannot say what the "
        "versions do to the sound."
    ),
    "resp.axis.x": _name("Frequency (Hz)"),
    "resp.axis.y": _name("Level (dB)"),
    "resp.legend.measured": _name("measured"),
    "resp.legend.target": _name("target"),
    "dev.lead": Sentence(
        "Mean distance from the target by region, in dB. Plus means more than the target asks "
        "for, minus less. Darker cells are further away."
    ),
    "dev.lead_target": Sentence("Target: {target}."),
    "dev.none": _limit("No deviation from a target was worked out for these data."),
    "dev.empty": _name("outside the valid band"),
    "lev.lead": Sentence(
        "All versions of one programme were set to equal loudness in the declared model, to "
        "{rule_match_lu} LU. Other models of loudness judge the same files a little "
        "differently."
    ),
    "lev.caption": Sentence(
        "Each mark is one version of one programme: how far it is from the common loudness by "
        "each model. Marks right of zero count as louder in that model."
    ),
    "lev.warning": _limit(
        "Loudness models disagree by more than {rule_models} LU for: {stages}. Choices involving "
        "them may follow loudness and not tone alone; whether they do cannot be seen from these "
        "data."
    ),
    "lev.agree": Sentence("The models agree within {rule_models} LU for every stimulus."),
    "lev.single": _limit("Only one loudness model was stored, so none could be compared."),
    "lev.none": _limit("No level-match figures came with these data; loudness was not checked."),
    "lev.axis": _name("Residual (LU)"),
    "lev.declared": _name("declared model"),
    "sched.lead": Sentence(
        "How often each version of a pair was played first. Equal bars mean that order cannot "
        "favour one of them."
    ),
    "sched.none": _limit("No schedule came with these data; balance of order was not checked."),
    "sched.axis": _name("Trials played first"),
}

_LISTENERS = {
    "rel.lead": Sentence(
        "How steady each listener was: repeated questions answered alike, control questions "
        "passed, and choices that run in a circle."
    ),
    "rel.u": Sentence("Agreement within the panel (Kendall’s u): {u}."),
    "rel.note": _limit(
        "Nobody is left out because of this table unless the plan set a rule for it beforehand."
    ),
    "rel.none": _limit("No repeats or controls were found, so steadiness was not checked."),
}

_METHODS = {
    "meth.design": Sentence(
        "{title} compared {stages} on {programmes}, with {tests} declared in the plan."
    ),
    "meth.design_bare": Sentence("These data hold {trials} from {panel}."),
    "meth.plan_listeners": Sentence("The plan asked for {listeners}; {panel} took part."),
    "meth.stopping": Sentence("Stopping rule: {rule}."),
    "meth.metric": Sentence("Primary metric declared beforehand: {metric}."),
    "meth.alpha": Sentence("Level of the tests: {alpha}."),
    "meth.test": Sentence("Test: {method}, {trials} per pair and listener."),
    "meth.test_bare": Sentence("Test: {method}."),
    "meth.blind": Sentence(
        "Versions carried no names; their order was drawn by the sealed schedule, whose seed "
        "was committed by hash before the first trial."
    ),
    "meth.render": Sentence(
        "Versions were made by filtering the same excerpts with the measured responses, matched "
        "in loudness within each programme, with one common headroom and no limiter."
    ),
    "meth.discrimination": Sentence(
        "Discrimination: exact one-sided binomial test against guessing, Clopper-Pearson "
        "{rule_interval} intervals, d′ by the model of the method."
    ),
    "meth.preference": Sentence(
        "Choices: Bradley-Terry model, reference {reference}; standard errors clustered on "
        "listeners."
    ),
    "meth.preference_bare": Sentence("Choices: Bradley-Terry model."),
    "meth.simulated": Sentence("All answers were produced by simulated listeners.", REHEARSAL),
}

_LIMITS = {
    "lim.tonal": _limit(
        "What was compared is rendered tonal balance only: the same music through filters that "
        "carry the measured frequency response of each stage. It is not a test of the hardware."
    ),
    "lim.left_out": _limit(
        "Not in these sounds: distortion, compression at high level, noise and rattles, "
        "direction and space, reverberation, differences between left and right, phase and "
        "delay unless they were kept, cabin noise, other seats, sight and touch."
    ),
    "lim.scope": _limit(
        "Results hold for these programmes, this playback and these {people}; others can differ."
    ),
    "lim.bridge": _limit(
        "Before money is spent on the strength of a filter, repeat one pair in the real place; "
        "only that shows whether the rendered result carries over."
    ),
    "lim.average": _limit(
        "A share of choices is not a share of people: an average can hide groups who want "
        "different things."
    ),
    "lim.null": _limit(
        "A pair that was not told apart is not thereby shown to be the same; that takes a margin "
        "set beforehand and controls that prove the panel could hear."
    ),
    "lim.few_stages": _limit(
        "{stages}: with fewer than {rule_six}, no rule from measurement to choice can be tested, "
        "so this report does not predict what people will choose.",
        FEW_STAGES,
    ),
    "lim.few_stages_can": _limit(
        "What so few stages can show: their order with its uncertainty, the share of each pair, "
        "and whether the order of a measured figure agrees with the order of choices. They "
        "cannot show that a figure governs choice, nor which frequency region matters.",
        FEW_STAGES,
    ),
    "lim.no_link": _limit(
        "A rule from measurement to choice was not shown here, so nothing is predicted for "
        "stages that nobody has listened to.",
        NO_LINK,
    ),
    "lim.link": _finding(
        "The primary metric passed its own test over {stages}, so it can predict choices "
        "within the range of these stages.",
        LINK_SHOWN,
    ),
    "lim.many_looks": _limit(
        "Figures that were not named in the plan are descriptions, not tests."
    ),
    "lim.work": _limit(
        "Electrical and vehicle work: local rules and licensed practice come first. Nothing here "
        "says that a part is safe, legal or fit for a vehicle."
    ),
    "lim.ears": Sentence(
        "Sound can damage hearing for good. Start quiet and stop if it hurts or if ears ring. "
        "A common work-place limit is {rule_dba} dBA for {rule_rel_h} h a day, halving the time "
        "for every {rule_exchange_db} dB more (NIOSH); it is a limit, not a safe target."
    ),
}

_CHECKS = {
    "chk.levels": _name("Checks of the rendered files"),
    "chk.passed": _name("passed"),
    "chk.failed": _name("FAILED"),
    "chk.any_failed": _limit(
        "At least one check failed. Results that rest on these files should not be used until "
        "the cause is found."
    ),
    "chk.software": _name("Software"),
    "chk.hashes": _name("Hashes (SHA-256)"),
    "chk.commitment": Sentence("Seed commitment, stored before the first trial: {hash}."),
    "chk.seed": Sentence("Seed, revealed after closing: {seed}."),
    "chk.seed_hidden": _limit("The seed is not revealed before the study is closed."),
    "chk.how": Sentence(
        "To check again: run {verify} on the study folder; it recomputes file hashes, the "
        "schedule from its seed, the chain of answers and the verdicts. {analyse} repeats the "
        "statistics from the trial table alone."
    ),
    "chk.numbers": Sentence(
        "Every number on this page is marked with its exact value and its place in the evidence "
        "file, which can be saved from here: {link}."
    ),
    "chk.made": Sentence("The page needs no network and loads nothing from elsewhere."),
    "chk.none": _limit("No software versions or hashes came with these data."),
}

_TITLES = {
    f"title.{key}": _name(text)
    for key, text in {
        "report": "Listening study",
        "short": "In short",
        "claims": "Claims",
        "preference": "Preference",
        "pairs": "Pair by pair",
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

_QUESTIONS = {"title.discrimination": _limit("Told apart or not")}

_COLUMNS = {
    f"col.{key}": _name(text)
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
        "repeats": "Repeats",
        "agree": "Answered alike",
        "identical": "Same-pair controls",
        "obvious": "Obvious controls",
        "circular": "Circular triads",
        "zeta": "Consistence",
    }.items()
}

_UNITS = {
    f"unit.{key}": _name(text)
    for key, text in {
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

SENTENCES: dict[str, Sentence] = {
    **_HEADLINE,
    **_CLAIMS,
    **_PREFERENCE,
    **_DISCRIMINATION,
    **_MEASURED,
    **_LISTENERS,
    **_METHODS,
    **_LIMITS,
    **_CHECKS,
    **_TITLES,
    **_QUESTIONS,
    **_COLUMNS,
    **_UNITS,
}
