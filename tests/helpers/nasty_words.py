"""Texts that break what is made of them, for tests of everything that makes something of texts."""

from __future__ import annotations

__all__ = ["NASTY_FOLDERS", "NASTY_TOKENS", "URL_SAFE"]

URL_SAFE = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
"""The alphabet of RFC 4648, section 5, which random tokens are often written in."""

_PLAIN = "k3Jx9QmT7vR2bLw8ZcN5hPd4SfG6yAeUoKiXsVtBqDr"  # 43 letters: 256 random bits

NASTY_TOKENS = {
    "two underlines first": "__" + _PLAIN[2:],
    "two underlines inside": _PLAIN[:20] + "__" + _PLAIN[22:],
    "two underlines last": _PLAIN[:-2] + "__",
    "an underline last": _PLAIN[:-1] + "_",
    "a dash first": "-" + _PLAIN[1:],
    "two dashes first": "--" + _PLAIN[2:],
    "a dash last": _PLAIN[:-1] + "-",
    "underlines alone": 43 * "_",
    "dashes alone": 43 * "-",
    "dashes and underlines": 21 * "-_" + "-",
}
"""Tokens that a random generator can come up with."""

NASTY_FOLDERS = (
    "what? #1",
    "100 %41",
    "it's a $tudy [x]",
    'say "so"',
    "a`b\\c!d",
    "-6 dB",
    "~home",
    "né 日本",
    "file:x?mode=memory&uri=true",
)
"""Names of folders that a system allows and a URL, a shell or a pattern reads otherwise."""
