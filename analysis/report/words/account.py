"""What a study says of itself: plan and practice, methods, limits, checks.

Sentences as in :mod:`analysis.report.words.sentences`, which joins them to all others.
"""

from __future__ import annotations

from analysis.report.words.conditions import (
    FEW_STAGES,
    LINK_BARE,
    LINK_EXPLORED,
    LINK_SHOWN,
    NO_LINK,
    REHEARSAL,
    Sentence,
    finding,
    limit,
    name,
)

__all__ = ["ACCOUNT"]

_SUMMARY = {
    "sum.question": name("Question"),
    "sum.design": name("Design"),
    "sum.answer": name("Answer"),
    "sum.uncertainty": name("Verdicts and their uncertainty"),
    "sum.limits": name("Limits"),
    "sum.declared": Sentence("Before anybody listened, {claims} were written down; see below."),
    "sum.late": limit("{claims} came with the data; nothing shows that they were written before."),
}

_PLAN = {
    "plan.none": limit(
        "No plan came with these data: nothing shows what was fixed before people listened."
    ),
    "plan.nothing": limit("No departure from the plan was found in the evidence."),
    "plan.departed": limit(
        "Practice is not as planned where the last column says so. What follows from these "
        "points should be judged before the claims are quoted."
    ),
    "plan.unknown": limit(
        "Where plan or evidence is silent nothing can be compared; that is not a point in favour."
    ),
    "plan.claim_missing": limit("Declared, but not judged: {claim}"),
    "plan.claim_added": limit("Judged, but not declared in the plan: {claim}"),
    "plan.playback": Sentence(
        "The booth’s sound stuttered in {stuttered} of {counted}; these are marked in the trial "
        "table and stay in every result."
    ),
    "plan.open": limit("The study had not been closed when this was written."),
    "plan.scope": limit(
        "Only what the evidence file shows can be compared here; the sealed plan and the chain of "
        "answers are checked by the command below."
    ),
}

