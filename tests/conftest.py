"""What all tests share: the option --slow, and how hypothesis draws."""

import os

import hypothesis
import pytest

# The first call of a compiled kernel takes seconds, so no deadline; the same examples everywhere, so no surprises.
hypothesis.settings.register_profile("washboard", deadline=None, derandomize=True)
hypothesis.settings.load_profile("washboard")


@pytest.fixture(autouse=True, scope="session")
def _own_configuration(tmp_path_factory: pytest.TempPathFactory) -> None:
    """What tests remember for the user stays out of the user's own configuration."""
    os.environ["WASHBOARD_CONFIG"] = str(tmp_path_factory.mktemp("config"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow", action="store_true", help="run the slow tests too")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--slow"):
        return
    skip = pytest.mark.skip(reason="slow; run with --slow")
    for item in items:
        if "slow" in item.keywords:
            item.add_marker(skip)
