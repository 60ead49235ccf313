"""What is too small to matter, and that neither of two stages is preferred.

Both rest on a share of decisions held against a split such as 55 to 45. The shares here are means
over the population: where tastes differ, the mean worth is set so that the mean share lies at the
split itself. A panel is judged through the claims' own functions; obvious controls are all right
except where panels sleep.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import pandas as pd
from calibration_rows import Cell
from calibration_visits import VISITS, counter_panel, fitted
from scipy import optimize

from analysis.claims.judge import Heard, judge_claims
from analysis.hearing.pair_cells import PairCells
from analysis.panels.smallest_effect import TOO_SMALL

__all__ = ["cells", "worth_for"]

Rng = np.random.Generator
TASTES = (0.0, 0.7, 1.5)
#: Obvious controls, scored and passed.
AWAKE = (40, 40)
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(60)


def worth_for(share: float, taste: float) -> float:
    """Return the difference of mean worths at which decisions split so over the population.

    Listeners' own differences scatter normally, with the SD of a difference of two worths of SD
    `taste`; the mean share is a Gauss-Hermite sum.
    """

    def short_of(gap: float) -> float:
        own = 1 / (1 + np.exp(-(gap + np.sqrt(2) * taste * _NODES)))
        return float(own @ _WEIGHTS / _WEIGHTS.sum()) - share

    return float(optimize.brentq(short_of, -20, 20))


def _judge(
    claim: str, share: float, visits: Sequence[int], taste: float, size: int, rng: Rng
) -> dict[str, object]:
    """Judge one claim about a panel that prefers a over all others in this share of decisions."""
    worth = np.zeros(size)
    worth[0] = worth_for(share, taste)
    held = Heard([], fitted(counter_panel(worth, visits, taste, rng)), AWAKE)
    return judge_claims([claim], held, smallest_effect=0.05)[0]


def _says(
    verdict: str, points: float, share: float, visits: Sequence[int], taste: float, size: int
) -> Callable[[Rng], bool]:
    claim = f"listeners prefer neither a nor b beyond {50 + 100 * points:g} to "
    claim += f"{50 - 100 * points:g}"

    def one(rng: Rng) -> bool:
        return _judge(claim, share, visits, taste, size, rng)["verdict"] == verdict

    return one


def _matters(
    found: str, share: float, visits: Sequence[int], taste: float, size: int
) -> Callable[[Rng], bool]:
    def one(rng: Rng) -> bool:
        row = _judge("listeners prefer a over b", share, visits, taste, size, rng)
        return row["matters"] == found

    return one


def cells(n: int) -> Iterator[Cell]:
    """Yield the cells of this topic."""
    seed = 40_000
    for visits in ("16 x 18", "2 x 60 + 14 x 3", "3 x 60 + 37 x 4", "3 to 60"):
        for taste in TASTES:
            for size in (2, 4):
                seed += 20
                yield from _at_the_split(visits, taste, size, n, seed)
    yield from _large(n, 50_000)
    yield from _asleep(n, 60_000)
    yield from _power(n, 70_000)


def _at_the_split(visits: str, taste: float, size: int, n: int, seed: int) -> Iterator[Cell]:
    own, g = VISITS[visits], len(VISITS[visits])
    where = f"{size} stages, tastes {taste:g}; {visits}"
    points = 0.15
    # Both sides are mirror images; with four stages one of them will do.
    for k, share in enumerate((0.5 + points, 0.5 - points)[: 2 if size == 2 else 1]):
        for j, verdict in enumerate(("supported", "contradicted")):
            one = _says(verdict, points, share, own, taste, size)
            what = f"neither beyond 65 to 35 {verdict} at {100 * share:g} %, {where}"
            yield Cell(what, g, "at most", one, n, seed + 2 * k + j)


def _large(n: int, seed: int) -> Iterator[Cell]:
    """Panels large enough for 55 to 45: both verdicts at that split, and whether it matters."""
    own = [40] * 60
    for taste in TASTES:
        for share in (0.55, 0.45):
            where = f"at {100 * share:g} %, tastes {taste:g}; 60 x 40"
            for verdict in ("supported", "contradicted"):
                seed += 1
                one = _says(verdict, 0.05, share, own, taste, 2)
                yield Cell(
                    f"neither beyond 55 to 45 {verdict} {where}", 60, "at most", one, n, seed
                )
            for found in ("no", "yes"):
                seed += 1
                one = _matters(found, share, own, taste, 2)
                what = f"it matters: {found}, {where}"
                yield Cell(what, 60, "at most", one, n, seed, nominal=0.025)


def _asleep(n: int, seed: int) -> Iterator[Cell]:
    """Panels that answer everything by lot, pairs and controls."""
    for k, (g, each) in enumerate(((8, 240), (16, 240), (40, 90))):

        def one(rng: Rng, g: int = g, each: int = each) -> bool:
            panel = fitted(counter_panel(np.zeros(3), [each] * g, 0.0, rng))
            right = pd.DataFrame(
                {
                    "listener": panel.counts.listeners,
                    "programme": "",
                    "n_trials": 8,
                    "n_correct": rng.binomial(8, 0.5, g),
                }
            )
            controls = (2 * g, int(rng.binomial(2 * g, 0.5)))
            held = Heard([PairCells(("a", "c"), "abx", right)], panel, controls)
            claim = "listeners prefer neither a nor b beyond 55 to 45"
            return judge_claims([claim], held)[0]["verdict"] == "supported"

        yield Cell(f"neither, all answer by lot; {g} x {each}", g, "at most", one, n, seed + k)


def _power(n: int, seed: int) -> Iterator[Cell]:
    """Print the chance to show that neither is preferred, where preference is even in the mean."""
    for points in (0.05, 0.1, 0.15):
        for g, each in ((12, 12), (24, 12), (24, 24), (60, 12), (60, 40), (200, 24)):
            for taste in TASTES:
                seed += 1
                one = _says("supported", points, 0.5, [each] * g, taste, 2)
                what = f"neither beyond {50 + 100 * points:g} to {50 - 100 * points:g}, even, "
                what += f"tastes {taste:g}; {g} x {each}"
                yield Cell(what, g, "figure", one, max(n // 4, 1), seed)
    for share in (0.501, 0.52, 0.55, 0.6):
        seed += 1

        def small(rng: Rng, share: float = share) -> bool:
            row = _judge("listeners prefer a over b", share, [2000] * 60, 0.0, 2, rng)
            return row["verdict"] == TOO_SMALL

        yield Cell(f"too small to matter at {100 * share:g} %; 60 x 2000", 60, "figure", small,
                   max(n // 4, 1), seed)  # fmt: skip
