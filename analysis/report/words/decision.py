"""Sentences about steps, links to measured figures, ratings, power and how listeners differ."""

from __future__ import annotations

from analysis.report.words.conditions import (
    DIFFER_OPEN,
    DIFFER_SHOWN,
    GROUPS_SHOWN,
    Sentence,
    finding,
    limit,
    name,
)

__all__ = [
    "DECISION",
]


DECISION = {
    "up.lead": Sentence(
        "From the choices of the whole panel: how much each possible step gains when it is done "
        "before all others, and how often it gains most in resampled panels."
    ),
    "up.caption": Sentence(
        "Points are the gain in worth, bars its {rule_interval} interval; the figure on the right "
        "is the chance that this step gains most. At the dashed line nothing is gained."
    ),
    "up.axis": name("Gain in log-worth (logits)"),
    "up.order": Sentence(
        "Each place names the step that gains most once those above it are done; the chance is "
        "the share of resampled panels that put it there."
    ),
    "up.place": Sentence("{step}: {chance}"),
    "up.orders": Sentence(
        "Share of the resampled panels that would take each whole order, one step at a time, as "
        "long as a step gains. Several orders with like shares mean that the order is open."
    ),
    "up.other_orders": name("all other orders together"),
    "up.no_step": name("no step at all"),
    "up.shapley": limit(
        "How the whole gain divides over the parts, averaged over every order of doing them "
        "(Shapley’s value); bars are {rule_interval} intervals, at the dashed line a part adds "
        "nothing. The shares add up to the whole; none is what its part gains alone."
    ),
    "up.shapley_axis": name("Share of the gain (logits)"),
    "up.budget": Sentence(
        "For each sum: the set within it that gains most, and the share of resampled panels in "
        "which it does. The interval is that of its gain."
    ),
    "up.effects": Sentence(
        "Gain from changing one part, with the others as named; the last lines say whether two "
        "parts together do more or less than apart."
    ),
    "up.groups": finding(
        "Groups of {people} want different things; no single order suits all. Their own orders:",
        GROUPS_SHOWN,
    ),
    "up.note": limit(
        "Gains are of rendered tonal balance only; parts can also differ in ways that no filter "
        "shows. Prices and hours are those entered in the study."
    ),
    "up.note.elsewhere": limit(
        "Gains are of the sound as it was played. Prices and hours are those of the stage table."
    ),
    "link.lead": Sentence(
        "Does a measured figure go along with what was chosen? Each stage counts once, however "
        "many trials stand behind it."
    ),
    "link.caption": Sentence(
        "Each point is one stage: {metric} across, worth up; bars are {rule_interval} intervals "
        "of the worth."
    ),
    "link.caption.band": Sentence(
        "The shaded band is where fitted lines fall when the stages are shuffled."
    ),
    "link.caption.line": Sentence("The line is the one fitted to the stages."),
    "link.primary": limit(
        "The first row is the metric that the sealed plan names as primary; it stands on its own "
        "p. The others are exploratory, since looking at many finds chance agreement; they are "
        "adjusted together (Holm)."
    ),
    "link.exploratory": limit(
        "No plan that was sealed before people listened names one of these figures, so none is "
        "primary. Any of them could have been shown as the one that fits: all are exploratory and "
        "adjusted together (Holm)."
    ),
    "link.is_primary": name("primary"),
    "link.is_exploratory": name("exploratory"),
    "rate.lead": Sentence(
        "{People} rated each version on a scale from {rule_zero} to {rule_hundred}."
    ),
    "rate.caption": Sentence(
        "Boxes hold the middle half of the listeners’ mean ratings, the thick line is the median, "
        "the diamond the mean, the thin line the whole range."
    ),
    "rate.screen_none": limit("Screening rule: {rule}. It leaves nobody out."),
    "rate.screen_out": Sentence("Screening rule: {rule}. It leaves out: {names}."),
    "rate.screen_undeclared": limit(
        "The plan declares no screening of ratings, so everybody stays in. For comparison, the "
        "{rule} would leave out: {names}."
    ),
    "rate.without": Sentence("The same figures without them:"),
    "rate.axis": name("Rating (0 to 100)"),
    "graded.lead": Sentence(
        "Each answer is the grade of a version less that of the hidden reference, on the scale "
        "of impairment from 5.0 (imperceptible) to 1.0 (very annoying). At 0 both got the same "
        "grade; above 0 the reference was taken for the version."
    ),
    "graded.reference": Sentence("The reference is {stage}."),
    "graded.caption": Sentence(
        "Mean over {people}; bars are {rule_interval} intervals between them, at the dashed line "
        "version and reference got equal grades."
    ),
    "graded.axis": name("Difference grade (0 to −4)"),
    "graded.words": limit(
        "The words of the scale as ordered steps: log-odds of a better word against {stage}, with "
        "intervals between {people}."
    ),
    "graded.penalty": limit(
        "Some version got one word only, which has no finite log-odds; {n} grades, spread over all "
        "words, were added to every version."
    ),
    "strength.lead": Sentence(
        "Answers on the comparison scale from −3 to +3; above 0 the first-named version was called "
        "the better one."
    ),
    "strength.caption": Sentence(
        "Mean over {people} of their mean strengths; bars are {rule_interval} intervals between "
        "them."
    ),
    "strength.axis": name("Strength towards the first-named"),
    "power.lead": limit(
        "What a study of this kind could notice: a difference that it would often miss cannot be "
        "ruled out by it."
    ),
    "power.claims": Sentence(
        "How likely this study was to support each claim if all of them are true: {studies} "
        "simulated studies of {panel} went through the tests of the claims, asked what was asked "
        "here. Supposed were {share_right} of answers right, and {share} of "
        "choices for the better version."
    ),
    "power.family": limit(
        "All claims at once: {every}. At least one: {some}. A claim that was likely to be missed "
        "is not refuted by staying undecided."
    ),
    "power.questions": Sentence(
        "The curves below are about one question by itself, at the level that the claims leave "
        "to each. A larger number of {people} stands for a new study, never for adding to this one."
    ),
    "power.caption": Sentence(
        "Chance to notice a true difference of the stated size. Dashed: listeners who took part. "
        "Dotted: {rule_power}."
    ),
    "power.method": Sentence("Method: {method}."),
    "power.axis.x": name("Listeners"),
    "power.axis.y": name("Chance to notice (%)"),
    "diff.lead": Sentence(
        "Do all want the same? Each dot is one listener’s own worth of a version, drawn towards "
        "the panel where that listener gave few answers."
    ),
    "diff.caption": Sentence(
        "Dots of one row far apart mean that listeners differ about this version; the dashed line "
        "is each listener’s mean."
    ),
    "diff.differ": finding("{People} differ in what they want.", DIFFER_SHOWN),
    "diff.not_differ": limit(
        "These answers do not show that {people} differ in what they want.", DIFFER_OPEN
    ),
    "diff.alike": Sentence("Test that all {people} want the same: p: {p}."),
    "diff.one_group": limit("No groups: two do not describe these choices better than one."),
    "diff.too_few": limit(
        "A group needs {least} {people}, so these are too few to look for groups."
    ),
    "diff.one_population": limit(
        "No groups are shown: one population whose tastes vary describes these choices as well "
        "as {groups} groups would (p: {p})."
    ),
    "diff.small_part": limit(
        "No groups: the clearest split sets apart {apart}, and a group needs {least}."
    ),
    "diff.groups": finding(
        "The choices show {groups} groups of {people}: one population whose tastes vary does not "
        "split like this (p: {p}). The average above need not be what any of them wants; it "
        "should not be read alone.",
        GROUPS_SHOWN,
    ),
    "diff.group_line": Sentence("Group {number}: {size}, {share} of the panel."),
    "diff.power": limit(
        "What would be found: with {panel} of {each} each, two halves who differ by {difference} "
        "logits about one pair show as groups in {found} of panels drawn at random. Smaller "
        "groups and smaller differences may be there without showing."
    ),
    "diff.no_power": limit(
        "Panels this small, or answers this few for each listener, would hardly show groups even "
        "where there are some."
    ),
    "diff.programmes": Sentence(
        "Worth of each version against the mean, from the choices of one programme at a time."
    ),
    "diff.interaction": Sentence(
        "Test that worths are the same in every programme, listeners permuted: p: {p}."
    ),
    "diff.left_out_same": limit(
        "{stage} stays in front whichever programme is left out; no single programme decides that."
    ),
    "diff.left_out_changes": limit(
        "Which version is in front depends on a single programme and is not settled:"
    ),
    "diff.left_out_line": Sentence("without {programme}: {stage}"),
    "strip.caption": Sentence(
        "Rings show the share of right answers; the number inside counts the {people} who had "
        "it. The dashed mark is guessing."
    ),
}
