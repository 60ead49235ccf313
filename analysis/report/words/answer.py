"""Sentences that the analysis chooses for a first screen, a card and a sheet.

Each is the verdict of a claim, says what is open, or counts: see :mod:`analysis.answer`.
"""

from __future__ import annotations

from analysis.report.words.conditions import (
    CONTRADICTED,
    FIRST_SHOWN,
    HEAR_SHOWN,
    MOST_SHOWN,
    PREFER_SHOWN,
    Sentence,
    finding,
    limit,
    name,
)

__all__ = ["ANSWER"]

_STEPS = {
    "answer.first": finding("Do {step} first.", FIRST_SHOWN),
    "answer.first.how": finding(
        "{People} prefer {step} over {base} and over {others}.", FIRST_SHOWN
    ),
    "answer.before": finding("Do {step} before {others}.", FIRST_SHOWN),
    "answer.before.how": finding(
        "{People} prefer {step} over {others}. It has not been shown that {step} beats {base}.",
        FIRST_SHOWN,
    ),
    "answer.helps": finding("{step} helps.", FIRST_SHOWN),
    "answer.helps.how": finding("{People} prefer {step} over {base}.", FIRST_SHOWN),
    "answer.both_help": finding("Both steps help; which to do first is open.", FIRST_SHOWN),
    "answer.both_help.how": finding("{People} prefer each of them over {base}.", FIRST_SHOWN),
    "answer.all_help": finding("Each of the steps helps; which to do first is open.", FIRST_SHOWN),
    "answer.all_help.how": finding("{People} prefer each of them over {base}.", FIRST_SHOWN),
    "answer.some_help": finding("{step} help; which step to do first is open.", FIRST_SHOWN),
    "answer.some_help.how": finding("{People} prefer each of them over {base}.", FIRST_SHOWN),
    "answer.one_helps": finding("{step} helps; which step to do first is open.", FIRST_SHOWN),
    "answer.one_helps.how": finding("{People} prefer it over {base}.", FIRST_SHOWN),
    "answer.none_helps": finding("None of the steps helps at first.", FIRST_SHOWN),
    "answer.none_helps.how": finding("{People} prefer {base} over each of them.", FIRST_SHOWN),
    "answer.step_open": limit("Which step to do first is open."),
    "answer.one_step_open": limit("Whether {step} helps is open."),
    "answer.unasked_step": limit("No claim asks which step comes first, so this is exploratory:"),
    "answer.panels_first": Sentence("In {p} of resampled panels {step} came first."),
    "answer.panels_gain": Sentence("In {p} of resampled panels {step} did better than {base}."),
    "answer.panels_note": limit("That alone settles nothing."),
}

_LIKED = {
    "answer.best": finding("{best} is liked best of the {n} versions.", MOST_SHOWN),
    "answer.most_open": limit("Which version is liked most is open."),
    "answer.unasked_most": limit(
        "No claim asks which version is liked most, so this is exploratory:"
    ),
    "answer.pair_open": limit("Which of {first} and {second} is liked more is open."),
    "answer.prefers": finding("{People} prefer {first} over {second}.", PREFER_SHOWN),
    "answer.panels_best": Sentence("In {p} of resampled panels {front} came first."),
}

_HEARD = {
    "answer.hears": finding("{People} can tell {first} from {second}.", HEAR_SHOWN),
    "answer.apart_all": finding("All {n_asked} pairs were told apart by ear.", HEAR_SHOWN),
    "answer.apart_some": finding(
        "{n_shown} of {n_asked} pairs were told apart by ear.", HEAR_SHOWN
    ),
    "answer.apart_none": limit("These answers do not show that any pair can be told apart by ear."),
    "answer.unasked_hearing": limit("No claim asks whether the versions can be told apart."),
    "answer.unheard": limit(
        "{People} prefer {first} over {second}, but the hearing test did not show that they can "
        "tell the two apart. Take this with care."
    ),
}

