"""The evidence bundle: one archive that a stranger can re-check.

A bundle is a ZIP file with plain members (see :data:`LAYOUT`); ``bundle.json`` lists each
with its size and SHA-256. Everything in it can be read without this program: TOML, CSV,
JSON, HTML, and the answer log as one JSON object a line. Checking a bundle unpacks it into
a temporary study folder, rebuilds the log and runs the same checks as on the study itself.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from abx.errors import SHOWN, InputError, StillOpen
from abx.evidence.bundle_log import LOG, rebuild_log
from abx.evidence.collect import software_versions
from abx.evidence.findings import CheckOutcome, told
from abx.evidence.log_check import chain_findings
from abx.evidence.recheck import check_study
from abx.evidence.schedule_check import drawn_bytes, drawn_finding
from abx.session.panels import open_sessions
from abx.sound.stages import stage_files
from abx.study.workspace import Area, Workspace, replace_file
from abx.study_file.reading import load_study
from abx.text.names import PASSABLE
from abx.text.shell import command_line

if TYPE_CHECKING:
    from abx.store.chain import LogRow

__all__ = ["FORMAT", "LAYOUT", "check_bundle", "write_bundle"]

Progress = Callable[[int, int, str], None]

#: Name of the format; it changes when an older checker could not read a newer bundle.
FORMAT = "earwitness-evidence-1"

#: Members of a bundle and what each holds.
LAYOUT: dict[str, str] = {
    "bundle.json": "format, panel, software, and size and SHA-256 of every other member",
    "study.toml": "the study file as sealed",
    "responses/...": "measured response tables and target tables named by the study file",
    "stimuli/manifest.json": "how each stimulus was made, with its hash",
    "stimuli/*.flac, programmes/...": "the sound itself, only when asked for",
    "stimuli-check.json": "what was measured back from the stimuli",
    "schedule.json": "seed, commitment, and what every sitting was to be asked",
    "log.jsonl": "the append-only answer log, one row a line, oldest first",
    "results/trials.csv": "the trial table, made from the log",
    "results/stages.csv": "the stage table, made from the responses",
    "results/programmes.csv": "what each stage does to each programme",
    "results/results.json": "the analysis",
    "results/report.html": "the report",
    "results/customer-card.html": "the same for the customer, one page",
    "results/researcher-report.html": "the same in the order of a paper",
    "results/reviewer-sheet.html": "the same for whoever has to back or reject a claim",
}

_INDEX = "bundle.json"
_SCHEDULE = "schedule.json"
# Without these nothing can be computed again.
_NEEDED = ("study.toml", "stimuli/manifest.json", LOG)
# A listening study is small; more than this is not one, and would fill a disk.
_MAX_MEMBERS = 20_000
_MAX_BYTES = 4_000_000_000
# What reading a damaged archive raises: among them an unknown way of packing, an encrypted member
# (RuntimeError), a place outside the file.
_BAD_ARCHIVE = (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, RuntimeError)


def write_bundle(
    workspace: Workspace,
    area: Area,
    path: Path,
    *,
    database: str | None = None,
    with_sound: bool = False,
    progress: Progress | None = None,
) -> Path:
    """Write the evidence bundle of a closed panel.

    Parameters
    ----------
    workspace, area : Workspace, Area
        The study and its panel; tables, results and report must have been made.
    path : Path
        The archive; an earlier one is replaced only when the new one is complete.
    database : str, optional
        Database URL when not the SQLite file of the area.
    with_sound : bool, optional
        Add stimuli and programmes, so that the sound can be measured again. Mind the
        rights of the music's owners before you pass it on.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    Path
        The archive.

    Raises
    ------
    InputError
        If results are missing.
    StillOpen
        If the study is still open.
    """
    log_text, schedule, closed = _read_log(workspace, area, database)
    if not closed:
        raise StillOpen("The study is still open. Close it first: earwitness close")
    members = _members(workspace, area, with_sound=with_sound)
    index: dict[str, Any] = {"format": FORMAT, "panel": _panel(area), "software": _software()}
    entries: dict[str, Any] = {}
    with (
        replace_file(path) as temporary,
        zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED) as archive,
    ):
        for done, (name, file) in enumerate(members):
            if progress:
                progress(done, len(members), name)
            entries[name] = _add(archive, name, file.read_bytes())
        entries[_SCHEDULE] = _add(archive, _SCHEDULE, schedule)
        entries[LOG] = _add(archive, LOG, log_text.encode())
        archive.writestr(_INDEX, json.dumps(index | {"members": entries}, indent=1))
    return path


def _panel(area: Area) -> str:
    return "simulated" if area.rehearsal else "people"


def _software() -> dict[str, str]:
    return software_versions()


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> dict[str, Any]:
    archive.writestr(name, data)
    return {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def _members(workspace: Workspace, area: Area, *, with_sound: bool) -> list[tuple[str, Path]]:
    study = load_study(workspace)
    names = ["study.toml", "stimuli/manifest.json", "stimuli-check.json"]
    names += stage_files(study)
    names += [study.target.file] if study.target.file else []
    names += [study.playback_response] if study.playback_response else []
    if with_sound:
        names += [programme.file for programme in study.programmes]
        names += [f"stimuli/{file.name}" for file in sorted(workspace.stimuli.glob("*.flac"))]
    members = [(name, workspace.root / name) for name in dict.fromkeys(names)]
    for name in (name.removeprefix("results/") for name in LAYOUT if "results/" in name):
        file = area.result(name)
        if not file.is_file():
            raise InputError(
                source=str(file),
                problem="this result has not been made",
                remedy=f"run '{command_line('report', workspace.root)}' first",
            )
        members.append((f"results/{name}", file))
    return members


def _read_log(workspace: Workspace, area: Area, database: str | None) -> tuple[str, bytes, bool]:
    """Return the log as text, the schedule as dealt, and whether the study is closed."""
    sessions = open_sessions(workspace, area, database=database)
    try:
        rows = sessions.store.rows(sessions.study_id)
        lines = [json.dumps(dataclasses.asdict(row), ensure_ascii=False) for row in rows]
        return "\n".join(lines) + "\n", drawn_bytes(sessions), sessions.closed
    finally:
        sessions.store.close()


# Checking ---------------------------------------------------------------------------------


def check_bundle(
    path: Path, *, expected_head: str | None = None, progress: Progress | None = None
) -> list[CheckOutcome]:
    """Check a bundle without trusting whoever made it.

    Parameters
    ----------
    path : Path
        The archive.
    expected_head : str, optional
        Hash of the log's last row as noted elsewhere. A bundle alone cannot prove that
        it was not made up as a whole; this can.
    progress : callable, optional
        ``progress(done, total, what)``.

    Returns
    -------
    list of CheckOutcome
        Every check, passed or not.

    Raises
    ------
    InputError
        If the file is not a bundle.
    """
    with tempfile.TemporaryDirectory() as name, _opened(path) as archive:
        folder = Path(name)
        index = _read_index(path, archive)
        findings = _member_findings(archive, index, folder)
        if not all((folder / needed).is_file() for needed in _NEEDED):
            return findings
        workspace = Workspace(folder, partial=not _has_sound(index))
        area = Area(folder, rehearsal=index.get("panel") == "simulated")
        rows: list[LogRow] = []
        try:
            rows = rebuild_log(folder / LOG, area)
            findings.append(_panel_finding(rows, area))
            findings += check_study(workspace, area, expected_head=expected_head, progress=progress)
            return [*findings, _schedule_finding(workspace, area)]
        except SHOWN as error:
            unread = _finding("content", told(error, folder))
            return [*findings, unread, *(chain_findings(rows) if rows else [])]


def _finding(name: str, fault: str) -> CheckOutcome:
    return CheckOutcome(name, False, fault)


def _member_findings(
    archive: zipfile.ZipFile, index: dict[str, Any], folder: Path
) -> list[CheckOutcome]:
    """Unpack a bundle; a member that was changed is named, and checked like the others."""
    faults = list(_unpack(archive, index, folder))
    if faults:
        return faults
    return [CheckOutcome("members", True, f"all {len(index['members'])} members are intact")]


def _panel_finding(rows: list[LogRow], area: Area) -> CheckOutcome:
    """Hold what the list of members calls the panel against the sittings in the log."""
    begun = [row for row in rows if row.kind == "session-begun" and row.body is not None]
    simulated = sum(bool(row.content.get("simulated")) for row in begun)
    called = f"{_INDEX} calls the panel {_panel(area)!r}"
    held = simulated == (len(begun) if area.rehearsal else 0)
    words = "as the log does" if held else f"the log has {simulated} simulated of {len(begun)}"
    return CheckOutcome("panel", held, f"{called}, {words}")


def _schedule_finding(workspace: Workspace, area: Area) -> CheckOutcome:
    """Hold the schedule of the bundle against its seed."""
    try:
        sessions = open_sessions(workspace, area)
    except SHOWN as error:
        return _finding("schedule", f"{_SCHEDULE}: {told(error, workspace.root)}")
    try:
        return drawn_finding(sessions, workspace.root / _SCHEDULE)
    finally:
        sessions.store.close()


def _opened(path: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(path)
    except FileNotFoundError as error:
        raise InputError(
            source=str(path), problem="there is no such file", remedy="check its name"
        ) from error
    except _BAD_ARCHIVE as error:
        raise InputError(
            source=str(path),
            problem="this is not an evidence bundle, or it is damaged",
            remedy="ask for it again; 'earwitness export --bundle' makes one",
        ) from error


def _read_index(path: Path, archive: zipfile.ZipFile) -> dict[str, Any]:
    try:
        if archive.getinfo(_INDEX).file_size > 50_000_000:
            raise ValueError("too large")
        index = json.loads(archive.read(_INDEX))
        members = index["members"]
        known = index["format"] == FORMAT and isinstance(members, dict)
    except (KeyError, TypeError, *_BAD_ARCHIVE) as error:
        raise InputError(
            source=str(path),
            where=_INDEX,
            problem="the list of members is missing or unreadable",
            remedy="this is not an evidence bundle, or it is damaged",
        ) from error
    if not known:
        raise InputError(
            source=str(path),
            where=_INDEX,
            problem=f"the format is {str(index['format'])[:60]!r}, not {FORMAT!r}",
            remedy="check it with the version of earwitness that made it",
        )
    return dict(index)


def _has_sound(index: dict[str, Any]) -> bool:
    return any(PurePosixPath(name).match("stimuli/*.flac") for name in index["members"])


def _unpack(
    archive: zipfile.ZipFile, index: dict[str, Any], folder: Path
) -> Iterator[CheckOutcome]:
    """Write listed members below ``folder``; yield a finding for each that is not as listed."""
    listed: dict[str, Any] = index["members"]
    infos = archive.infolist()
    present = [info.filename for info in infos if info.filename != _INDEX]
    if len(infos) > _MAX_MEMBERS or sum(info.file_size for info in infos) > _MAX_BYTES:
        yield _finding("members", "the bundle is larger than any listening study")
        return
    for name in sorted(set(present) - set(listed)):
        yield _finding("members", f"{name} was added: the list does not name it")
    for name in sorted({name for name in present if present.count(name) > 1}):
        yield _finding("members", f"{name} is there twice")
    for name, entry in listed.items():
        if not PASSABLE.fullmatch(name):
            yield _finding("members", f"{name!r} would lie outside the bundle")
        elif name not in present:
            yield _finding("members", f"{name} is missing")
        else:
            data = _member(archive, name)
            if data is None or hashlib.sha256(data).hexdigest() != _hash_of(entry):
                yield _finding("members", f"{name} was changed: its hash differs")
            try:
                _write_member(folder / name, data or b"")
            except OSError:  # a file where another name needs a folder, a name too long
                yield _finding("members", f"{name} cannot be unpacked")


def _write_member(target: Path, data: bytes) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(data)


def _member(archive: zipfile.ZipFile, name: str) -> bytes | None:
    try:
        return archive.read(name)
    except _BAD_ARCHIVE:
        return None


def _hash_of(entry: Any) -> str | None:
    return entry.get("sha256") if isinstance(entry, dict) else None
