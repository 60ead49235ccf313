"""What every section needs: sentences, numbers, labels, and the blocks a template draws."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol, TypeVar, cast

from markupsafe import Markup

from analysis.report.evidence import Evidence, Row, clean_text
from analysis.report.figures.csvdata import csv_link
from analysis.report.words.conditions import Facts
from analysis.report.words.numbers import Numbers
from analysis.report.words.sentences import SENTENCES, first_allowed, say
from analysis.results.base import Counted, Pair, known
from analysis.results.claims import ClaimRow
from analysis.results.whole import Results

__all__ = ["Page", "PageBlock", "Section"]

T = TypeVar("T")


class HasPair(Protocol):
    """A row about two stages."""

    @property
    def pair(self) -> Pair:
        """Stages, first-named one first."""


Paired = HasPair | Row
P = TypeVar("P", bound=Paired)

NOTHING = Markup("")


@dataclass(frozen=True, slots=True)
class PageBlock:
    """One piece of a section; ``kind`` names the macro that draws it."""

    kind: str
    content: Any
    caption: Markup = NOTHING
    data: dict[str, str] | None = None
    style: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A titled run of blocks."""

    key: str
    title: Markup
    blocks: Sequence[PageBlock] = field(default_factory=tuple)
    part: Markup | None = None


