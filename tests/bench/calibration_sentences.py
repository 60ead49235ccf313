"""Pages of null panels: how often any sentence about listeners is false.

Nothing is rendered: the analysis chooses the sentences of a first screen, of the card and of the
sheet (:func:`analysis.answer.block.answer_block`), and each is true of the simulated population or
not. A page counts as wrong with its first false sentence, so the rate is one of the family. Beside
the null panels stand, as figures, the chances to say what is true at effects as large as people
meet them: caution must not be bought by silence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd
from calibration_rows import Cell
from calibration_visits import counter_panel

from analysis.answer.block import answer_block, sentences_of
from analysis.answer.choose import Said
from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.pair_cells import PairCells
from analysis.preference.fit import preference_of
from analysis.tables.stages import StageTable, stage_table

__all__ = ["PAGES", "Page", "cells", "false_sentences", "sentences"]

Rng = np.random.Generator
PANELS = (8, 16, 40)
_NAMES = "abcdefgh"
#: Scatter of listeners' own worths (logits).
_TASTE = 0.7


@dataclass(frozen=True)
class Page:
    """A study and what is true of its listeners.

    Attributes
    ----------
    worth : sequence of float
        True worths of the stages a, b, c ..., in logits; empty without paired questions.
    heard : mapping of (str, str) to float
        Share of trials in which the difference of a pair is heard, beyond guessing.
    programmes : int
        Pieces of music in the forced choices, four trials each.
    factors : sequence of str
        A word for each stage, one letter a factor; empty where stages are no steps.
    claims : tuple of str
        Declared claims; without any the page is exploratory.
    """

    worth: Sequence[float] = ()
    heard: Mapping[tuple[str, str], float] = field(default_factory=dict)
    programmes: int = 3
    factors: Sequence[str] = ()
    claims: tuple[str, ...] = ()


def _chain(size: int, heard: float = 0.0) -> dict[tuple[str, str], float]:
    return {(_NAMES[k], _NAMES[k + 1]): heard for k in range(size - 1)}


def _every_pair(size: int) -> dict[tuple[str, str], float]:
    return dict.fromkeys(combinations(_NAMES[:size], 2), 0.0)


_CROSSED = ("00", "10", "01", "11")
_SEVEN = ("0000000", *("0" * k + "1" + "0" * (6 - k) for k in range(7)))
_TWELVE = (
    *(f"listeners prefer {j} over {i}" for i, j in combinations("abcd", 2)),
    *(f"listeners can tell {j} from {i}" for i, j in combinations("abcd", 2)),
)
_TWO = ("listeners can tell b from a", "listeners prefer b over a")
_STEP = ("listeners prefer b over a", "listeners prefer c over a", "step b before c")

#: Panels of which some sentence that one might say is false.
PAGES: dict[str, Page] = {
    "guess, 3 pairs x 3 pieces": Page(heard=_chain(4)),
    "guess, 28 pairs x 8 pieces": Page(heard=_every_pair(8), programmes=8),
    "no liking, two first steps": Page((0, 0, 0, 0), factors=_CROSSED),
    "no liking, seven first steps": Page((0,) * 8, factors=_SEVEN),
    "no liking, no steps, 4 stages": Page((0, 0, 0, 0)),
    "no liking, no steps, 8 stages": Page((0,) * 8),
    "nothing heard or liked": Page((0, 0, 0, 0), _chain(4), factors=_CROSSED),
    "both steps alike, better": Page((0, 0.8, 0.8, 1.3), factors=_CROSSED),
    "both steps alike, better, declared": Page((0, 0.8, 0.8, 1.3), factors=_CROSSED, claims=_STEP),
    "seven steps alike, better": Page((0, *[0.8] * 7), factors=_SEVEN),
    "two of 8 alike in front": Page((1.0, 1.0, *[0.0] * 6)),
    "nothing heard or liked, 2 claims": Page((0, 0, 0, 0), _chain(4), claims=_TWO),
    "nothing heard or liked, 12 claims": Page((0, 0, 0, 0), _every_pair(4), claims=_TWELVE),
    "liked and not heard, 12 claims": Page((0, 1, 1, 1), _every_pair(4), claims=_TWELVE),
}

#: Panels of whom something is true, and the sentence that says it.
_EFFECTS: dict[str, tuple[Page, tuple[str, ...]]] = {
    "one pair heard in 40 %: said": (Page(heard={("a", "b"): 0.4}), ("answer.hears",)),
    "3 pairs heard in 40 %: all said": (Page(heard=_chain(4, 0.4)), ("answer.apart_all",)),
    "3 pairs heard in 40 %: any said": (
        Page(heard=_chain(4, 0.4)),
        ("answer.apart_all", "answer.apart_some"),
    ),
    "steps gain 1.2 and 0.3: first step said": (
        Page((0, 1.2, 0.3, 1.5), factors=_CROSSED),
        ("answer.first",),
    ),
    "the same, declared": (
        Page((0, 1.2, 0.3, 1.5), factors=_CROSSED, claims=_STEP),
        ("answer.first",),
    ),
    "steps gain 0.8 each: both help said": (
        Page((0, 0.8, 0.8, 1.3), factors=_CROSSED),
        ("answer.both_help",),
    ),
    "seven steps, one gains 1.5: first step said": (
        Page((0, 1.5, *[0.3] * 6), factors=_SEVEN),
        ("answer.first",),
    ),
    "4 stages, best by 1.0: best said": (Page((0, 0.3, 0.5, 1.5)), ("answer.best",)),
    "two versions, 1.0 apart: said": (Page((0, 1.0)), ("answer.prefers",)),
}


def sentences(page: Page, listeners: int, rng: Rng) -> list[Said]:
    """Return what the pages say of one simulated panel."""
    asked = [_forced(pair, share, page, listeners, rng) for pair, share in page.heard.items()]
    preference = None
    if page.worth:
        size = len(page.worth)
        visits = [max(2, 12 // (size * (size - 1) // 2)) * (size * (size - 1) // 2)] * listeners
        counts = counter_panel(np.array(page.worth, dtype=float), visits, _TASTE, rng)
        preference = preference_of(counts, n_draws=0)
    heard, stages = Heard(asked, preference), _stages(tuple(page.factors))
    claims = judge_claims(page.claims, heard, stages=stages) if page.claims else []
    return sentences_of(answer_block(claims, heard, stages=stages), claims)


def _forced(pair: tuple[str, str], share: float, page: Page, listeners: int, rng: Rng) -> PairCells:
    """Return answers of people whose hearing scatters about a share of trials heard."""
    ears = rng.beta(4 * share, 4 * (1 - share), listeners) if share else np.zeros(listeners)
    p = np.repeat(0.5 + 0.5 * ears, page.programmes)
    frame = pd.DataFrame(
        {
            "listener": np.repeat([f"P{k:03d}" for k in range(listeners)], page.programmes),
            "programme": np.tile([f"m{k}" for k in range(page.programmes)], listeners),
            "n_trials": 4,
            "n_correct": rng.binomial(4, p),
        }
    )
    return PairCells(pair, "abx", frame)


@cache
def _stages(factors: tuple[str, ...]) -> StageTable | None:
    if not factors:
        return None
    columns: dict[str, Sequence[object]] = {
        "stage": list(_NAMES[: len(factors)]),
        "cost": [100.0 * k for k in range(len(factors))],
    }
    for k in range(len(factors[0])):
        columns[f"factor_{k}"] = [word[k] for word in factors]
    return stage_table(pd.DataFrame(columns))


def false_sentences(page: Page, said: Sequence[Said]) -> list[Said]:
    """Return the sentences that assert something that is not so."""
    return [one for one in said if not all(_true(page, *claim) for claim in one.asserts)]


def _true(page: Page, relation: str, first: str, second: str) -> bool:
    if relation == "hear":
        share = page.heard.get((first, second), page.heard.get((second, first), 0.0))
        return share > 0
    worth = dict(zip(_NAMES, page.worth, strict=False))
    if relation == "prefer":
        return worth[first] > worth[second]
    if relation == "not most":
        return any(other > worth[first] for name, other in worth.items() if name != first)
    raise ValueError(f"nothing is known of {relation!r}")


def _wrong(page: Page, listeners: int) -> Callable[[Rng], bool]:
    return lambda rng: bool(false_sentences(page, sentences(page, listeners, rng)))


def _says(page: Page, keys: tuple[str, ...], listeners: int) -> Callable[[Rng], bool]:
    def one(rng: Rng) -> bool:
        said = sentences(page, listeners, rng)
        return any(line.say in keys for line in said) and not false_sentences(page, said)

    return one


def cells(n: int) -> Iterator[Cell]:
    """Yield the cells of this topic: `n` // 2 studies each, `n` // 8 where each has many pairs."""
    for g in PANELS:
        for k, (name, page) in enumerate(PAGES.items()):
            large = len(page.worth) == 8 or len(page.heard) == 28
            few = max(n // (8 if large else 2), 1)
            yield Cell(f"any false sentence; {name}", g, "at most", _wrong(page, g), few, 700 + k)
        for k, (name, (page, keys)) in enumerate(_EFFECTS.items()):
            few = max(n // 8, 1)
            yield Cell(f"true: {name}", g, "figure", _says(page, keys, g), few, 800 + k)