_PRACTICE = {
    "prac.kept": name("as planned"),
    "prac.differs": name("DIFFERS"),
    "prac.unknown": name("not comparable"),
    "prac.study_sha256": name("Study file (SHA-256)"),
    "prac.manifest_sha256": name("Stimuli (SHA-256 of their manifest)"),
    "prac.earlier": name("Other versions of the study"),
    "prac.one_version": name("one version"),
    "prac.earlier_version": Sentence("another version, opened {at}, with {answers}"),
    "prac.none": name("none"),
    "prac.listeners": name("Listeners"),
    "prac.sittings": name("Sittings"),
    "prac.all_finished": name("all finished"),
    "prac.n_finished": Sentence("{count} finished"),
    "prac.n_unfinished": Sentence("{count} broken off"),
    "prac.n_unanswered": Sentence("{count} without an answer"),
    "prac.n_withdrawn": Sentence("{count} withdrawn"),
    "prac.stopping": name("Stopping rule"),
    "prac.still_open": limit("not closed yet"),
    "prac.closed_after": Sentence("closed after {finished} had been finished"),
    "prac.times": name("Order of events"),
    "prac.sealed_first": Sentence("sealed before the first answer, closed after the last"),
    "prac.opened_at": Sentence("sealed {at}"),
    "prac.first_answer_at": Sentence("first answer {at}"),
    "prac.last_answer_at": Sentence("last answer {at}"),
    "prac.closed_at": Sentence("closed {at}"),
    "prac.questions": Sentence("Questions: {method}"),
    "prac.each": Sentence("{count} a sitting"),
    "prac.answered": Sentence("{ends} a sitting, {total} together; fewer than planned in {short}"),
    "prac.declared": name("declared"),
    "prac.screening": name("Screening of listeners"),
    "prac.no_rule": name("no rule"),
    "prac.nobody_out": limit("nobody was left out"),
    "prac.rule_only": limit("{rule}: nobody was left out"),
    "prac.left_out": Sentence("{rule}: {n} left out of a second look; both stand in the report"),
    "prac.alpha": name("Level of the tests"),
    "prac.smallest": name("Smallest effect that matters"),
    "prac.points": Sentence("{points} points of decisions"),
    "prac.no_smallest": name("none"),
    "prac.metric": name("Primary metric"),
    "prac.claims": name("Claims"),
    "prac.budgets": name("Budgets"),
    "prac.checks": name("Checks of the rendered files"),
    "prac.passed": name("all passed"),
    "prac.failed": Sentence("failed: {checks}"),
    "prac.software": name("Version of the program"),
    "prac.version": Sentence("{version} in {sittings}"),
    "prac.analysed_with": Sentence("{version} for the analysis"),
    "prac.playback": name("Sound of the booth"),
    "prac.no_stutter": name("no stutter"),
    "prac.ran_through": Sentence("ran through in {counted}"),
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
    "aims.lead": Sentence("Written down before anybody listened, each to be judged by itself:"),
    "aims.late": limit("Stated when the answers were analysed; no sealed plan holds them:"),
    "aims.others": limit(
        "Everything else in this report is a description; it was not declared and is not a test."
    ),
    "meth.head_design": name("Design."),
    "meth.head_listeners": name("Listeners."),
    "meth.head_size": name("Number and stopping."),
    "meth.head_sound": name("Sound."),
    "meth.head_questions": name("Questions."),
    "meth.head_blinding": name("Order and blinding."),
    "meth.head_quality": name("Quality of answers."),
    "meth.head_statistics": name("Statistics."),
    "meth.head_software": name("Software."),
    "meth.consent": Sentence("Each sitting began with the listener’s consent."),
    "meth.sittings": Sentence(
        "Of {begun} begun, {n_finished} finished, {n_unfinished} broke off, {n_unanswered} gave no "
        "answer and {n_withdrawn} withdrew; what a withdrawn sitting answered was removed."
    ),
    "meth.outputs": Sentence("Listened through, in their own words: {outputs}."),
    "meth.not_said": name("not said"),
    "meth.dates": Sentence("First answer {first}, last answer {last}."),
    "meth.power": Sentence("What a panel of this size could notice is worked out further on."),
    "meth.target": Sentence("Responses were held against the target {target}."),
    "meth.programmes": Sentence("Excerpts: {excerpts}."),
    "meth.practice": Sentence("Practice before it, not counted: {count}."),
    "meth.order": Sentence(
        "Both orders of a pair came equally often over the panel, programmes rotated, and no pair "
        "followed itself where there was more than one."
    ),
    "meth.staff": Sentence("Until closing, staff saw counts and no results."),
    "meth.reliability": Sentence(
        "Steadiness of each listener: repeated questions, control trials and circular choices."
    ),
    "meth.screening": Sentence(
        "Screening rule declared beforehand: {rule}. Results stand with every listener and, beside "
        "them, without those left out."
    ),
    "meth.left_out": Sentence("Left out of this analysis, as asked: {what}."),
    "meth.everyone": Sentence("No screening rule was declared; nobody was left out."),
    "meth.mixed": Sentence("Differences between listeners: {method}."),
    "meth.groups": Sentence(
        "Groups of listeners: {method} as a screening, then a test of two clusters of "
        "listeners against one varied population, by panels drawn at random from that population."
    ),
    "meth.upgrade": Sentence("Order of work: {method}."),
    "meth.link": Sentence(
        "Measurement and choice: {method}, one point a stage, and a permutation test."
    ),
    "meth.ratings": Sentence(
        "Ratings: means of each listener’s mean with {rule_interval} t intervals, differences "
        "within listeners."
    ),
    "meth.software": Sentence("Computed with {versions}."),
    "meth.unrecorded": limit(
        "Not recorded, and to be added by whoever ran the study: how listeners were found, their "
        "age and hearing, what they were told and paid, the room, the playback level."
    ),
    "meth.none": limit("Neither plan nor answers came with these data; no method is known."),
    "meth.repeats": Sentence("Asked a second time for steadiness: {times} per listener."),
    "meth.control_identical": Sentence(
        "Control trials with one version in all places: {count} per listener."
    ),
    "meth.control_obvious": Sentence(
        "Control trials with a version changed beyond doubt: {count} per listener."
    ),
    "meth.playback_clean": Sentence("The booth counted late buffers in {counted}: none came late."),
    "meth.playback_stuttered": Sentence(
        "The booth counted late buffers in {counted}; the sound stuttered in {stuttered}. These "
        "are marked in the trial table and stay in every result."
    ),
    "meth.measured": Sentence(
        "Each stage was measured at one or more positions and averaged in power; outside its "
        "valid band the response was held flat."
    ),
    "meth.claims": Sentence(
        "The claims were tested as one family with the listener as the unit, p-values adjusted "
        "by Holm’s method."
    ),
    "meth.seed": Sentence("Seed of the resampling: {seed}."),
    "meth.blind": Sentence(
        "Versions carried no names; their order was drawn by the sealed schedule, whose seed "
        "was committed by hash before the first trial."
    ),
    "meth.render": Sentence(
        "Versions were made by filtering the same excerpts with the measured responses, matched "
        "in loudness within each programme, with one common headroom and no limiter."
    ),
    "meth.discrimination": Sentence(
        "Discrimination: exact one-sided binomial test against guessing with Clopper-Pearson "
        "{rule_interval} intervals over trials, a one-sided t test between listeners, and d′ by "
        "the model of the method."
    ),
    "meth.preference": Sentence(
        "Choices: Bradley-Terry model, reference {reference}; standard errors clustered on "
        "listeners, and the chance of being first from drawing listeners again."
    ),
    "meth.preference_bare": Sentence("Choices: Bradley-Terry model."),
    "meth.simulated": Sentence("All answers were produced by simulated listeners.", REHEARSAL),
}

