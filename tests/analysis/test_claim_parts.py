"""The sentences of claims: forms that are read, and what a page says of them."""

import pytest

from analysis.claims.grammar import claim_parts, parse_claim

SAID = {
    "listeners can tell i from j": "Listeners can tell [i] from [j]",
    "listeners cannot tell i from j within 20 %": "Listeners cannot tell [i] from [j] within 20 %",
    "listener L-1 can tell i from j": "Listener L-1 can tell [i] from [j]",
    "listeners prefer i over j among players": "Listeners prefer [i] over [j] among players",
    "listeners prefer i over j at 1 %": "Listeners prefer [i] over [j] at 1 %",
    "listeners prefer neither i nor j beyond 55 to 45": (
        "Listeners prefer neither [i] nor [j] beyond 55 to 45"
    ),
    "listeners prefer i most": "Listeners prefer [i] most",
    "listeners prefer i most of j": "Listeners prefer [i] most of [j]",
    "listeners prefer i most of j, k and l": "Listeners prefer [i] most of [j], [k] and [l]",
    "step i before j": "Do [i] before [j]",
    "step i before j for its cost": "Do [i] before [j], counted by money",
    "step i before j for its labour": "Do [i] before [j], counted by hours of work",
    "metric deviation_sd_db orders the stages": "Metric deviation_sd_db orders the stages",
}
OLDER = {
    "listeners hear i from j": "listeners can tell i from j",
    "listeners do not hear i from j within 20 %": "listeners cannot tell i from j within 20 %",
    "listener L-1 hears i from j": "listener L-1 can tell i from j",
}


@pytest.mark.parametrize("text", SAID)
def test_a_page_can_put_names_into_every_kind_of_claim(text: str) -> None:
    parts = claim_parts(parse_claim(text))
    marked = [f"[{part}]" if k % 2 else part for k, part in enumerate(parts)]
    assert "".join(marked) == SAID[text]


@pytest.mark.parametrize("older", OLDER)
def test_sentences_of_sealed_plans_keep_their_meaning(older: str) -> None:
    was, now = parse_claim(older), parse_claim(OLDER[older])
    assert (was.kind, was.stages, was.margin) == (now.kind, now.stages, now.margin)
    assert was.text == older
    assert claim_parts(was) == claim_parts(now)


@pytest.mark.parametrize("stage", ["over", "prefer", "listeners", "most", "from"])
def test_a_stage_may_be_called_like_a_word_of_the_sentence(stage: str) -> None:
    parts = claim_parts(parse_claim(f"listeners prefer {stage} over as-found"))
    assert parts == ["Listeners prefer ", stage, " over ", "as-found", ""]
