"""Sentences about what turns a verdict, and about other music."""

from __future__ import annotations

from analysis.report.words.conditions import Sentence, limit, name

__all__ = ["TURNING"]

_COLUMNS = {
    f"col.{key}": name(text)
    for key, text in {
        "other_music": "For music like this",
        "answers_once": "Every answer once",
        "no_extremes": "Without the farthest out",
        "no_flagged": "Without the flagged",
        "one_out": "Without one listener",
        "piece_out": "Without one piece",
        "turns": "Turned by",
    }.items()
}

_WORDS = {
    "title.turning": name("What would turn the verdicts"),
    "turn.declined": name("Declined"),
    "turn.stable": name("Stable"),
    "turn.below": name("Turns: see below"),
    "turn.no_flag": name("None flagged"),
    "turn.same": name("The same"),
    "turn.p": name("p"),
    "turn.without": Sentence("Turns without {names}"),
    "turn.by": Sentence("What turns this verdict: {word}."),
    "turn.by_nothing": Sentence("What turns this verdict: nothing that was tried."),
    "turn.lead": limit(
        "Each claim was judged again in other ways. These are no further tests, and no verdict "
        "rests on them: they show how far it hangs on one choice, one person or one piece."
    ),
    "turn.rules": limit(
        "Farthest out are those who move the estimate of the claim most, on either side. Flagged "
        "are listeners whom the plan’s rule leaves out, who missed obvious controls, or whose "
        "playback stuttered. In large panels only those were left out one at a time who come "
        "nearest to turning a verdict."
    ),
}

TURNING: dict[str, Sentence] = {**_COLUMNS, **_WORDS}
