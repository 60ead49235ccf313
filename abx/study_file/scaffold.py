"""A new study folder with a study file that explains itself."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from abx.errors import InputError
from abx.study.workspace import replace_file
from abx.study_file.writing import table_of, value_text
from abx.text.names import id_fault, unprintable

__all__ = ["DEFAULT_STAGES", "check_stages", "default_title", "refuse_existing", "write_scaffold"]

#: Stages of a job with two changes that can be made apart, first to last.
DEFAULT_STAGES = ("as-found", "first-change", "second-change", "both-changes")


def write_scaffold(
    directory: Path, *, title: str, stages: Sequence[str], listeners: int, positions: int = 3
) -> Path:
    """Write folders and a commented ``study.toml``.

    Parameters
    ----------
    directory : Path
        Study folder; made when missing, refused when a study is already there.
    title : str
        Title of the study.
    stages : sequence of str
        Two or more stage ids: small letters, digits and hyphens.
    listeners : int
        Planned number of listeners.
    positions : int, optional
        Microphone positions of each stage: one response table a position. Three is the
        least for an idea of the spread (common practice, no source).

    Returns
    -------
    Path
        The study file.

    Raises
    ------
    InputError
        If a study exists there, or the title or a stage id is unusable.
    """
    check_stages(stages)
    _check_title(title)
    refuse_existing(directory)
    study_file = directory / "study.toml"
    for name in ("responses", "programmes"):
        (directory / name).mkdir(parents=True, exist_ok=True)
    with replace_file(study_file) as path:
        path.write_text(_study_text(title, stages, listeners, positions), encoding="utf-8")
    return study_file


def refuse_existing(directory: Path) -> None:
    """Refuse a folder that holds a study, or a file in the folder's place.

    Raises
    ------
    InputError
        If a study could not be started there.
    """
    if (directory / "study.toml").exists():
        raise InputError(
            source=str(directory / "study.toml"),
            problem="there is already a study in this folder",
            remedy="edit that file, or name another folder",
        )
    if directory.exists() and not directory.is_dir():
        raise InputError(
            source=str(directory),
            problem="this is a file, not a folder",
            remedy="name a new folder",
        )


def check_stages(stages: Sequence[str]) -> None:
    """Check that stage ids can be used and differ.

    Raises
    ------
    InputError
        If one cannot be used, or there are fewer than two different ones.
    """
    for stage in stages:
        if id_fault(stage) is not None:
            raise InputError(
                where="stage id",
                problem=f"'{stage}' cannot be used",
                remedy="use small letters, digits and hyphens, at most 40, for example new-ceiling",
            )
    if len(stages) < 2 or len(set(stages)) < len(stages):
        raise InputError(
            where="stage id",
            problem=f"{len(stages)} stages, {len(set(stages))} of them different",
            remedy="name two or more different stages",
        )


def default_title(directory: Path) -> str:
    """Return a title made of the folder's name."""
    words = directory.resolve().name.replace("-", " ").strip().capitalize()[:200]
    return "Listening study" if not words or unprintable(words) or "\n" in words else words


def _check_title(title: str) -> None:
    if not title.strip() or len(title) > 200 or unprintable(title) or "\n" in title:
        raise InputError(
            where="--title",
            problem=f"{title[:60]!r} cannot be a title",
            remedy="use 1 to 200 characters on one line",
        )


def _study_text(title: str, stages: Sequence[str], listeners: int, positions: int) -> str:
    blocks = [_stage_block(stage, positions, first=stage == stages[0]) for stage in stages]
    return (
        _HEAD.format(title=value_text(title))
        + "\n".join(blocks)
        + _REST.format(listeners=listeners, first=stages[0], second=stages[1], last=stages[-1])
    )


def _stage_block(stage: str, positions: int, *, first: bool) -> str:
    entries = {
        "id": stage,
        "label": stage.replace("-", " ").capitalize(),
        "responses": [f"responses/{stage}-p{n}.csv" for n in range(1, positions + 1)],
    }
    note = _STAGE_NOTE if first else ""
    prices = _FIRST_PRICE if first else _PRICE
    return f"{note}{table_of('stages', entries)}\nfactors = {{}}\n{prices}"


_HEAD = """\
# One study: stages x programmes x tests, with a plan that is fixed before listening.
# Check it at any time with: earwitness plan .
format = 1
title = {title}
# The curve that deviation is measured from: "house-curve" (what the trade usually
# aims at), {{ file = "my-target.csv" }}, or {{ points = [[25, 6.0], [125, 6.0], [200, 0.0]] }}.
target = "house-curve"

"""

_STAGE_NOTE = """\
# A stage is one state of the system. Each response file is one microphone position:
# frequency in Hz and level in dB, one pair a line; they are averaged. Take out the
# positions that you did not measure.
# factors names what is fitted, for example { walls = "damped", ceiling = "aged" }.
# cost (money) and labour_h (hours) count from the first stage. Take out the # and write what
# you know. What is left out is not known, which is not the same as free: no gain for its cost
# is worked out for it, and no budget buys it.
"""

# What was there before takes nothing, where that is so; a price has no likely value.
_FIRST_PRICE = "# cost = 0.0\n# labour_h = 0.0\n"
_PRICE = "# cost =      # in money\n# labour_h =  # in hours\n"

_REST = """
# Music (or noise) to listen through. About 10 to 20 s each; two or more are wise,
# since one excerpt can decide a result.
[[programmes]]
id = "excerpt-1"
file = "programmes/excerpt-1.wav"
# start_s = 30.0
# length_s = 15.0

# abx asks: is X the same as A or as B? (do they hear it?)
[[tests]]
method = "abx"
pairs = [["{first}", "{last}"]]
trials = 8
controls = {{ identical = 1, obvious = 1 }}

# paired asks: which do you like better? Every pair of all stages here.
[[tests]]
method = "paired"
stages = "all"
trials = 1
repeats = 2

# What it is played over, where it is known. Measure the level step's sound at the listening
# position, at its top: then exposure is estimated and the level step stops at 85 dBA.
# [playback]
# level_dba = 78.0

# How money is counted. The rate needs labour_h in the stages; tax is a remark for people.
# [prices]
# currency = "EUR"
# hourly_rate = 60.0
# tax = "without sales tax"

# One question about themselves that sorts listeners; a claim may then end in "among players".
# [groups]
# ask = "Do you play an instrument or sing?"
# answers = {{ players = "Yes", others = "No" }}

[plan]
listeners = {listeners}
# counter_minutes = 5.0      # what a customer at a counter has
alpha = 0.05
stopping = "fixed"
primary_metric = "deviation_sd_db"
claims = [
    "listeners can tell {last} from {first}",
    "listeners prefer {second} over {first}",
    "listeners prefer {last} most",
    # "listeners prefer neither {second} nor {first} beyond 55 to 45",
]
# With enough answers any difference is shown, also one that nobody would pay for. Say from which
# one on it matters, in points of decisions: 5 means that less than 55 to 45 does not matter.
# smallest_effect = 5
"""
