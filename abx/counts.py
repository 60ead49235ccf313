"""What staff may see before a study is closed: how many, never what."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from abx.methods import get_method

if TYPE_CHECKING:
    from abx.session import Sessions

__all__ = ["count_answers"]


def count_answers(sessions: Sessions) -> dict[str, Any]:
    """Count sittings and answers.

    Returns
    -------
    dict
        ``state``, ``commitment``, ``planned``, ``listeners`` (one entry a sitting: ``listener``,
        ``answered``, ``of``, ``finished``, ``begun_at``, ``last_at``, and ``fewest`` and ``most``
        answers to one of the sitting's comparisons), ``methods`` and ``pairs`` (answered test
        trials, in either order), each for people only, ``stuttered`` with the number of booth
        trials whose sound stuttered, and ``simulated`` with the number of simulated sittings and
        answers.
    """
    store, study_id = sessions.store, sessions.study_id
    answers = store.rows(study_id, kind="answer")
    last = {row.session: row for row in answers}
    numbers: Counter[str] = Counter()
    for row in answers:
        if row.body is not None and row.content["phase"] == "test":
            numbers[row.session] += 1
    listeners: list[dict[str, Any]] = []
    methods: Counter[str] = Counter()
    pairs: Counter[tuple[str, str, str]] = Counter()
    first: Counter[tuple[str, str, str]] = Counter()
    simulated = {"sittings": 0, "answers": 0}
    for row in store.rows(study_id, kind="session-begun"):
        if row.body is None:
            continue
        body = row.content
        if body["simulated"]:
            simulated["sittings"] += 1
            simulated["answers"] += numbers[row.session]
            continue
        slot = sessions.slot(body["slot"])
        reached = last[row.session].content["number"] if row.session in last else 0
        own: Counter[tuple[str, str, str]] = Counter()
        for place, trial in enumerate(slot.trials):
            if trial.phase != "test":
                continue
            asked = place < reached
            methods[trial.method] += asked
            if not trial.control and get_method(trial.method).compares_pairs:
                order = get_method(trial.method).order_of(trial)
                pair = (trial.method, min(order), max(order))
                own[pair] += asked
                pairs[pair] += asked
                first[pair] += asked and order[0] == pair[1]
        listeners.append(
            {
                "listener": body["listener"],
                "answered": numbers[row.session],
                "of": slot.n_test_trials,
                "finished": reached == len(slot.trials),
                "fewest": min(own.values(), default=0),
                "most": max(own.values(), default=0),
                "begun_at": row.at,
                "last_at": last[row.session].at if row.session in last else row.at,
            }
        )
    return {
        "state": "closed" if sessions.closed else "open",
        "commitment": sessions.commitment,
        "planned": sessions.study.plan.listeners,
        "listeners": listeners,
        "methods": {method: count for method, count in sorted(methods.items()) if count},
        "pairs": [
            {
                "method": pair[0],
                "pair": list(pair[1:]),
                "answered": count,
                "first": first[pair],
                "second": count - first[pair],
            }
            for pair, count in sorted(pairs.items())
        ],
        "stuttered": _stuttered(sessions),
        "simulated": simulated,
    }


def _stuttered(sessions: Sessions) -> int:
    notes = sessions.store.rows(sessions.study_id, kind="playback-note")
    return len(
        {
            (row.session, row.content["trial"])
            for row in notes
            if row.body is not None and row.content["underruns"]
        }
    )
