"""What staff may see before a study is closed: how many, never what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from abx.methods import get_method

if TYPE_CHECKING:
    from abx.session.sessions import Sessions

__all__ = ["balance_lines", "count_answers", "spread_words", "times_words"]


def count_answers(sessions: Sessions) -> dict[str, Any]:
    """Count sittings and answers.

    Returns
    -------
    dict
        ``state``, ``commitment``, ``planned``, ``listeners`` (one entry a sitting: ``listener``,
        ``answered``, ``of``, ``finished``, ``begun_at``, ``last_at``, and ``spread``: fewest and
        most answers to one of the sitting's comparisons, by method), ``methods`` and ``pairs``
        (answered test trials, in either order), each for people only, ``stuttered`` with the
        number of booth trials whose sound stuttered, and ``simulated`` with the number of
        simulated sittings and answers.
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
                "spread": _spread(own),
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


def _spread(own: Counter[tuple[str, str, str]]) -> dict[str, list[int]]:
    """Return fewest and most answers to one comparison, by method."""
    methods = sorted({method for method, _, _ in own})
    by_method = {m: [n for (method, _, _), n in own.items() if method == m] for m in methods}
    return {method: [min(numbers), max(numbers)] for method, numbers in by_method.items()}


def balance_lines(counts: Mapping[str, Any]) -> list[str]:
    """Say how evenly the comparisons of each method have been asked, in both orders.

    Parameters
    ----------
    counts : mapping
        From :func:`count_answers`.
    """
    lines = []
    for method in sorted({pair["method"] for pair in counts["pairs"]}):
        pairs = [pair for pair in counts["pairs"] if pair["method"] == method]
        answered = [pair["answered"] for pair in pairs]
        apart = max(abs(pair["first"] - pair["second"]) for pair in pairs)
        lines.append(
            f"{get_method(method).label}: {len(pairs)} "
            f"{'comparison' if len(pairs) == 1 else 'comparisons'}, each answered "
            f"{times_words(min(answered), max(answered))}; the two orders differ by {apart} at most"
        )
    if counts["stuttered"]:
        lines.append(f"the booth's sound stuttered in {counts['stuttered']} questions")
    return lines


def spread_words(spread: Mapping[str, Sequence[int]]) -> str:
    """Say how often each comparison of a sitting was answered, by method."""
    parts = [f"{get_method(m).label} {times_words(*span)}" for m, span in spread.items()]
    return "; ".join(parts)


def times_words(fewest: int, most: int) -> str:
    """Say how often each comparison was answered.

    Examples
    --------
    >>> times_words(0, 0), times_words(1, 1), times_words(1, 3)
    ('not yet', 'once', '1 to 3 times')
    """
    if fewest == most:
        return {0: "not yet", 1: "once"}.get(most, f"{most} times")
    return f"{fewest} to {most} times"


def _stuttered(sessions: Sessions) -> int:
    notes = sessions.store.rows(sessions.study_id, kind="playback-note")
    return len(
        {
            (row.session, row.content["trial"])
            for row in notes
            if row.body is not None and row.content["underruns"]
        }
    )
