"""Getting to know the versions before the questions: sets that are only listened to.

One set for each programme, with everything the listener may be asked to compare. The letters
are dealt anew for each set and listener, from the seed, so a letter stands for nothing. Nothing
is asked; what is kept is how long each letter was heard, in a row of its own in the log that no
table and no result looks at.
"""

from __future__ import annotations

from dataclasses import dataclass

from abx.errors import AnswerRefused
from abx.methods import get_method
from abx.schedule.panel import make_slot
from abx.schedule.stream import Stream
from abx.schedule.visits import is_visit
from abx.study.model import Study

__all__ = ["KIND", "ListeningSet", "listening_sets"]

KIND = "familiarised"
"""Kind of the log's row after a set was heard."""

_LETTERS = "abcdef"


@dataclass(frozen=True, slots=True)
class ListeningSet:
    """Some versions of one programme, to be heard before the questions.

    Attributes
    ----------
    number, of : int
        1-based place among the listener's sets, and their count.
    programme : str
        Programme id.
    versions : tuple of (str, str)
        Letter and what it plays.
    """

    number: int
    of: int
    programme: str
    versions: tuple[tuple[str, str], ...]

    @property
    def version_names(self) -> tuple[str, ...]:
        """Letters in presented order."""
        return tuple(name for name, _ in self.versions)

    def refuse_unheard(self, listened_s: dict[str, float]) -> None:
        """Raise where a version has not been heard.

        Raises
        ------
        AnswerRefused
            Names the letters that are missing.
        """
        missing = [name.upper() for name in self.version_names if not listened_s.get(name)]
        if missing:
            raise AnswerRefused(f"Please listen to every version: {', '.join(missing)}.")


def listening_sets(study: Study, seed: bytes, index: int) -> tuple[ListeningSet, ...]:
    """Return the sets a listener gets to know, in order.

    Parameters
    ----------
    study : Study
        The checked study file.
    seed : bytes
        The secret of the schedule.
    index : int
        Slot of the listener. A short visit gets its own versions with one programme.

    Returns
    -------
    tuple of ListeningSet
        At most six versions each; more are spread evenly over several sets.
    """
    stream = Stream(seed, "familiarisation", index)
    sets: list[tuple[str, tuple[str, ...]]] = []
    for programme, sources in _sounds_of_programmes(study, seed, index).items():
        mixed = stream.shuffled(sources)
        n_sets = -(-len(mixed) // len(_LETTERS))
        sets += [(programme, tuple(mixed[place::n_sets])) for place in range(n_sets)]
    return tuple(
        ListeningSet(number, len(sets), programme, tuple(zip(_LETTERS, sources, strict=False)))
        for number, (programme, sources) in enumerate(sets, start=1)
    )


def _sounds_of_programmes(study: Study, seed: bytes, index: int) -> dict[str, list[str]]:
    """Return what each programme is heard through; sorted, so that the order tells nothing."""
    if is_visit(index):
        asked = [trial for trial in make_slot(study, seed, index).trials if trial.phase == "test"]
        sources = {source for trial in asked for _, source in trial.versions if not trial.control}
        return {asked[0].programme: sorted(sources)}
    programmes = tuple(programme.id for programme in study.programmes)
    known: dict[str, set[str]] = {programme: set() for programme in programmes}
    for plan in study.tests:
        for unit in get_method(plan.method).units(plan, programmes):
            for programme in programmes if unit.programme is None else (unit.programme,):
                known[programme] |= set(unit.stages)
    return {programme: sorted(sources) for programme, sources in known.items() if sources}
