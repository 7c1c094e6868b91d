"""A packing room of our own invention for the tests of the fit."""

import pytest

from schemas.site import Site
from tests.unit.fit.given import a_site


@pytest.fixture
def site() -> Site:
    """Two stations: one with pre-opened bags and tubing, one that seals film to size."""
    return a_site()
