"""How a study was run, from its log: times, sittings, versions, and what was asked of whom.

Plain counts and times for the report, so that a reader can hold practice against plan. Nothing
here says what anybody answered.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from abx.methods import get_method

if TYPE_CHECKING:
    from abx.session.sessions import Sessions
    from abx.store import LogRow, Store

__all__ = ["conduct_block"]

_MOST_OUTPUTS = 8


def conduct_block(sessions: Sessions, *, study_sha256: str, manifest_sha256: str) -> dict[str, Any]:
    """Return how the study was run.

    Parameters
    ----------
    sessions : Sessions
        The opened study.
    study_sha256, manifest_sha256 : str
        Hashes of study file and stimulus manifest as they stand now.

    Returns
    -------
    dict
        ``opened_at``, ``first_answer_at``, ``last_answer_at``, ``closed_at`` (ISO 8601 UTC or
        None); ``n_sittings`` begun, of these ``n_finished``, ``n_unfinished`` (with at least one
        answer), ``n_unanswered`` and ``n_withdrawn``; ``n_after_closing`` (answers);
        ``tests`` (what each test asked, see :func:`_test_rows`); ``outputs`` (what the sound was
        played through, as listeners said); ``sealed`` and ``present`` (hashes and plan at opening,
        hashes now); ``software`` (program versions by sittings); ``earlier`` (other versions of
        the study in the same store).
    """
    rows = sessions.store.rows(sessions.study_id)
    answers = [row for row in rows if row.kind == "answer"]
    begun = [row for row in rows if row.kind == "session-begun"]
    kept = [row for row in begun if row.body is not None]
    closed = next((row for row in rows if row.kind == "study-closed"), None)
    answered = {row.session for row in answers if row.body is not None}
    finished = {row.session for row in rows if row.kind == "session-finished"}
    withdrawn = {row.session for row in rows if row.kind == "withdrawal"}
    return {
        "opened_at": _time_of(row for row in rows if row.kind == "study-opened"),
        "first_answer_at": _time_of(answers),
        "last_answer_at": _time_of(reversed(answers)),
        "closed_at": None if closed is None else closed.at,
        "n_sittings": len(begun),
        "n_finished": len(finished - withdrawn),
        "n_unfinished": len(answered - finished - withdrawn),
        "n_unanswered": len({row.session for row in kept} - answered - withdrawn),
        "n_withdrawn": len(withdrawn),
        "n_after_closing": 0 if closed is None else sum(row.seq > closed.seq for row in answers),
        "tests": _test_rows(sessions, kept, answers),
        "outputs": _outputs(kept),
        "sealed": _sealed(rows),
        "present": {"study_sha256": study_sha256, "manifest_sha256": manifest_sha256},
        "software": [
            {"version": version, "n_sittings": count}
            for version, count in sorted(Counter(r.content["software"] for r in kept).items())
        ],
        "earlier": _earlier(sessions.store, sessions.study.title, sessions.study_id),
    }


def _time_of(rows: Iterable[LogRow]) -> str | None:
    return next((row.at for row in rows), None)


def _sealed(rows: Sequence[LogRow]) -> dict[str, Any]:
    """Return what the opening row fixed, without the text of the study file itself."""
    opened = rows[0].content if rows and rows[0].kind == "study-opened" else {}
    return {key: value for key, value in opened.items() if key not in ("study_text", "title")}


def _test_rows(
    sessions: Sessions, begun: Sequence[LogRow], answers: Sequence[LogRow]
) -> list[dict[str, Any]]:
    """Count, for each test, the questions planned and answered in each sitting.

    ``planned_each`` is the number of questions that count (repeats included, controls and
    practice left out) in one sitting; ``answered_least`` and ``answered_most`` run over the
    sittings with at least one answer; ``n_answered`` is their sum and ``n_short`` the number of
    sittings with fewer than planned.
    """
    reached = {row.session: _number(row) for row in answers if row.body is not None}
    tests = sessions.study.tests
    counts: list[list[int]] = [[] for _ in tests]
    planned = [0] * len(tests)
    for row in begun:
        if row.session not in reached:
            continue
        body = row.content
        slot = sessions.slot(body["slot"], simulated=body["simulated"])
        asked = [t for t in slot.trials if t.phase == "test" and not t.control]
        heard = Counter(t.test for t in asked if t.number <= reached[row.session])
        whole = Counter(t.test for t in asked)
        for index in range(len(tests)):
            planned[index] = whole[index]
            counts[index].append(heard[index])
    return [
        {
            "method": test.method,
            "label": get_method(test.method).label,
            "planned_each": planned[index] or None,
            "answered_least": min(counts[index], default=None),
            "answered_most": max(counts[index], default=None),
            "n_answered": sum(counts[index]),
            "n_sittings": len(counts[index]),
            "n_short": sum(count < planned[index] for count in counts[index]),
        }
        for index, test in enumerate(tests)
    ]


def _number(row: LogRow) -> int:
    return int(row.content["number"])


def _outputs(begun: Sequence[LogRow]) -> list[dict[str, Any]]:
    """Count what listeners said they listened through, the most frequent first."""
    said = Counter(str(row.content.get("output") or "") for row in begun)
    ranked = sorted(said.items(), key=lambda item: (-item[1], item[0]))
    rest = sum(count for _, count in ranked[_MOST_OUTPUTS:])
    kept = ranked[:_MOST_OUTPUTS] + ([("other", rest)] if rest else [])
    return [{"output": name or None, "n_sittings": count} for name, count in kept]


def _earlier(store: Store, title: str, study_id: str) -> list[dict[str, Any]]:
    """Return other versions of this study in the store: a study file or stimuli changed later."""
    found = []
    for other in store.studies():
        rows = store.rows(other) if other != study_id else []
        if not rows or rows[0].content.get("title") != title:
            continue
        found.append(
            {
                "study_sha256": rows[0].content.get("study_sha256"),
                "opened_at": rows[0].at,
                "closed_at": _time_of(row for row in rows if row.kind == "study-closed"),
                "n_answers": sum(row.kind == "answer" for row in rows),
            }
        )
    return sorted(found, key=lambda row: str(row["opened_at"]))
