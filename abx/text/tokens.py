"""Tokens that tell nothing: unguessable, stateless, bound to one session.

A session token is 32 random bytes; the database keeps only its hash. Trial keys and audio names
are keyed hashes of what they stand for, so every process of a study can check them without
storing anything, and none of them depends on what is played.

What a page or an address is to be called after a text from outside (a token, an id, the name of a
file) is made here as well: :func:`element_key` and :func:`address_part` take any text and give
letters that no server, browser or shell takes for a mark of its own.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
import secrets

__all__ = ["Tokens", "address_part", "element_key", "new_session_token", "token_hash"]

_ADDRESS_PART = re.compile(r"[A-Za-z0-9_-]+")

_CODE_LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # no 0/O, 1/I


def new_session_token() -> str:
    """Return a fresh session token: 256 random bits as digits and small letters.

    Programs that turn addresses into links cut dashes and underlines off their ends.
    """
    return secrets.token_hex(32)


def element_key(place: str, *texts: str) -> str:
    """Return the key of an element of a page that belongs to texts from outside.

    The pages' server puts keys into identifiers that it takes apart at ``__``, and into class
    names. A key made here holds small letters, digits and one hyphen, whatever the texts hold,
    and shows none of them in the page.

    Parameters
    ----------
    place : str
        What the element is, one word of ours.
    *texts : str
        What it belongs to; equal texts give equal keys, other texts others.

    Examples
    --------
    >>> element_key("player", "a__b")
    'player-cdb212401b38dcb9acdaea420677db81'
    """
    digest = hashlib.sha256(json.dumps(texts).encode()).hexdigest()
    return f"{place}-{digest[:32]}"


def address_part(text: str) -> str:
    """Return a token as one step of an address.

    A text that cannot be a token (an address is typed by anybody) gives letters that belong to
    no sitting, instead of a step that leads elsewhere, such as ``..``.
    """
    return text if _ADDRESS_PART.fullmatch(text) else element_key("none", text)


def token_hash(token: str) -> str:
    """Return what the database keeps of a session token."""
    return hashlib.sha256(b"session-token\0" + token.encode()).hexdigest()


def new_pseudonym() -> str:
    """Return a short code for a listener, readable aloud."""
    return "L-" + "".join(secrets.choice(_CODE_LETTERS) for _ in range(7))


class Tokens:
    """Makes and checks trial keys and audio names of one study.

    Parameters
    ----------
    key : bytes
        The study's token key.
    """

    def __init__(self, key: bytes) -> None:
        self._key = key

    def trial_key(self, session: str, number: int) -> str:
        """Return the key a listener's answer to a trial carries."""
        return self._digest("trial", session, str(number)).hex()

    def audio_name(self, session: str, purpose: str) -> str:
        """Return a fresh name for the audio of a trial (or of the level step)."""
        nonce = secrets.token_bytes(12)
        return _encode(nonce + self._digest("audio", session, purpose, nonce.hex()))

    def audio_matches(self, name: str, session: str, purpose: str) -> bool:
        """Tell whether an audio name was made here for this session and purpose."""
        raw = _decode(name)
        # Several texts decode to the same bytes; only the one we would write counts.
        if raw is None or len(raw) != 28 or _encode(raw) != name:
            return False
        wanted = self._digest("audio", session, purpose, raw[:12].hex())
        return hmac.compare_digest(raw[12:], wanted)

    def withdrawal_code(self, session: str) -> str:
        """Return the code that takes a sitting back: 80 bits, readable aloud."""
        number = int.from_bytes(self._digest("withdrawal", session)[:10])
        letters = "".join(_CODE_LETTERS[number >> 5 * place & 31] for place in range(16))
        return "-".join(letters[start : start + 4] for start in range(0, 16, 4))

    def _digest(self, *parts: str) -> bytes:
        return hmac.digest(self._key, "\0".join(parts).encode(), "sha256")[:16]


def _encode(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _decode(text: str) -> bytes | None:
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except ValueError:
        return None
