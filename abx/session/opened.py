"""A study as it was opened: its schedule, its seal, its end, and who may lead it."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from abx.errors import AnswerRefused, Gone
from abx.schedule.familiarisation import ListeningSet, listening_sets
from abx.schedule.panel import Slot, make_slot, rehearsal_seed, seed_commitment
from abx.session.blobs import StimulusCache
from abx.session.opening import Opening, open_study
from abx.session.operators import Operators
from abx.session.sitting import PanelStanding, Sitting
from abx.store import Entry, Store
from abx.store.store import Appender
from abx.study.exposure import level_source, louder_than_level_step
from abx.study.model import Study
from abx.text.tokens import Tokens

if TYPE_CHECKING:
    from stimuli.render.manifest import Manifest

__all__ = ["OpenedStudy"]


class OpenedStudy:
    """One study that is open to a panel, or was.

    Parameters
    ----------
    store : Store
        Open store.
    study : Study
        The checked study file.
    manifest : Manifest
        The rendered stimuli.
    stimuli_dir : Path
        Their folder, with ``manifest.json``.
    seed : bytes, optional
        Schedule seed of a rehearsal; for people it is drawn when the study is opened.

    Raises
    ------
    StudyChanged
        If the store holds answers to another version of this study that is still open.
    """

    def __init__(
        self,
        store: Store,
        study: Study,
        manifest: Manifest,
        stimuli_dir: str | Path,
        *,
        seed: bytes | None = None,
    ) -> None:
        self.store = store
        self.study = study
        self.manifest = manifest
        self.opening: Opening = open_study(store, study, Path(stimuli_dir), seed=seed)
        self.stimuli = StimulusCache(Path(stimuli_dir), manifest)
        self._tokens = Tokens(self.opening.vault.token_key)
        self._slot = lru_cache(maxsize=512)(self._make_slot)
        self._sets = lru_cache(maxsize=512)(self._make_sets)
        self._sittings: dict[str, Sitting] = {}

    @property
    def study_id(self) -> str:
        """Id of this version of the study in the store."""
        return self.opening.study_id

    @property
    def seal(self) -> str:
        """Hash of the opening row: study file, stimuli, claims, rule and seed commitment."""
        opened = self.store.row_by_key(self.study_id, "study-opened")
        assert opened is not None
        return opened.digest

    @property
    def tokens(self) -> Tokens:
        """Makes and checks what is derived from the study's token key."""
        return self._tokens

    @property
    def commitment(self) -> str:
        """SHA-256 of the schedule's seed, published before the first trial."""
        return seed_commitment(self.opening.vault.seed)

    @property
    def louder_db(self) -> float:
        """How much louder than the level step's sound the loudest stimulus is, in LU."""
        return louder_than_level_step(self.manifest, *level_source(self.study, self.manifest))

    @property
    def closed(self) -> bool:
        """Whether the study is closed."""
        return self.store.row_by_key(self.study_id, "study-closed") is not None

    def close(self) -> str:
        """Close the study and reveal the seed; returns it in hexadecimal.

        Closing twice changes nothing.
        """
        seed = self.opening.vault.seed.hex()
        with self.store.writing(self.study_id) as chain:
            last = chain.last()
            head = "" if last is None else last.digest
            chain.append(Entry("study-closed", "study-closed", {"seed": seed, "head": head}))
        return seed

    def slot(self, index: int, *, simulated: bool = False) -> Slot:
        """Return a slot of the schedule; never shown to staff before closing."""
        return self._slot(index, simulated)

    def standing(self) -> PanelStanding:
        """Return the state of the study; the seed only once it is closed."""
        closed = self.store.row_by_key(self.study_id, "study-closed")
        return PanelStanding(
            state="open" if closed is None else "closed",
            seed_commitment=self.commitment,
            seed=None if closed is None else str(closed.content["seed"]),
            n_sessions=len(self.store.rows(self.study_id, kind="session-begun")),
        )

    def set_passphrase(self, passphrase: str) -> None:
        """Set the staff passphrase; see :class:`abx.session.operators.Operators`."""
        Operators(self.store).set_passphrase(passphrase)

    def check_passphrase(self, passphrase: str) -> bool:
        """Check the staff passphrase; see :class:`abx.session.operators.Operators`."""
        return Operators(self.store).check(passphrase)

    @property
    def passphrase_is_set(self) -> bool:
        """Whether staff can sign in at all."""
        return Operators(self.store).is_set

    # Inside -------------------------------------------------------------------------------

    def _make_slot(self, index: int, simulated: bool) -> Slot:
        seed = self.opening.vault.seed
        return make_slot(self.study, rehearsal_seed(seed) if simulated else seed, index)

    def _make_sets(self, index: int, simulated: bool) -> tuple[ListeningSet, ...]:
        seed = self.opening.vault.seed
        return listening_sets(self.study, rehearsal_seed(seed) if simulated else seed, index)

    def _group(self, name: str) -> str:
        known = () if self.study.groups is None else tuple(self.study.groups.answers)
        if name and name not in known:
            raise AnswerRefused("That is not one of the answers. Please choose one of them.")
        return name

    def _refuse_if_closed(self, chain: Appender) -> None:
        if chain.find("study-closed") is not None:
            raise Gone("This study is closed. Thank you for your interest.")
