"""Open a study in a store: secrets drawn, hashes fixed, before the first trial."""

from __future__ import annotations

import hashlib
import platform
import secrets
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from abx.errors import StudyChanged
from abx.schedule.panel import RULE, seed_commitment
from abx.sound.stimuli import manifest_hash
from abx.store import Entry, LogRow, Store
from abx.store.store import Vault
from abx.study.model import Study
from abx.study_file.design_claims import design_claims

__all__ = [
    "Opening",
    "open_study",
    "sealed_before_listening",
    "sealed_design_claims",
    "software_version",
    "study_version_id",
]


@dataclass(frozen=True, slots=True)
class Opening:
    """An opened study.

    Attributes
    ----------
    study_id : str
        Id of this version of the study: study file and stimuli together.
    vault : Vault
        Its secrets.
    software : str
        Version of this program.
    """

    study_id: str
    vault: Vault
    software: str


def software_version() -> str:
    """Return the version of this program."""
    try:
        return version("earwitness")
    except PackageNotFoundError:  # running from a checkout that was never installed
        return "checkout"


def study_version_id(study_sha256: str, manifest_sha256: str) -> str:
    """Return the id of a version: any change of study file or stimuli gives another."""
    return hashlib.sha256(f"{study_sha256}\n{manifest_sha256}".encode()).hexdigest()[:16]


def open_study(
    store: Store, study: Study, stimuli_dir: Path, *, seed: bytes | None = None
) -> Opening:
    """Open a study, or find it open already.

    Parameters
    ----------
    store : Store
        Where its log is kept.
    study : Study
        The checked study file.
    stimuli_dir : Path
        Folder with ``manifest.json``.
    seed : bytes, optional
        Seed of the schedule, 32 bytes, where a rehearsal is to come out the same again.
        For people it is left out and drawn here, so that nobody knows it.

    Returns
    -------
    Opening
        With the secrets drawn at the first opening.

    Raises
    ------
    InputError
        If the stimuli have not been rendered.
    StudyChanged
        If people have already answered another version that is still open, or if the study was
        opened by a version of this program that deals other questions from the same seed.
    """
    manifest_sha256 = manifest_hash(stimuli_dir)
    study_id = study_version_id(study.sha256, manifest_sha256)
    software = software_version()
    existing = store.vault(study_id)
    if existing is not None:
        _refuse_other_rule(store, study_id)
        return Opening(study_id, existing, software)
    _refuse_if_answered(store, study, study_id)
    contents = Vault(seed=seed or secrets.token_bytes(32), token_key=secrets.token_bytes(32))
    by_design = design_claims(study)
    body = {
        "title": study.title,
        "study_sha256": study.sha256,
        "study_text": study.text,
        "manifest_sha256": manifest_sha256,
        "seed_commitment": seed_commitment(contents.seed),
        "rule": RULE,
        "listeners": study.plan.listeners,
        "stopping": study.plan.stopping,
        "claims": [*study.plan.claims, *by_design],
        "design_claims": list(by_design),
        "software": software,
        "python": platform.python_version(),
    }
    with store.writing(study_id) as chain:
        if chain.find("study-opened") is None:  # else another process was faster
            store.keep_vault(chain.connection, study_id, contents)
            chain.append(Entry("study-opened", "study-opened", body))
    kept = store.vault(study_id)
    assert kept is not None
    return Opening(study_id, kept, software)


def sealed_before_listening(store: Store, study_sha256: str) -> bool:
    """Tell whether a study file was sealed in a store before anybody answered it.

    Parameters
    ----------
    store : Store
        Open store.
    study_sha256 : str
        Hash of the study file as it stands now.

    Returns
    -------
    bool
        True where a version of the study with this very file was opened and its opening row stands
        before its first answer. An edited file was not sealed.
    """
    return _sealing_row(store, study_sha256) is not None


def _sealing_row(store: Store, study_sha256: str) -> LogRow | None:
    """Return the row that opened a study with this file, where it stands before every answer."""
    for study_id in store.studies():
        opened = store.row_by_key(study_id, "study-opened")
        if opened is not None and opened.content.get("study_sha256") == study_sha256:
            answers = store.rows(study_id, kind="answer")
            return opened if all(opened.seq < row.seq for row in answers) else None
    return None


def sealed_design_claims(store: Store, study_sha256: str) -> tuple[str, ...]:
    """Return the claims by design that were sealed with a study file.

    Parameters
    ----------
    store : Store
        Open store.
    study_sha256 : str
        Hash of the study file as it stands now.

    Returns
    -------
    tuple of str
        Empty where this very file was not sealed before anybody answered, or was sealed by a
        version that had no such claims.
    """
    opened = _sealing_row(store, study_sha256)
    return () if opened is None else tuple(map(str, opened.content.get("design_claims", ())))


def _refuse_other_rule(store: Store, study_id: str) -> None:
    """Refuse a log whose questions were dealt otherwise: its answers would be misread."""
    opened = store.row_by_key(study_id, "study-opened")
    rule = None if opened is None else opened.content.get("rule")
    if rule is not None and rule != RULE:
        raise StudyChanged(
            f"This study was opened under the schedule rule {rule!r}; this version of the program "
            f"deals by {RULE!r} and would take its answers for answers to other questions. Use "
            f"the version that opened it ({opened.content.get('software') if opened else '?'}), "
            "or repeat the rehearsal."
        )


def _refuse_if_answered(store: Store, study: Study, study_id: str) -> None:
    """Refuse an edited study beside its answered version: it is a new one."""
    for other in store.studies():
        opened = store.row_by_key(other, "study-opened")
        if other == study_id or opened is None or opened.content.get("title") != study.title:
            continue
        if store.row_by_key(other, "study-closed") is None and _people_answered(store, other):
            raise StudyChanged(
                "The study file or the stimuli have changed since the study was opened, and "
                "answers to the opened version are stored. Restore the earlier files, or close "
                "the opened version first; then this becomes a new version with its own seal."
            )


def _people_answered(store: Store, study_id: str) -> bool:
    """Tell whether anybody but simulated listeners has answered."""
    people = {
        row.session
        for row in store.rows(study_id, kind="session-begun")
        if row.body is not None and not row.content["simulated"]
    }
    return any(row.session in people for row in store.rows(study_id, kind="answer"))
