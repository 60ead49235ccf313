"""Words that programs write where a value is missing; none of them may be a name."""

from __future__ import annotations

__all__ = ["ANY_SPELLING", "AS_PROGRAMS_SPELL"]

#: Words that Python, R, spreadsheets and databases write for a missing value, in small letters.
ANY_SPELLING = frozenset(
    {"nan", "none", "null", "na", "n/a", "#n/a", "<na>", "nat", "nil", "undefined"}
)
#: The same as programs spell them; "none" in small letters may well be what a stage is called.
AS_PROGRAMS_SPELL = (ANY_SPELLING - {"none", "na", "nil", "undefined"}) | {
    *("None", "NA", "NaN", "NaT"),
    *("NAN", "NULL", "N/A", "#N/A", "<NA>"),
}
