"""What a plan can find, on the desk: simulated beside the page, shown as it becomes known.

Studies are simulated in a thread, so that nobody who types waits for them; the page looks in every
moment until they are done. A plan that was changed in the meantime is given up.
"""

from __future__ import annotations

import re
from contextlib import closing
from threading import Thread
from time import monotonic
from typing import TYPE_CHECKING

import streamlit as st

from abx.errors import SHOWN
from abx.planning.power import Asked, ask_plan
from abx.planning.words import claim_rows, finding_lines
from abx.web.pages.tables import show_table
from abx.web.pages.words import show_error
from analysis.models.cells import Workers

if TYPE_CHECKING:
    from abx.study.model import Study
    from abx.study.workspace import Workspace
    from analysis.planning.findings import Findings

__all__ = ["show_power"]

_KEPT = "plan-looks"
_MOST_KEPT = 8
#: Studies from which figures are worth a look; their error stands beside them.
_FEWEST = 20
_LOOK_EVERY_S = 0.7
#: Studies of a plan that is still being put together.
_QUICK = 100
#: A page that has not looked for so long is no longer open.
_PATIENCE_S = 15.0
_SIGNS = re.compile(r"([\\`*_\[\]#<>$~])")


class _Look:
    """A plan that is being simulated, for as long as somebody looks at it."""

    def __init__(self, asked: Asked, *, quick: bool) -> None:
        self.asked, self._quick = asked, quick
        self.found: Findings | None = None
        self.error: Exception | None = None
        self.done, self.total, self.over, self.left = 0, 1, False, False
        self.seen_s = monotonic()
        Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        from analysis.planning.findings import FIRST, explore

        try:
            # This process draws the page meanwhile.
            with (
                Workers(apart=True) as workers,
                closing(
                    explore(
                        self.asked.question,
                        n_studies=_QUICK if self._quick else FIRST,
                        sizes=not self._quick,
                        panels=not self._quick,
                        workers=workers,
                        progress=self._told,
                    )
                ) as steps,
            ):
                for found in steps:
                    self.found = found
                    if monotonic() - self.seen_s > _PATIENCE_S:
                        self.left = True
                        return
        except Exception as error:  # raised again where the page is drawn
            self.error = error
        finally:
            self.over = True

    def _told(self, done: int, total: int, _what: str) -> None:
        self.done, self.total = done, total


def show_power(study: Study, workspace: Workspace | None = None) -> None:
    """Show the chances of a plan's claims, more exactly from moment to moment.

    Parameters
    ----------
    study : Study
        The plan, saved or not.
    workspace : Workspace, optional
        Where the study lies; a study that lies nowhere yet gets a quick look.
    """
    try:
        look = _look_at(study, workspace)
    except SHOWN as error:
        show_error(error)
        return
    if look is None:
        st.write("There is no such figure for ratings and grades: it depends on how they spread.")
        return
    every = None if look.over else _LOOK_EVERY_S
    st.fragment(_draw, run_every=every)(look, waiting=not look.over)


def _look_at(study: Study, workspace: Workspace | None) -> _Look | None:
    """Return the look at a plan; what was left half-way begins again."""
    kept: dict[object, _Look] = st.session_state.setdefault(_KEPT, {})
    key = (_what_counts(study), workspace is None)
    for other in [other for other, look in kept.items() if other != key and not look.over]:
        kept.pop(other).seen_s = float("-inf")
    if key not in kept or kept[key].left:
        asked = ask_plan(study, workspace=workspace)
        if asked is None:
            return None
        kept[key] = _Look(asked, quick=workspace is None)
        while len(kept) > _MOST_KEPT:
            kept.pop(next(iter(kept)))
    return kept[key]


def _what_counts(study: Study) -> object:
    """Return what the chances depend on: not the title that somebody is typing."""
    groups = None if study.groups is None else tuple(study.groups.answers)
    return (study.tests, study.plan, study.stages, study.programmes, groups)


def _draw(look: _Look, *, waiting: bool) -> None:
    look.seen_s = monotonic()
    if look.error is not None:
        raise look.error
    found = look.found
    if found is not None and (look.over or found.tally.n_studies >= _FEWEST):
        _show_findings(look.asked, found)
    if not look.over:
        st.progress(min(1.0, look.done / look.total), "Simulating studies")
    elif waiting:
        st.rerun()


def _show_findings(asked: Asked, found: Findings) -> None:
    st.write(
        f"Chance that {asked.question.n_listeners} listeners support each claim if it is true, by "
        f"{found.tally.n_studies:,} simulated studies. After ±: the error of the simulation. "
        f"Level {100 * asked.question.family.alpha:g} %."
    )
    show_table(claim_rows(asked, found))
    st.markdown("\n".join(f"- {_plain(line)}" for line in finding_lines(asked, found)))


def _plain(line: str) -> str:
    """Keep Markdown from reading signs into a claim's names."""
    return _SIGNS.sub(r"\\\1", line)
