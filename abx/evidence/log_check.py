"""Recompute everything the log promises, and say in words what holds and what does not.

Nothing here trusts a stored figure: hashes are recomputed from the rows, the schedule from the
seed, the questions from the schedule. What a chain inside one database cannot show is that
somebody rewrote all of it, or cut off its end while the study was open; the head hash, noted
elsewhere at closing, shows that too.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from abx.errors import SHOWN, InputError, StoreError
from abx.evidence.findings import CheckOutcome, check, note
from abx.evidence.log_notes import log_notes, playback_faults, playback_words, row_name
from abx.methods import get_method
from abx.schedule.familiarisation import KIND, listening_sets
from abx.schedule.panel import RULE, Slot, make_slot, rehearsal_seed, seed_commitment
from abx.sound.stimuli import manifest_hash
from abx.store.chain import GENESIS, LogRow, body_digest, row_digest
from abx.study_file.reading import study_from_text

if TYPE_CHECKING:
    from abx.store import Store
    from abx.study.model import Study
    from stimuli.render.manifest import Manifest

__all__ = ["chain_findings", "chain_head", "check_log"]

_KINDS = frozenset(
    {
        "study-opened",
        "session-begun",
        "familiarised",
        "answer",
        "break-ended",
        "playback-note",
        "session-finished",
        "withdrawal",
        "study-closed",
    }
)


def chain_head(store: Store, study_id: str) -> tuple[int, str]:
    """Return number of rows and hash of the last one: the figure to note elsewhere."""
    with store.looking(study_id) as chain:
        last = chain.last()
    return (0, GENESIS) if last is None else (last.seq, last.digest)


def chain_findings(rows: Sequence[LogRow]) -> list[CheckOutcome]:
    """Check what a log promises by itself: its chain of hashes, and the content under them."""
    return [
        check("chain", _chain_faults(rows), f"the log's {len(rows)} rows follow one another"),
        check("bodies", _body_faults(rows), "no content of the log was changed or removed"),
    ]


def check_log(
    store: Store,
    study: Study,
    manifest: Manifest,
    stimuli_dir: str | Path,
    *,
    expected_head: str | None = None,
    with_sound: bool = True,
) -> list[CheckOutcome]:
    """Check the log of a study against study file, stimuli and schedule.

    Parameters
    ----------
    store : Store
        Open store.
    study : Study
        The study file as it stands now.
    manifest : Manifest
        The manifest as it stands now.
    stimuli_dir : str or Path
        Folder of the stimuli.
    expected_head : str, optional
        Hash of the last row as noted elsewhere.
    with_sound : bool, optional
        Whether the stimulus files are there; without them only the manifest is checked.

    Returns
    -------
    list of CheckOutcome
        Every check, passed or not, and notes on what a log cannot show.

    Raises
    ------
    StoreError
        If the database cannot be read or holds no study.
    """
    study_id = _latest_study(store, study)
    rows = store.rows(study_id)
    opened = rows[0].content if rows and rows[0].kind == "study-opened" else {}
    checks = [
        *chain_findings(rows),
        check("study file", _study_faults(opened, study), "the study file is the sealed one"),
        check(
            "stimuli",
            _stimuli_faults(opened, manifest, Path(stimuli_dir), with_sound=with_sound),
            f"all {len(manifest.stimuli)} stimuli are the sealed files"
            if with_sound
            else "the stimulus manifest is the sealed one",
        ),
    ]
    checks.append(check("software", _software_faults(rows, opened), _software_words(opened)))
    seed, seed_check = _seed_check(store, study_id, rows, opened)
    checks.append(seed_check)
    if seed is not None:
        answers = sum(row.kind == "answer" for row in rows)
        faults = _sitting_faults(rows, study, seed)
        checks.append(
            check("sittings", faults, f"all {answers} answers fit the schedule made from the seed")
        )
    if any(row.kind == "playback-note" for row in rows):
        checks.append(check("playback", playback_faults(rows), playback_words(rows)))
    if any(row.kind == "withdrawal" for row in rows):
        checks.append(_withdrawals(rows))
    checks.append(_closing_check(rows))
    if expected_head is not None:
        found = rows[-1].digest if rows else GENESIS
        wrong = [] if found == expected_head else [f"the last row's hash is {found}"]
        checks.append(check("head", wrong, "the log ends with the row that was noted"))
    checks += log_notes(rows, opened, head_known=expected_head is not None)
    return checks


def _latest_study(store: Store, study: Study) -> str:
    """Find the study by its file, else by its title, so that an edited file is named as such."""
    by_file: list[tuple[str, str]] = []
    by_title: list[tuple[str, str]] = []
    others: list[tuple[str, str]] = []
    for study_id in store.studies():
        first = store.rows(study_id)[0]
        content = first.content
        if content.get("study_sha256") == study.sha256:
            by_file.append((first.at, study_id))
        elif content.get("title") == study.title:
            by_title.append((first.at, study_id))
        else:
            others.append((first.at, study_id))
    found = by_file or by_title or others
    if not found:
        raise StoreError("This database holds no study; nothing was opened here yet.")
    return max(found)[1]


def _chain_faults(rows: Sequence[LogRow]) -> Iterator[str]:
    previous: LogRow | None = None
    last_of: dict[str, LogRow] = {}
    for row in rows:
        if row.digest != _digest_of(row):
            yield f"{row_name(row)} does not match its hash: it was edited"
        if row.seq != (1 if previous is None else previous.seq + 1):
            before = 0 if previous is None else previous.seq
            yield f"rows between {before} and {row.seq} are missing"
        if row.prev != (GENESIS if previous is None else previous.digest):
            yield f"{row_name(row)} does not follow the row before it"
        if previous is not None and row.at < previous.at:
            yield f"{row_name(row)} is dated before the row before it"
        if row.session:
            yield from _session_chain_faults(row, last_of.get(row.session))
            last_of[row.session] = row
        if row.kind not in _KINDS:
            yield f"{row_name(row)} is of no known kind"
        previous = row
    if not rows or rows[0].kind != "study-opened":
        yield "the log does not begin with the opening of the study"


def _digest_of(row: LogRow) -> str:
    return row_digest(
        study=row.study,
        seq=row.seq,
        kind=row.kind,
        session=row.session,
        session_seq=row.session_seq,
        key=row.key,
        at=row.at,
        digest_of_body=row.body_digest,
        session_prev=row.session_prev,
        prev=row.prev,
    )


def _session_chain_faults(row: LogRow, before: LogRow | None) -> Iterator[str]:
    if row.session_prev != (GENESIS if before is None else before.digest):
        yield f"{row_name(row)} does not follow the row before it in its sitting"
    if row.session_seq != (1 if before is None else before.session_seq + 1):
        yield f"{row_name(row)} is out of order in its sitting"


def _body_faults(rows: Sequence[LogRow]) -> Iterator[str]:
    withdrawn = {row.session for row in rows if row.kind == "withdrawal"}
    for row in rows:
        if row.body is None or row.salt is None:
            if row.session not in withdrawn or row.kind == "withdrawal":
                yield f"{row_name(row)} lost its content, and nobody withdrew"
        elif body_digest(row.salt, row.body) != row.body_digest:
            yield f"{row_name(row)} holds other content than was stored"


def _study_faults(opened: Mapping[str, Any], study: Study) -> Iterator[str]:
    if opened.get("study_sha256") == study.sha256:
        return
    yield "the study file differs from the sealed one"
    try:
        sealed = study_from_text(str(opened.get("study_text", "")))
    except InputError:
        yield "the sealed text cannot be read any more"
        return
    parts: tuple[tuple[str, Callable[[Study], object]], ...] = (
        ("the claims", lambda s: s.plan.claims),
        ("the stopping rule", lambda s: s.plan.stopping),
        ("the plan", lambda s: s.plan),
        ("the tests", lambda s: s.tests),
        ("the stages", lambda s: s.stages),
        ("how money is counted", lambda s: s.prices),
        ("the programmes", lambda s: s.programmes),
        ("the target", lambda s: s.target),
    )
    changed = [name for name, part in parts if part(sealed) != part(study)]
    if changed:
        yield f"what changed: {', '.join(changed)}"


def _stimuli_faults(
    opened: Mapping[str, Any], manifest: Manifest, folder: Path, *, with_sound: bool
) -> Iterator[str]:
    if opened.get("manifest_sha256") != manifest_hash(folder):
        yield "the stimulus manifest differs from the sealed one"
    if not with_sound:
        return
    by_hash = {record.sha256: record for record in manifest.stimuli}
    for record in manifest.stimuli:
        path = folder / record.file_name
        if not path.is_file():
            yield f"the stimulus of {record.stage}, {record.programme} is missing"
            continue
        found = hashlib.sha256(path.read_bytes()).hexdigest()
        if found == record.sha256:
            continue
        other = by_hash.get(found)
        if other is None:
            yield f"the stimulus of {record.stage}, {record.programme} was changed"
        else:
            yield (
                f"the file of {record.stage}, {record.programme} holds the stimulus of "
                f"{other.stage}, {other.programme}: they were swapped"
            )


def _software_faults(rows: Sequence[LogRow], opened: Mapping[str, Any]) -> Iterator[str]:
    """Name sittings run by another version of this program than the seal has."""
    sealed = opened.get("software")
    for row in rows:
        if row.kind == "session-begun" and row.body is not None:
            found = row.content.get("software")
            if found != sealed:
                yield f"{row_name(row)} was run by version {found}, the seal names {sealed}"


def _software_words(opened: Mapping[str, Any]) -> str:
    return f"every sitting names the sealed version of the program, {opened.get('software')}"


def _seed_check(
    store: Store, study_id: str, rows: Sequence[LogRow], opened: Mapping[str, Any]
) -> tuple[bytes | None, CheckOutcome]:
    """Take the revealed seed, or the sealed one while the study is open."""
    closed = [row for row in rows if row.kind == "study-closed"]
    kept = store.vault(study_id)
    if closed:
        seed = _bytes_of_hex(closed[-1].content.get("seed"))
        source = "the revealed seed"
    else:
        seed = None if kept is None else kept.seed
        source = "the sealed seed"
    if seed is None:
        return None, CheckOutcome("seed", False, f"{source} is missing or unreadable")
    faults = []
    if seed_commitment(seed) != opened.get("seed_commitment"):
        faults.append(f"{source} is not the one whose hash was published")
    if opened.get("rule") != RULE:
        faults.append(f"the schedule follows the rule {opened.get('rule')!r}, not {RULE!r}")
    words = f"{source} is the one whose hash stands in the first row of the log"
    return seed, check("seed", faults, words)


def _bytes_of_hex(text: object) -> bytes | None:
    try:
        return bytes.fromhex(text) if isinstance(text, str) else None
    except ValueError:
        return None


def _sitting_faults(rows: Sequence[LogRow], study: Study, seed: bytes) -> Iterator[str]:
    by_session: dict[str, list[LogRow]] = defaultdict(list)
    for row in rows:
        if row.session:
            by_session[row.session].append(row)
    for session_rows in by_session.values():
        begun = session_rows[0]
        if begun.kind != "session-begun":
            yield f"{row_name(begun)} stands before the beginning of its sitting"
        elif begun.body is not None:  # a withdrawn sitting has nothing left to check
            body = begun.content
            key = rehearsal_seed(seed) if body["simulated"] else seed
            slot = make_slot(study, key, int(body["slot"]))
            sets = len(listening_sets(study, key, slot.index)) if body.get("familiarise") else 0
            yield from _set_faults(session_rows, sets)
            yield from _answer_faults(session_rows, slot)


def _set_faults(session_rows: Sequence[LogRow], n_sets: int) -> Iterator[str]:
    """Hold the sets against the rule: in order, all of them before the first answer."""
    heard = 0
    for row in session_rows:
        if row.kind == KIND and row.body is not None:
            heard += 1
            if row.content.get("set") != heard or heard > n_sets:
                yield f"{row_name(row)} is about a set that was not due"
        elif row.kind == "answer" and heard < n_sets:
            yield f"{row_name(row)} was given before all versions were known"
            return


def _answer_faults(session_rows: Sequence[LogRow], slot: Slot) -> Iterator[str]:
    expected = 1
    for row in session_rows:
        if row.kind != "answer" or row.body is None:
            continue
        body = row.content
        if body.get("number") != expected or row.key != f"answer:{row.session}:{expected}":
            yield f"{row_name(row)} answers trial {body.get('number')}, not {expected}"
        number = body.get("number")
        if not isinstance(number, int) or not 1 <= number <= len(slot.trials):
            yield f"{row_name(row)} answers a trial that is not in the schedule"
            continue
        trial = slot.trials[number - 1]
        try:
            get_method(trial.method).read_answer(trial, body.get("answer"))
        except SHOWN:
            yield f"{row_name(row)} holds an answer its question does not offer"
        if body.get("phase") != trial.phase:
            yield f"{row_name(row)} is marked {body.get('phase')}, but was {trial.phase}"
        expected = number + 1


def _withdrawals(rows: Sequence[LogRow]) -> CheckOutcome:
    """Say what was withdrawn; that only these rows are empty is checked with the bodies."""
    taken = [row for row in rows if row.kind == "withdrawal"]
    sessions = {row.session for row in taken}
    kept = [
        f"{row_name(row)} was to be erased by a withdrawal and still has its content"
        for row in rows
        if row.session in sessions and row.kind != "withdrawal" and row.body is not None
    ]
    erased = [row for row in rows if row.session in sessions and row.kind != "withdrawal"]
    answers = sum(row.kind == "answer" for row in erased)
    sittings = "1 sitting was" if len(sessions) == 1 else f"{len(sessions)} sittings were"
    days = sorted({row.at[:10] for row in taken})
    words = (
        f"{sittings} withdrawn ({', '.join(days)}): {answers} answers, {len(erased)} rows without "
        "content"
    )
    return check("withdrawals", kept, words)


def _closing_faults(rows: Sequence[LogRow]) -> Iterator[str]:
    places = [place for place, row in enumerate(rows) if row.kind == "study-closed"]
    if len(places) > 1:
        yield "the study was closed more than once"
    if not places:
        return
    place = places[0]
    before = rows[place - 1].digest if place else ""
    if rows[place].content.get("head") != before:
        yield "the closing row does not name the row before it: rows were cut or added"
    for row in rows[place + 1 :]:
        if row.kind != "withdrawal":
            yield f"{row_name(row)} was added after the study was closed"


def _closing_check(rows: Sequence[LogRow]) -> CheckOutcome:
    if not any(row.kind == "study-closed" for row in rows):
        head = rows[-1].digest if rows else GENESIS
        return note("closing", f"the study is open; so far the log ends with {head}")
    words = f"nothing was added after closing; the log ends with {rows[-1].digest}"
    return check("closing", _closing_faults(rows), words)
