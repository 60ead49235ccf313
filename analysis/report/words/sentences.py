"""Every sentence a report can say, each with the condition under which it may be said.

Templates hold no prose and sections build none: they ask for a sentence by key, and
:func:`say` refuses one whose condition does not hold. The conditions and the guarded words
stand in :mod:`analysis.report.words.conditions`; the tests try every sentence against every
combination of facts. Plan, methods, limits and checks are in
:mod:`analysis.report.words.account`; headings, columns and unit words in
:mod:`analysis.report.words.names`.

``{people}`` becomes "listeners" or "simulated listeners". ``use`` says what kind of
sentence it is: ``finding`` asserts a result, ``limit`` says what is not known or what was
asked, ``name`` is a heading or a column, ``fact`` describes procedure or measurement.
"""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.words.account import ACCOUNT
from analysis.report.words.answer import ANSWER
from analysis.report.words.conditions import (
    CONTRADICTED,
    CONTRADICTED_OPEN,
    GROUPS_SHOWN,
    NOT_TOLD_APART,
    REHEARSAL,
    RULES,
    SMALL,
    SUPPORTED,
    SUPPORTED_OPEN,
    TOLD_APART,
    UNDECIDED,
    Facts,
    Sentence,
    WordingError,
    finding,
    limit,
    name,
)
from analysis.report.words.decision import DECISION
from analysis.report.words.experiments import EXPERIMENTS
from analysis.report.words.measured import MEASURED
from analysis.report.words.names import NAMES
from analysis.report.words.prices import PRICES
from analysis.report.words.turning import TURNING

__all__ = [
    "SENTENCES",
    "first_allowed",
    "say",
]

_HEADLINE = {
    "mark.simulated": Sentence("SIMULATED REHEARSAL", REHEARSAL, "name"),
    "head.rehearsal": limit(
        "Rehearsal: the answers come from simulated listeners. Nothing on this page is evidence "
        "about people.",
        REHEARSAL,
    ),
    "head.in_rehearsal": Sentence("In this rehearsal:", REHEARSAL, "name"),
    "head.open": limit(
        "This study is still open. The results below can change until it is closed, and looking "
        "early makes a lucky result more likely."
    ),
    "head.experiment": limit(
        "What came out in front was made for an experiment and cannot be bought, so nothing is "
        "recommended here; the sections on the experiment say what was found."
    ),
    "head.matters_no": limit(
        "But the claims show a difference here that is too small to matter; they say which."
    ),
    "head.matters_open": limit(
        "Whether that is large enough to matter by the plan has not been shown."
    ),
    "head.no_order": limit(
        "Which single step to take first was not worked out from these data; the order of the "
        "versions is not yet an order of work."
    ),
    "head.ratings_only": limit("Ratings were gathered; no claim rests on them here."),
    "head.no_answers": limit("Measurements only: no listener has answered yet."),
    "head.groups": limit(
        "The answer above is an average. An exploratory look finds {groups} groups of {people} who "
        "may want different things; it may not suit each of them.",
        GROUPS_SHOWN,
    ),
    "head.panel": Sentence("Based on {trials} from {panel}."),
    "head.scope": limit(
        "This holds for tonal balance played through filters, for this music and these "
        "{people} only."
    ),
    "head.scope.elsewhere": limit(
        "This holds for the sound as it was played, for this music and these {people} only. How "
        "it was played, this report cannot know."
    ),
    "head.claims": name("The claims of this study"),
}

