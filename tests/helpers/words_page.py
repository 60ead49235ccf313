"""A page that shows texts as the pages of the program show what people typed."""

from __future__ import annotations

import string
from pathlib import Path

TYPED = (
    "From $500 to $900 in two days",
    "$a$ and $$b$$ and \\$c\\$ and \\(d\\)",
    "*one* **two** _three_ __four__ ~five~ ~~six~~ `seven` ``eight``",
    "my_stage_1.csv, _hidden, a_b_c",
    "[link](https://example.org) ![picture](x.png) [^1] [a][b] <https://example.org>",
    "<b>bold</b> & <script>alert(1)</script> &amp; &#42; &copy;",
    ":smile: :+1: :streamlit: :material/home: :tada:",
    ":red[text] :blue-background[x] :small[y] ::name[z] :::w",
    "A -> B <- C <-> D -- E >= F <= G ~= H",
    "# not a heading",
    "- no list",
    "+ no list",
    "1. no list",
    "12) no list",
    "> no quotation",
    "--- === ***",
    "| a | b |",
    "a\\",
    "\\*",
    "``` fence",
    "~~~ fence",
    "    not code",
    'it\'s "quoted" (and) {braced} [bracketed] ^up^ =1+1 @here %41 #5 !no',
    "ä ø 日本語 العربية 👍 e\u0301",
    'study.toml, line 3, stages[1].id: write pairs = [["one", "two"]]',
    "x" * 200,
)
"""What somebody may call a study, a stage or a file, and what a message may hold."""

PAIRS = tuple(
    " ".join(f"x{a}{b}y {a}{b}z{b}{a}" for b in string.punctuation) for a in string.punctuation
)
"""Every two signs of the keyboard, inside a word and around it."""

STARTS = tuple(
    start for a in string.punctuation for start in (f"{a} x", f"1{a} x", f"{a}{a}{a}", f"a\n{a} x")
)
"""Every sign where a line begins."""

TEXTS = (*TYPED, *PAIRS, *STARTS)


def serve(_root: str, *, port: int) -> None:
    import streamlit as st

    from abx.web.pages import STREAMLIT_OPTIONS

    options = {**STREAMLIT_OPTIONS, "server.address": "127.0.0.1", "server.port": port}
    st.App(Path(__file__)).run(config=options)


def _page() -> None:
    import streamlit as st

    from abx.web.pages.words import as_code, as_typed, show_error

    for number, text in enumerate(TYPED):
        with st.container(key=f"title-{number}"):
            st.title(as_typed(text), anchor=False)
        with st.container(key=f"answer-{number}"):
            st.radio(as_typed(text), [text], format_func=as_typed, key=f"radio-{number}")
        with st.container(key=f"code-{number}"):
            st.caption(f"The command: {as_code(text.strip())}")
    for number, text in enumerate(TEXTS):
        with st.container(key=f"error-{number}"):
            show_error(text)


if __name__ == "__main__":
    _page()
