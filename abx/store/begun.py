"""Whether people are listening to a version of a study right now."""

from __future__ import annotations

from abx.store import open_store
from abx.study.workspace import Workspace

__all__ = ["under_way"]


def under_way(workspace: Workspace) -> bool:
    """Tell whether people have begun to listen to a version that is still open."""
    if not workspace.live.database.is_file():
        return False
    with open_store(workspace.live.database_url()) as store:
        return any(
            store.row_by_key(study, "study-closed") is None
            and any(
                row.body is not None and not row.content["simulated"]
                for row in store.rows(study, kind="session-begun")
            )
            for study in store.studies()
        )