_LIMITS = {
    "lim.tonal": limit(
        "What was compared is rendered tonal balance only: the same music through filters that "
        "carry the measured frequency response of each stage. It is not a test of the hardware."
    ),
    "lim.tonal.elsewhere": limit(
        "These answers were gathered elsewhere. Whether people listened blind, to versions of "
        "equal loudness and in a fair order, and what they heard, this report cannot know."
    ),
    "lim.left_out.elsewhere": limit(
        "No sound came with the table, and no log: nothing about either was checked."
    ),
    "lim.bridge.elsewhere": limit(
        "Before money is spent on the strength of a table, listen in the real place without "
        "knowing which version plays."
    ),
    "lim.stated": limit("Stated by the sender of the table, not checked here: {what}: {words}"),
    "lim.unstated": limit("The sender of the table stated nothing about how it was gathered."),
    "told.source": name("where the table comes from"),
    "told.sound": name("what was played"),
    "told.blind": name("blind listening"),
    "told.loudness": name("loudness"),
    "told.order": name("order of the questions"),
    "told.listeners": name("listeners"),
    "told.left_out": name("left out"),
    "told.claims": name("when the claims were written"),
    "lim.left_out": limit(
        "Not in these sounds: distortion, compression at high level, noise and rattles, "
        "direction and space, reverberation, differences between left and right, phase and "
        "delay unless they were kept, background noise, other seats, sight and touch."
    ),
    "lim.scope": limit(
        "Results hold for these programmes, this playback and these {people}; others can differ."
    ),
    "lim.bridge": limit(
        "Before money is spent on the strength of a filter, repeat one pair in the real place; "
        "only that shows whether the rendered result carries over."
    ),
    "lim.average": limit(
        "A share of choices is not a share of people: an average can hide groups who want "
        "different things."
    ),
    "lim.null": limit(
        "A pair that listeners did not tell apart may still differ: only a margin set beforehand, "
        "with controls that show the panel could hear, can show that two sound the same."
    ),
    "lim.few_stages": limit(
        "{stages}: with fewer than {rule_six}, no rule from measurement to choice can be tested, "
        "so this report does not predict what people will choose.",
        FEW_STAGES,
    ),
    "lim.few_stages_can": limit(
        "What so few stages can show: their order with its uncertainty, the share of each pair, "
        "and whether the order of a measured figure agrees with the order of choices. They "
        "cannot show that a figure governs choice, nor which frequency region matters.",
        FEW_STAGES,
    ),
    "lim.no_link": limit(
        "A rule from measurement to choice was not shown here, so nothing is predicted for "
        "stages that nobody has listened to.",
        NO_LINK,
    ),
    "lim.link": finding(
        "The primary metric of the sealed plan passed its own test over {stages}, so it can "
        "predict choices within the range of these stages.",
        LINK_SHOWN,
    ),
    "lim.link_bare": limit(
        "The primary metric of the sealed plan passed its own test over {stages}, but not the "
        "checks beside it: the choices differ by more than it explains, or it comes no nearer to a "
        "stage left out than the mean of the others. So nothing is predicted from it.",
        LINK_BARE,
    ),
    "lim.link_explored": limit(
        "A figure that no sealed plan names goes along with the choices over {stages}, adjusted "
        "for all figures that were looked at. It is a lead for a new study whose plan names it; "
        "nothing is predicted from it.",
        LINK_EXPLORED,
    ),
    "lim.many_looks": limit(
        "Figures that no plan named before people listened are exploratory, whatever their p."
    ),
    "lim.odd": limit("Odd in the data: {note}."),
    "lim.work": limit(
        "Electrical and vehicle work: local rules and licensed practice come first. Nothing here "
        "says that a part is safe, legal or fit for a vehicle."
    ),
    "lim.ears": Sentence(
        "Sound can damage hearing for good. Start quiet and stop if it hurts or if ears ring. "
        "A common work-place limit is {rule_dba}\u00a0dBA for {rule_rel_h}\u00a0h a day, halving "
        "the time for every {rule_exchange_db}\u00a0dB more (NIOSH); it is a limit, not a safe "
        "target."
    ),
}

_CHECKS = {
    "chk.levels": name("Checks of the rendered files"),
    "chk.passed": name("passed"),
    "chk.failed": name("FAILED"),
    "chk.any_failed": limit(
        "At least one check failed. Results that rest on these files should not be used until "
        "the cause is found."
    ),
    "chk.software": name("Software"),
    "chk.hashes": name("Hashes (SHA-256)"),
    "chk.commitment": Sentence("Seed commitment, stored before the first trial: {hash}."),
    "chk.seed": Sentence("Seed, revealed after closing: {seed}."),
    "chk.seed_hidden": limit("The seed is not revealed before the study is closed."),
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
    "chk.none": limit("No software versions or hashes came with these data."),
}

ACCOUNT: dict[str, Sentence] = {
    **_SUMMARY,
    **_PLAN,
    **_PRACTICE,
    **_METHODS,
    **_LIMITS,
    **_CHECKS,
}
