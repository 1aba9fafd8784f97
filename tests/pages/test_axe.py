"""No page and no report keeps anybody from using it, as far as axe-core can tell; none runs over its side.

axe-core's own rules, those of WCAG 2.2 and its best practices, of any impact; 320 CSS px is WCAG 1.4.10.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.pages.every_page import PLACES, Place, Way, open_place, served_store, violations

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

WAYS = (Way(320), Way(1280, "dark"))


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Mapping[str, str]]]:
    """The real service over a store of several runs."""
    with served_store(Path(tmp_path_factory.mktemp("pages"))) as found:
        yield found


@pytest.mark.parametrize("place", PLACES, ids=lambda place: str(place.name))
def test_axe_finds_nothing(browser: Browser, served: tuple[str, Mapping[str, str]], place: Place) -> None:
    url, ids = served
    for way in WAYS:
        page = open_place(browser, url, ids, place, way)
        assert violations(page) == [], way.name
        page.context.close()
