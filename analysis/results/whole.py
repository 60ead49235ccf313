"""All blocks of an analysis, and their form in JSON."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.results.about import About, ClaimsPower, LongBlock, PowerResult
from analysis.results.base import ResultBlock
from analysis.results.claims import AnswerResult, JudgedClaim
from analysis.results.experiments import DoseResult, RegionsResult
from analysis.results.frames import FRAMES, frame_of
from analysis.results.hearing import GrowingPanel, HearingRow, RightAnswersModel
from analysis.results.linked import LinkRow, PredictionRow, ProgrammeLinkRow
from analysis.results.listeners import ReliabilityResult
from analysis.results.preference import PreferenceResult
from analysis.results.rated import GradingResult, RatingsResult
from analysis.results.reading import plain, typed
from analysis.results.upgrade import UpgradeResult
from stimuli.files.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Results", "ResultsBlocks", "Screened"]


class ResultsBlocks(ResultBlock, frozen=True, kw_only=True, omit_defaults=False):
    """The blocks of one table of answers.

    Attributes
    ----------
    about : About or None
        What was analysed. None, as any other block, only where a file leaves it out.
    discrimination : tuple of HearingRow
        Could they hear it.
    preference : PreferenceResult or None
        What they prefer.
    choice : tuple of RightAnswersModel
        How listeners and pairs differ in right answers.
    reliability : ReliabilityResult or None
        Repeats, controls, consistency, agreement.
    ratings : RatingsResult or None
    grading : tuple of GradingResult
        One a reference.
    power : tuple of PowerResult
        What one question of the study as run could have noticed.
    growing_panel : tuple of GrowingPanel
        Statements that hold however often one looks.
    link : tuple of LinkRow
        Measured figures against preference.
    link_programmes : tuple of ProgrammeLinkRow
        The same programme by programme.
    predictions : tuple of PredictionRow
        Measured stages that nobody compared.
    upgrade : UpgradeResult or None
        Which step first.
    regions : RegionsResult or None
        Region swaps.
    dose : DoseResult or None
        Partial steps.
    claims : tuple of JudgedClaim
        Verdicts.
    answer : AnswerResult or None
        What the first screen may say of people.
    """

    about: About | None = None
    discrimination: tuple[HearingRow, ...] = ()
    preference: PreferenceResult | None = None
    choice: tuple[RightAnswersModel, ...] = ()
    reliability: ReliabilityResult | None = None
    ratings: RatingsResult | None = None
    grading: tuple[GradingResult, ...] = ()
    power: tuple[PowerResult, ...] = ()
    growing_panel: tuple[GrowingPanel, ...] = ()
    link: tuple[LinkRow, ...] = ()
    link_programmes: tuple[ProgrammeLinkRow, ...] = ()
    predictions: tuple[PredictionRow, ...] = ()
    upgrade: UpgradeResult | None = None
    regions: RegionsResult | None = None
    dose: DoseResult | None = None
    claims: tuple[JudgedClaim, ...] = ()
    answer: AnswerResult | None = None


class Screened(ResultBlock, frozen=True, kw_only=True):
    """The results without the listeners whom the declared rule leaves out.

    Attributes
    ----------
    rule : str
        As declared.
    excluded : tuple of str
    results : ResultsBlocks or None
        None where nobody is left out, or nobody is left.
    """

    rule: str
    excluded: tuple[str, ...]
    results: ResultsBlocks | None


class Results(ResultsBlocks, frozen=True, kw_only=True, omit_defaults=False):
    """What an analysis returns.

    Blocks are frozen and typed; tables come as data frames by :meth:`frame`.

    Attributes
    ----------
    power_claims : ClaimsPower or None
        What the claims as a set could have shown.
    screened : Screened or None
        The same blocks without the listeners whom the declared rule leaves out.
    long_blocks : tuple of LongBlock
        Parts that take long, or were left out.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis import Results, analyse, trials_from
    >>> rows = [
    ...     {"listener": f"P{person}", "stage_a": a, "stage_b": b, "answer": "damped"}
    ...     for person in range(12)
    ...     for a, b in (("damped", "as-built"), ("as-built", "damped"))
    ... ]
    >>> results = analyse(trials_from(pd.DataFrame(rows)), without=["groups", "tastes"])
    >>> results.frame("preference.pairs")[["pair", "wins", "losses", "share"]]
                     pair  wins  losses  share
    0  (as-built, damped)     0      24    0.0
    >>> Results.from_json(results.to_json()) == results
    True
    """

    power_claims: ClaimsPower | None = None
    screened: Screened | None = None
    long_blocks: tuple[LongBlock, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain dictionaries, lists, texts and numbers; None where undefined."""
        data: dict[str, Any] = plain(self)
        return data

    def to_json(self) -> str:
        """Return the text of ``results.json``, at full precision."""
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], *, source: str | None = None) -> Results:
        """Return plain data as results.

        Parameters
        ----------
        data : mapping
            As :meth:`to_dict` gives it. A whole block may be left out.
        source : str, optional
            File that an error names.

        Raises
        ------
        InputError
            A field is missing, not known, or of another type; names it.
        """
        return typed(data, cls, source=source)

    @classmethod
    def from_json(cls, text: str | bytes, *, source: str | None = None) -> Results:
        """Return the text of ``results.json`` as results.

        Parameters
        ----------
        text : str or bytes
        source : str, optional
            File that an error names.

        Raises
        ------
        InputError
            The text is not JSON, or as :meth:`from_dict`.
        """
        try:
            data = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise InputError(
                source=source,
                problem=f"this is not JSON: {error}",
                remedy="Write the results again, with earwitness analyse or report",
            ) from error
        return cls.from_dict(data, source=source)

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> Results:
        """Read a ``results.json``.

        Parameters
        ----------
        path : path-like

        Raises
        ------
        InputError
            The file cannot be read, or as :meth:`from_json`.
        """
        try:
            text = Path(path).read_bytes()
        except OSError as error:
            raise InputError(
                source=str(path), problem=str(error.strerror or error), remedy="Check the path"
            ) from error
        return cls.from_json(text, source=str(path))

    def frame(self, name: str) -> pd.DataFrame:
        """Return a table of the results.

        Parameters
        ----------
        name : str
            One of :data:`analysis.results.frames.FRAMES`, such as ``"preference.stages"``.

        Returns
        -------
        pandas.DataFrame
            One row a row of the block, one column a field, NaN where a figure is undefined. Fields
            of a block inside a row have its name before theirs (``panel.p_value``); rows of a
            table inside a row begin with what names that row. Empty where the analysis has no such
            rows.

        Raises
        ------
        InputError
            There is no table of that name.
        """
        return frame_of(self, name)

    def __repr__(self) -> str:
        return f"<Results: {self._summary()}>"

    def _summary(self) -> str:
        about = self.about
        if about is None:
            return "of unknown answers"
        people = "simulated listeners" if about.simulated else "listeners"
        parts = [f"{about.n_trials} trials of {about.n_listeners} {people}"]
        parts += [f"{n} {method}" for method, n in about.methods.items()]
        verdicts = Counter(claim.verdict for claim in self.claims)
        parts += [f"claims {verdict}: {n}" for verdict, n in verdicts.items()]
        return ", ".join(parts)

    def _repr_html_(self) -> str:
        """Return claims with their verdicts, and the tables that there are, for a notebook."""
        lines = [f"<p><b>Results</b>: {escape(self._summary())}</p>"]
        if self.claims:
            rows = "".join(
                f"<tr><td>{escape(claim.text)}</td><td>{escape(claim.verdict)}</td></tr>"
                for claim in self.claims
            )
            lines.append(f"<table><tr><th>Claim</th><th>Verdict</th></tr>{rows}</table>")
        held = [name for name in FRAMES if len(self.frame(name))]
        named = ", ".join(f"<code>{escape(name)}</code>" for name in held)
        lines.append(f"<p>Tables for <code>.frame(name)</code>: {named or 'none'}.</p>")
        return "\n".join(lines)
