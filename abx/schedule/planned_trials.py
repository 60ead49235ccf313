"""The trials that a plan will give, with placeholders for answers.

Trying a plan beforehand needs to know who is asked what, and how often; the schedule's own rules
say so, whole sittings and short visits alike.
"""

from __future__ import annotations

from contextlib import nullcontext
from threading import Lock
from typing import TYPE_CHECKING, Any

from abx.methods import get_method
from abx.schedule.panel import make_slot
from abx.schedule.visits import VISITS
from abx.study.model import Study
from abx.study.trial import Trial

if TYPE_CHECKING:
    from analysis.planning.simulated_panel import Panel
    from analysis.tables.trials import TrialTable

__all__ = ["PREVIEW_SEED", "PlannedPanels", "planned_slot"]

PREVIEW_SEED = b"preview only, not the seed of any panel"
"""A preview must not use the study's secret seed; any fixed bytes will do."""


def planned_slot(listener: int, visits: float = 0.0) -> int:
    """Return the slot of a listener.

    Parameters
    ----------
    listener : int
        0-based place in the order of coming.
    visits : float, optional
        Share of the listeners who come for a short visit, 0 to 1; they come evenly spread.
    """
    before, after = (int(k * visits + 1e-9) for k in (listener, listener + 1))
    return VISITS + before if after > before else listener - before


class PlannedPanels:
    """Panels of a study, of any size, a smaller one being the beginning of a larger one.

    Parameters
    ----------
    study : Study
    visits : float, optional
        As for :func:`planned_slot`.
    """

    def __init__(self, study: Study, *, visits: float = 0.0) -> None:
        self._study, self._visits = study, visits
        self._rows: list[list[dict[str, Any]]] = []
        self._panels: dict[int, Panel] = {}
        self._lock = Lock()

    @staticmethod
    def name(listener: int) -> str:
        """Return what the planned listener at a 0-based place is called."""
        return f"P{listener + 1:05d}"

    @property
    def groups(self) -> tuple[str, ...]:
        """Groups that listeners are dealt to in turn, "" where the study asks for none."""
        groups = self._study.groups
        return ("",) if groups is None else tuple(groups.answers)

    def trials(self, n_listeners: int) -> TrialTable | None:
        """Return all questions that have one right answer, or a choice; None without any."""
        import pandas as pd

        from analysis.tables.trials import trial_table

        while len(self._rows) < n_listeners:
            self._rows.append(self._asked(len(self._rows)))
        rows = [row for own in self._rows[:n_listeners] for row in own]
        return trial_table(pd.DataFrame(rows)) if rows else None

    def _asked(self, k: int) -> list[dict[str, Any]]:
        index = planned_slot(k, self._visits)
        # Dealt apart among whole sittings and visits, else a group might be all visitors.
        group = self.groups[index % VISITS % len(self.groups)]
        who = {"listener": self.name(k), "session": self.name(k), "group": group, "simulated": 1}
        return [{**who, **row} for row in self._asked_in(index)]

    def _asked_in(self, index: int) -> list[dict[str, Any]]:
        slot = make_slot(self._study, PREVIEW_SEED, index)
        return [row for trial in slot.trials if trial.phase == "test" for row in _rows(trial)]

    def panel(self, n_listeners: int) -> Panel:
        """Return a panel, ready to be simulated; made once."""
        from analysis.planning.simulated_panel import Panel, StudyTemplate

        # The desk draws the page while a thread simulates; both ask.
        with self._lock if n_listeners not in self._panels else nullcontext():
            if n_listeners not in self._panels:
                trials, compared = self.trials(n_listeners), self._compared()
                self._panels[n_listeners] = (
                    Panel.empty(compared)
                    if trials is None
                    else StudyTemplate(trials, compared, self._ties()).panel()
                )
        return self._panels[n_listeners]

    def _compared(self) -> tuple[str, ...]:
        """Return the stages of paired trials, which a whole sitting asks about all of."""
        paired = [
            row for row in self._asked_in(0) if row["method"] == "paired" and not row["control"]
        ]
        return tuple(sorted({row[side] for row in paired for side in ("stage_a", "stage_b")}))

    def _ties(self) -> bool:
        return any(bool(test.options.get("ties")) for test in self._study.tests)


_STAGES = ("stage_a", "stage_b", "stage_c", "stage_x")


def _rows(trial: Trial) -> list[dict[str, Any]]:
    method = get_method(trial.method)
    answers = method.answers(trial)
    if not answers:  # numbers on a scale: no claim rests on them
        return []
    common = {
        "trial": trial.number,
        "method": trial.method,
        "programme": trial.programme,
        "control": trial.control,
        **dict.fromkeys(_STAGES, ""),
    }
    kept = {*common, "answer"}
    return [
        common | {key: value for key, value in row.items() if key in kept}
        for row in method.rows(trial, answers[0].value, {})
    ]
