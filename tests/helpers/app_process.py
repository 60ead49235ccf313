"""Run the routes of a study in a process of its own: folder, database URL, port.

With a fourth argument ``jumping`` the process's clock is set forward or back by up to two days
at random moments, as a machine with a bad clock does when it is corrected.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime, timedelta
from random import Random

import uvicorn
from starlette.applications import Starlette

from abx.store import appender
from abx.web.routes import make_routes
from abx.web.server import open_sessions


class JumpingClock:
    """A clock that is set anew every second or so."""

    def __init__(self) -> None:
        self._rng = Random()
        self._offset = timedelta()
        self._until_s = 0.0

    def __call__(self) -> datetime:
        if time.monotonic() > self._until_s:
            self._offset = timedelta(hours=self._rng.uniform(-48, 48))
            self._until_s = time.monotonic() + self._rng.uniform(0.2, 2.0)
        return datetime.now(UTC) + self._offset


def main() -> None:
    root, database, port, *more = sys.argv[1:]
    if "jumping" in more:
        appender._utc_now = JumpingClock()
    sessions = open_sessions(root, database=database)
    app = Starlette(routes=make_routes(lambda: sessions))
    uvicorn.run(app, host="127.0.0.1", port=int(port), log_level="critical", lifespan="off")


if __name__ == "__main__":
    main()
