"""Taking answers back: a person asks to be forgotten, and the log can still be checked.

At the end of a sitting its listener gets a withdrawal code. Whoever has it can remove the
sitting's contents, on the page ``/withdraw`` or through the staff; staff can also remove all
sittings of a listener's code when the person has asked them to. The rows stay, empty, with one
more row that says so.
"""

from __future__ import annotations

import hmac
from dataclasses import dataclass
from typing import TYPE_CHECKING

from abx.errors import NotFound
from abx.store import Entry

if TYPE_CHECKING:
    from abx.session.sessions import Sessions
    from abx.store import LogRow

__all__ = ["Withdrawn", "erase_sitting", "withdraw", "withdrawal_code"]


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What a withdrawal removed.

    Attributes
    ----------
    listener : str
        Pseudonym.
    n_sittings, n_rows : int
        Sittings and rows of the log whose contents were erased.
    """

    listener: str
    n_sittings: int
    n_rows: int

    @property
    def words(self) -> str:
        """The outcome as a sentence."""
        sittings = "1 sitting" if self.n_sittings == 1 else f"{self.n_sittings} sittings"
        return (
            f"{sittings} of {self.listener} withdrawn: the contents of {self.n_rows} rows are "
            "erased; the empty rows remain, so that the log can still be checked."
        )


def withdrawal_code(sessions: Sessions, token: str) -> str:
    """Return the code that takes a sitting back, four groups of four letters (80 bits).

    Raises
    ------
    NotFound, Gone
        If there is no such sitting.
    """
    return sessions.tokens.withdrawal_code(sessions.sitting(token).session)


def withdraw(sessions: Sessions, code: str, *, by_staff: bool = False) -> Withdrawn:
    """Take back what a code stands for.

    Parameters
    ----------
    sessions : Sessions
        The running study; a closed one can be withdrawn from as well.
    code : str
        A withdrawal code; small letters, spaces and missing hyphens do not matter.
    by_staff : bool, optional
        Also accept a listener's code (``L-...``), which is no secret, and take back every
        sitting of that listener.

    Raises
    ------
    NotFound
        If no sitting belongs to the code, or it was taken back before.
    """
    plain = _plain(code)
    found = [row for row in _sittings(sessions) if _fits(sessions, row, plain, by_staff=by_staff)]
    if not found:
        raise NotFound(
            "No answers are kept under this code. It may be mistyped, or they were removed before."
        )
    n_rows = sum(erase_sitting(sessions, row) for row in found)
    return Withdrawn(found[0].content["listener"], len(found), n_rows)


def erase_sitting(sessions: Sessions, begun: LogRow) -> int:
    """Erase the contents of a sitting, given its first row; returns the number of rows."""
    body = {"slot": begun.content["slot"], "simulated": begun.content["simulated"]}
    entry = Entry("withdrawal", f"withdrawal:{begun.session}", body, begun.session)
    with sessions.store.writing(sessions.study_id) as chain:  # row and removal, or neither
        chain.append(entry)
        return chain.erase_bodies(begun.session)


def _sittings(sessions: Sessions) -> list[LogRow]:
    rows = sessions.store.rows(sessions.study_id, kind="session-begun")
    return [row for row in rows if row.body is not None]


def _fits(sessions: Sessions, row: LogRow, plain: str, *, by_staff: bool) -> bool:
    own = _plain(sessions.tokens.withdrawal_code(row.session))
    if hmac.compare_digest(own.encode(), plain.encode()):
        return True
    return by_staff and _plain(row.content["listener"]) == plain


def _plain(code: str) -> str:
    return "".join(letter for letter in code.upper() if letter.isalnum())
