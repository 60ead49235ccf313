"""A response written as a table that reads back."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from stimuli.response.measured import Response

__all__ = ["write_response"]


def write_response(
    path: str | Path, response: Response, *, provenance: Mapping[str, str] | None = None
) -> Response:
    """Write a response table that :func:`read_response` reads back.

    Only points inside the response's valid range are written: what lay in the noise is not
    handed on.

    Parameters
    ----------
    path : path
        The file, overwritten if there.
    response : Response
        What was measured.
    provenance : mapping of str to str, optional
        Written as comment lines ``# key: value``.

    Returns
    -------
    Response
        What the file now says, with its name and hash.
    """
    path = Path(path)
    low, high = response.valid_hz or (0.0, np.inf)
    kept = (response.f_hz >= low) & (response.f_hz <= high)
    lines = [f"# {key}: {' '.join(str(v).split())}" for key, v in (provenance or {}).items()]
    lines.append("frequency_hz,level_db" + (",phase_deg" if response.phase_deg is not None else ""))
    columns = [response.f_hz, response.level_db]
    if response.phase_deg is not None:
        columns.append(response.phase_deg)
    for row in np.column_stack(columns)[kept]:
        lines.append(",".join(f"{value:.7g}" for value in row))
    raw = ("\n".join(lines) + "\n").encode()
    path.write_bytes(raw)
    return Response(
        response.f_hz[kept],
        response.level_db[kept],
        None if response.phase_deg is None else response.phase_deg[kept],
        path.name,
        hashlib.sha256(raw).hexdigest(),
        response.valid_hz,
    )