_LINES = {
    "title.rests_on": name("What this rests on"),
    "line.hear.shown": finding("{first} from {second}: told apart ({share} right).", HEAR_SHOWN),
    "line.hear.open": limit("{first} from {second}: not shown to be told apart ({share} right)."),
    "line.hear.small": limit(
        "{first} from {second}: told apart, but not by enough to matter ({share} right)."
    ),
    "line.hear.not_claimed": limit("{first} from {second}: no claim asks this ({share} right)."),
    "line.prefer.shown": finding(
        "{first} is preferred over {second} ({share} of decisions).", PREFER_SHOWN
    ),
    "line.prefer.against": finding(
        "Against the claim, {first} is preferred over {second} ({share} of decisions).",
        PREFER_SHOWN,
    ),
    "line.prefer.open": limit("{first} or {second}: open ({share} of decisions for {first})."),
    "line.prefer.small": limit(
        "{first} over {second}: not by enough to matter ({share} of decisions)."
    ),
    "line.most.shown": finding("{first} is preferred over {others}.", MOST_SHOWN),
    "line.most.against": finding("Against the claim, {first} is not preferred most.", CONTRADICTED),
    "line.most.open": limit("Whether {first} is liked more than {others} is open."),
    "line.most.small": limit("{first} is liked more than {others}, but not by enough to matter."),
    "line.other": Sentence("{claim}: {verdict}."),
    "line.share_unknown": name("share unknown"),
    "line.and": name("and"),
    "line.all_others": name("all others"),
}

_PICTURE = {
    "picture.axis": name("Decisions for the step (%)"),
    "picture.over": name("over"),
    "picture.alt": name(
        "The steps in their order: for each the share of decisions for it against what was there "
        "before, with its interval, what a claim says of them by ear, price and hours."
    ),
    "picture.caption": Sentence(
        "The steps in their likeliest order. Each mark is the share of decisions for the step "
        "against what was there before, the mean over {people}, with its {rule_interval} interval; "
        "at the dashed line both are taken equally often."
    ),
    "picture.marks": Sentence(
        "A filled mark is a preference that a claim shows; where none does, it is a ring."
    ),
    "picture.marks_open": limit("Every mark is a ring: no claim shows a preference here."),
    "picture.heard.shown": finding("told apart", HEAR_SHOWN),
    "picture.heard.small": limit("too little to matter by ear"),
    "picture.heard.open": limit("not shown to be told apart"),
    "picture.heard.not_claimed": limit("no claim on telling apart"),
}

_PRICES = {
    "answer.price.cost": name("money"),
    "answer.price.hour": name("hours of work"),
    "answer.order_same": Sentence("Counted by {price}, the order of the steps stays the same."),
    "answer.order_differs": Sentence("Counted by {price}, the order of the steps is different."),
    "answer.leads_differ": Sentence(
        "Counted by {price}, {step} gains more than {other}; counted by gain alone it is the other "
        "way round."
    ),
    "answer.orders_note": limit(
        "These orders come from estimates. Whether they hold is open unless a claim says so."
    ),
    "answer.zero": name("interval includes 0"),
    "answer.zero_step": name("a step’s interval includes 0"),
    "answer.zero_note": limit(
        "Where an interval includes 0, it is not shown that the step gains anything."
    ),
}

_EXPLORED = {
    "answer.exploratory": name("Exploratory, as no claim was given:"),
    "answer.family": limit(
        "No claim was given. These questions follow from the study’s design; they were judged "
        "together as one family, and all of them are exploratory."
    ),
    "answer.missing": limit("These results hold no verdicts that a first sentence could rest on."),
    "title.family": name("Exploratory claims"),
}

ANSWER: dict[str, Sentence] = {
    **_STEPS,
    **_LIKED,
    **_HEARD,
    **_LINES,
    **_PICTURE,
    **_PRICES,
    **_EXPLORED,
}
