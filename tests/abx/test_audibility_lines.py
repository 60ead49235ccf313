"""What planning says of audibility: pair by pair, programme by programme, with its basis."""

from __future__ import annotations

from abx.sound.audibility import audibility_lines
from analysis.hearing.audibility import Audibility


def predicted(pair: tuple[str, str], programme: str, expected: str, d: float) -> Audibility:
    return Audibility(pair, programme, expected, d, 1.0, 1.0, 100.0, 20.0, 20_000.0, "")


def test_doubtful_pairs_name_each_programme_and_clear_ones_are_counted() -> None:
    lines = audibility_lines(
        [
            predicted(("a", "b"), "kite", "above", 0.9),
            predicted(("a", "b"), "tide", "above", 0.5),
            predicted(("a", "c"), "kite", "near", 0.2),
            predicted(("a", "c"), "tide", "below", 0.031),
            predicted(("b", "c"), "kite", "above", 0.3),
            predicted(("b", "c"), "tide", "below", 0.01),
            predicted(("c", "d"), "kite", "below", 0.02),
            predicted(("c", "d"), "tide", "below", 0.0),
        ]
    )
    assert lines[:4] == [
        "a and c: near with kite (D 0.20), below with tide (D 0.03); listeners may or may not tell",
        "b and c: above with kite (D 0.30), below with tide (D 0.01)",
        "c and d: below with kite (D 0.02), below with tide (D 0.00); asking may be a waste",
        "1 of 4 pairs: above with every programme",
    ]
    # Toole & Olive 1988: the thresholds through D, see tests/link/test_audibility.py
    assert "Toole and Olive (1988), D 0.13 to 0.24" in lines[4]
