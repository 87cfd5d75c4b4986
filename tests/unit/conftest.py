"""What several files of tests begin with."""

import pytest
from draw_kit import known_pump

from monitor.detectors.context import Context


@pytest.fixture
def known() -> Context:
    """A made-up pump of one outlet after forty draws."""
    return known_pump()