_CLAIMS = {
    "claim.supported": Sentence("Supported", SUPPORTED, "name"),
    "claim.contradicted": Sentence("Contradicted", CONTRADICTED, "name"),
    "claim.undecided": Sentence("Undecided", UNDECIDED, "name"),
    "claim.too-small": Sentence("Too small to matter", SMALL, "name"),
    "claim.supported_open": Sentence(
        "Supported; whether it matters is open", SUPPORTED_OPEN, "name"
    ),
    "claim.contradicted_open": Sentence(
        "Contradicted; whether it matters is open", CONTRADICTED_OPEN, "name"
    ),
    "claim.unknown": name("Not judged"),
    "claim.supported.words": Sentence("The answers back this claim.", SUPPORTED),
    "claim.contradicted.words": Sentence("The answers speak against this claim.", CONTRADICTED),
    "claim.undecided.words": limit("The answers do not settle this claim.", UNDECIDED),
    "claim.too-small.words": limit(
        "The answers show a difference, but not one as large as the plan says matters.", SMALL
    ),
    "claim.unknown.words": limit("No verdict was given for this claim; it is not judged here."),
    "claim.undecided.note": limit(
        "Undecided is not the same as no difference: the study could not tell.", UNDECIDED
    ),
    "claim.none": limit("The plan declared no claims."),
    "claim.test": Sentence("Test: {test}."),
    "claim.statistic.decisions": Sentence(
        "t of the share of decisions against an even split: {value}."
    ),
    "claim.statistic.right": Sentence("t of the share of right answers against guessing: {value}."),
    "claim.statistic.difference": Sentence("t of the difference: {value}."),
    "claim.short.right": Sentence("{value} right ({bounds})"),
    "claim.short.decisions": Sentence("{value} of decisions ({bounds})"),
    "claim.short.rival": Sentence("{value} of decisions against {rival} ({bounds})"),
    "claim.short.value": Sentence("{value} ({bounds})"),
    "claim.typed_as": Sentence("In the words of the plan: {text}."),
    "claim.fold": name("Test and conditions"),
    "claim.estimate.right": Sentence("Right answers: {value}."),
    "claim.estimate.decisions": Sentence("Share of decisions: {value}."),
    "claim.estimate.worth": Sentence("Difference of log-worths: {value}."),
    "claim.estimate.plain": Sentence("Estimate: {value}."),
    "claim.estimate.share": Sentence("Share of trials that go beyond guessing: {value}."),
    "claim.estimate.rank": Sentence("Rank correlation: {value}."),
    "claim.estimate.gain": Sentence("Difference of gains (logits): {value}."),
    "claim.estimate.gain_per_hundred": Sentence(
        "Difference of gains (logits for {rule_hundred} units of cost): {value}."
    ),
    "claim.estimate.gain_per_hour": Sentence(
        "Difference of gains (logits for an hour of labour): {value}."
    ),
    "claim.own_alpha": Sentence("Level set in the sentence: {alpha}."),
    "claim.p_value": Sentence("p: {value}."),
    "claim.p_holm": Sentence("p allowing for all claims (Holm): {value}."),
    "claim.panel": Sentence("({panel})"),
    "claim.interval": Sentence("{rule_interval} interval: {bounds}."),
    "claim.interval.own": Sentence("{confidence} interval: {bounds}."),
    "claim.bounds": Sentence("{bounds}"),
    "claim.bounds.own": Sentence("{bounds} ({confidence} interval)"),
    "claim.needs": Sentence("To decide it: {needs}"),
    "claim.alpha": Sentence(
        "Claims were tested at the level {alpha} that the plan set, except where a sentence sets "
        "its own."
    ),
    "claim.smallest": Sentence(
        "The smallest effect that matters: {points} points of decisions away from an even split, "
        "or as much beyond guessing."
    ),
    "claim.typed": limit(
        "These claims came with the table. Nothing shows that they were written before the answers "
        "were seen."
    ),
    "claim.rehearsal": limit(
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
    "pref.lead.elsewhere": Sentence(
        "Each answer is a choice between two versions. From all choices each version gets a "
        "worth: the higher, the more often it was chosen over the others."
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
    "pref.pairs.listeners": Sentence(
        "Each point is the share of choices that went to the first-named version; bars are "
        "{rule_interval} intervals between {people}. At the dashed line both were chosen equally "
        "often."
    ),
    "pref.pairs.note": limit(
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
    "own.caption": Sentence(
        "One listener a row, one version a column: the fuller the ring, the more often this "
        "listener took the version when it was one of the two. A row unlike the others "
        "belongs to a listener who likes other things. Counts include ties as not taken."
    ),
    "own.caption_many": Sentence(
        "Rings show how often a listener took a version when it was one of the two; the number "
        "inside counts the {people} with that share. Rings far apart mean that listeners differ."
    ),
    "own.axis": name("Choices won by the version (%)"),
    "own.pairs": name("Choices of each listener for each pair (CSV)"),
    "rank.caption": Sentence(
        "Chance of each place in resampled panels: the first column is the place "
        "of the version chosen most. A stronger shade means likelier; a row spread over several "
        "places is not settled."
    ),
    "pref.none": limit(
        "No paired choices were gathered, so this report cannot say which version people like more."
    ),
    "pref.axis": name("Log-worth (logits)"),
    "pref.axis.centred": name("Log-worth against the mean (logits)"),
    "pref.share_axis": name("Share of choices for the first-named version (%)"),
}

_DISCRIMINATION = {
    "disc.lead": Sentence(
        "Can listeners tell the versions apart blind? A listener who only guesses "
        "gets {chance} of the answers right on average."
    ),
    "disc.lead_mixed": Sentence(
        "Can listeners tell the versions apart blind? The dashed mark shows what "
        "guessing alone gives for each method."
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
        "The cross-bar marks the smallest share of right answers that counts as better than "
        "guessing at the level of the test."
    ),
    "disc.apart": finding("told apart", TOLD_APART),
    "disc.not_shown": limit("not shown", NOT_TOLD_APART),
    "disc.note": limit(
        "“Not shown” does not mean that the two sound alike; it means that this many trials "
        "could not tell."
    ),
    "disc.pooled": limit(
        "Counts are pooled over {people}. The exact test asks only whether anyone did better "
        "than guessing; it does not say how many can."
    ),
    "disc.per_pair": Sentence("{panel} a pair"),
    "disc.panel": Sentence(
        "The last column rests on the test between listeners, allowing for the number of pairs "
        "(Holm) where that is stored."
    ),
    "disc.none": limit(
        "No discrimination trials were gathered, so this report cannot say which versions "
        "people can tell apart."
    ),
    "disc.axis": name("Right answers (%)"),
}


_CARD = {
    "card.for_listener": name("Card for {listener}"),
    "card.for_panel": name("Card for everyone who took part"),
    "card.played": Sentence(
        "You listened to {versions} of one sound system. None had a name, and all played equally "
        "loud."
    ),
    "card.played_bare": Sentence("None of the versions had a name, and all played equally loud."),
    "card.played_apart": Sentence(
        "You listened to {versions} of one sound system. None had a name."
    ),
    "card.played_bare_apart": Sentence("None of the versions had a name."),
    "card.elsewhere": limit("No pair that this answer rests on was played to be told apart."),
    "card.matters": limit(
        "Told apart means more often than guessing, and not that the difference is large enough to "
        "matter; the claims say whether it is."
    ),
    "card.guess": Sentence("Pure guessing gets about {rule_half} right."),
    "card.you_right": Sentence(
        "{pair}: you were right {right} out of {of}. Guessing does this well {rarely}."
    ),
    "card.you_note": limit(
        "A few tries cannot tell much about one person. Luck plays a part in every line."
    ),
    "card.you_none": limit("You were not asked to tell versions apart by ear."),
    "card.you_repeat": Sentence(
        "Asked again without notice, you gave the same answer in {share} of {times}."
    ),
    "card.chosen": Sentence("How often each version was taken when it was one of the two:"),
    "card.you_chosen": Sentence("How often you took each version when it was one of the two:"),
    "card.chosen_of": Sentence("{chosen} of {of}"),
    "card.tonal": limit(
        "You heard changes of tone only. Loudness limits, rattles, space and your own seat were "
        "not part of this test. Listen once in the real place before you pay."
    ),
    "card.work": limit(
        "Leave wiring and vehicle work to licensed people who know your local rules."
    ),
    "card.ears": Sentence(
        "Loud sound can harm your ears for good. Start quiet. Stop if your ears ring."
    ),
}

_LISTENERS = {
    "rel.lead": Sentence(
        "How steady each listener was: repeated questions answered alike, control questions "
        "passed, and choices that run in a circle."
    ),
    "rel.u": Sentence("Agreement within the panel (Kendall’s u): {u}."),
    "rel.note": limit(
        "Nobody is left out because of this table unless the plan set a rule for it beforehand."
    ),
    "rel.screen": Sentence("Screening rule of the plan: {rule}."),
    "rel.screen_none": limit("It leaves nobody out."),
    "rel.screen_out": Sentence("It leaves out: {names}."),
    "rel.screen_both": Sentence("Verdicts with every listener, and without those left out:"),
    "rel.screen_changes": limit(
        "At least one verdict changes with the screening and should not be quoted without saying "
        "so."
    ),
    "rel.none": limit("No repeats or controls were found, so steadiness was not checked."),
}

SENTENCES: dict[str, Sentence] = {
    **_HEADLINE,
    **ANSWER,
    **_CLAIMS,
    **_PREFERENCE,
    **_DISCRIMINATION,
    **MEASURED,
    **_CARD,
    **DECISION,
    **EXPERIMENTS,
    **TURNING,
    **_LISTENERS,
    **ACCOUNT,
    **PRICES,
    **NAMES,
}


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
