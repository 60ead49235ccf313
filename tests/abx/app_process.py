"""Run the routes of a study in a process of its own: folder, database URL, port."""

from __future__ import annotations

import sys

import uvicorn
from starlette.applications import Starlette

from abx.routes import make_routes
from abx.server import open_sessions


def main() -> None:
    root, database, port = sys.argv[1:]
    sessions = open_sessions(root, database=database)
    app = Starlette(routes=make_routes(lambda: sessions))
    uvicorn.run(app, host="127.0.0.1", port=int(port), log_level="critical", lifespan="off")


if __name__ == "__main__":
    main()
