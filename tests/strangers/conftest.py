"""The programs of others, for the tests that run them."""

import pytest

from tests.strangers.programs import Programs, installed


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The first test of a session may wait for the registry, or for another worker that does."""
    for item in items:
        if "programs" in getattr(item, "fixturenames", ()) and item.get_closest_marker("timeout") is None:
            item.add_marker(pytest.mark.timeout(500))


@pytest.fixture(scope="session")
def programs() -> Programs:
    """Node and the locked packages; installed at the first run, then found in the user's cache."""
    return installed()
