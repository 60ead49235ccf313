"""One sound card for all tests of the booth."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from helpers.null_sink import Card, in_front, null_sink


@pytest.fixture(scope="session")
def sound_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Card]:
    with null_sink(tmp_path_factory.mktemp("booth-pulse")) as card:
        yield card


@pytest.fixture
def card(sound_server: Card) -> Iterator[Card]:
    with in_front():
        yield sound_server