class Page:
    """Writes words and numbers of one evidence dict.

    Parameters
    ----------
    evidence : Evidence
        Where everything comes from.
    """

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.numbers = Numbers(evidence)
        about, preference = evidence.results.about, evidence.results.preference
        alpha = evidence.number("/study/plan/alpha") or (about.alpha if about else None)
        classes = None if preference is None else preference.classes
        self.facts = Facts(
            simulated=evidence.simulated,
            alpha=alpha if alpha else 0.05,
            n_groups=1 if classes is None else classes.n_groups or 1,
        )

    @property
    def results(self) -> Results:
        """The results as typed blocks."""
        return self.evidence.results

    # words -----------------------------------------------------------------------------
    def say(self, key: str, facts: Facts | None = None, /, **values: object) -> Markup:
        """Write a sentence under the page's facts or narrower ones."""
        return say(self._known(key), facts or self.facts, **values)

    def _known(self, key: str) -> str:
        """Return the sentence that says no more than is known of answers gathered elsewhere."""
        careful = f"{key}.elsewhere"
        return careful if self.elsewhere and careful in SENTENCES else key

    @property
    def elsewhere(self) -> bool:
        """Whether all there is is a table of answers: how they were gathered is not known."""
        return self.evidence.get("/study/elsewhere") is not None

    def first(self, facts: Facts, /, *keys: str, **values: object) -> Markup:
        """Write the first sentence that the facts allow."""
        return first_allowed(tuple(map(self._known, keys)), facts, **values)

    def name(self, key: str) -> str:
        """Return a heading, a column or a unit word as plain text."""
        return SENTENCES[key].text

    def about(self, **known: Any) -> Facts:
        """Return the page's facts with more known about one result."""
        return replace(self.facts, **known)

    @property
    def mark(self) -> str | None:
        """Words across every figure of a rehearsal."""
        return str(self.say("mark.simulated")) if self.facts.simulated else None

    @property
    def margin_mark(self) -> Markup:
        """Style that sets the mark of a rehearsal into the margin of every printed page."""
        if not self.mark:
            return NOTHING
        look = "color: #8d2b2b; font: 700 9pt sans-serif;"
        box = f'@bottom-center {{ content: "{self.mark}"; {look} }}'
        return Markup(f"@page {{ {box} }}\n@page card {{ {box} }}")

    # user text -------------------------------------------------------------------------
    def user(self, text: object) -> Markup:
        """Write text that a user gave: escaped, isolated in direction, marked as theirs."""
        return Markup('<bdi class="u">{}</bdi>').format(clean_text(text))

    def stage(self, stage: object) -> Markup:
        """Write a stage's label for a table."""
        return self.user(self.evidence.stage_label(stage))

    def quoted(self, stage: object) -> Markup:
        """Write a stage's label for a sentence."""
        return Markup("“{}”").format(self.stage(stage))

    def claim(self, row: ClaimRow) -> Markup:
        """Write what a claim says with the names of its stages; as typed, without its parts."""
        if not row.parts:
            return self.user(row.text)
        said = (self.quoted(p) if k % 2 else self.user(p) for k, p in enumerate(row.parts) if p)
        return Markup("").join(said)

    def claim_typed(self, text: str) -> Markup:
        """Write a declared claim with the names of its stages, where it was judged."""
        row = next((row for row in self.results.claims if row.text == text), None)
        return self.user(text) if row is None else self.claim(row)

    def pair(self, row: Paired) -> Markup:
        """Write the pair of a row, first-named stage first."""
        first, second = self.pair_ids(row)
        return Markup("{} – {}").format(self.stage(first), self.stage(second))

    def pair_text(self, row: Paired) -> str:
        """Return the pair of a row for an axis."""
        first, second = (self.evidence.stage_label(stage) for stage in self.pair_ids(row))
        return f"{first} – {second}"

    def pair_ids(self, row: Paired) -> tuple[str, str]:
        """Return the two stage ids of a row; empty where they are missing."""
        pair: Any = row.get("pair") if isinstance(row, Row) else row.pair
        first, second, *_ = [*list(pair or ()), "", ""]
        return str(first), str(second)

    def in_order(self, rows: Iterable[P]) -> list[P]:
        """Sort pair rows as the study lists its stages."""
        rank = self.evidence.stage_order()
        last = len(rank)
        return sorted(rows, key=lambda row: [rank.get(s, last) for s in self.pair_ids(row)])

    # numbers ---------------------------------------------------------------------------
    def at(self, block: T) -> T:
        """Return the places of the fields of a block, under the names and types of the fields."""
        return self.evidence.at(block)

    def n(self, place: object, kind: str) -> Markup:
        """Write the number at a place."""
        return self.numbers.show(place, kind)

    def counted(self, place: object, unit: str, kind: str = "count") -> Markup:
        """Write a count with its unit word (``listener``, ``trial`` ...)."""
        words = self.name(f"unit.{unit}"), self.name(f"unit.{unit}s")
        return self.numbers.counted(place, *words, kind)

    def interval(self, low: object, high: object, kind: str) -> Markup:
        """Write an interval, from the places of its ends."""
        return self.numbers.between(low, high, kind)

    def known(self, pointer: str) -> bool:
        """Whether a finite number stands at ``pointer``."""
        return self.evidence.number(pointer) is not None

    def panel(self, block: Counted | None = None) -> Markup:
        """Write "16 listeners, 384 trials" of a block, of the whole where it is silent."""
        known: list[Counted] = [b for b in (block, self.results.about) if b is not None]
        listeners = next((self.at(b).n_listeners for b in known if b.n_listeners is not None), None)
        trials = next((self.at(b).n_trials for b in known if b.n_trials is not None), None)
        parts = [] if listeners is None else [self.counted(listeners, "listener")]
        parts += [] if trials is None else [self.counted(trials, "trial")]
        return Markup(", ").join(parts)

    def alpha_place(self) -> object:
        """Return where the level of the tests stands: in the plan, else in the results."""
        if self.known("/study/plan/alpha"):
            return "/study/plan/alpha"
        return None if self.results.about is None else self.at(self.results.about).alpha

    # blocks ----------------------------------------------------------------------------
    def section(self, key: str, blocks: Iterable[PageBlock | None]) -> Section:
        """Make a section; blocks that are None fall out."""
        return Section(key, self.say(f"title.{key}"), tuple(b for b in blocks if b is not None))

    def para(self, key: str, facts: Facts | None = None, /, **values: object) -> PageBlock:
        """Make a paragraph of one sentence."""
        return PageBlock("para", self.say(key, facts, **values))

    def note(self, key: str, facts: Facts | None = None, /, **values: object) -> PageBlock:
        """Make a quieter paragraph."""
        return PageBlock("para", self.say(key, facts, **values), style="note")

    def warning(self, key: str, /, **values: object) -> PageBlock:
        """Make a paragraph that must not be missed."""
        return PageBlock("para", self.say(key, **values), style="warning")

    def table(
        self,
        columns: Sequence[str],
        rows: Sequence[Sequence[object]],
        *,
        style: str = "",
        data: dict[str, str] | None = None,
    ) -> PageBlock:
        """Make a table; ``columns`` are keys of column names, cells are markup or text."""
        head = [self.say(f"col.{column}") for column in columns]
        return PageBlock("table", {"head": head, "rows": rows}, style=style, data=data)

    def figure(
        self, svg: Markup, caption: Iterable[Markup], data: dict[str, str] | None = None
    ) -> PageBlock:
        """Make a figure with its caption and the data behind it."""
        return PageBlock("figure", svg, Markup(" ").join(caption), data)

    def csv(
        self, name: str, header: Sequence[str], rows: Iterable[Sequence[Any]]
    ) -> dict[str, str]:
        """Make the saved table behind a figure."""
        return csv_link(name, header, rows, simulated=self.facts.simulated)

    def csv_of(self, name: str, rows: Sequence[object], fields: Sequence[object]) -> dict[str, str]:
        """Make a saved table of rows; a pair fills two columns.

        Fields are those of the rows' class, as in ``(StepRow.step, StepRow.gain)``.
        """
        keys = [field if isinstance(field, str) else field.__name__ for field in fields]  # type: ignore[attr-defined]
        header = [
            part for key in keys for part in (("first", "second") if key == "pair" else (key,))
        ]

        def cell(row: object, key: str) -> tuple[object, ...]:
            value = row.get(key) if isinstance(row, Row) else known(getattr(row, key))
            if key == "pair":
                return self.pair_ids(cast(Paired, row))
            return (value,)

        return self.csv(name, header, ([v for key in keys for v in cell(row, key)] for row in rows))
