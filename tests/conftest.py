"""What all tests share: remaking golden files.

`pytest --remake-golden` writes the golden files anew; look at the difference
before committing it.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--remake-golden",
        action="store_true",
        help="write the golden files from what the program says now",
    )


@pytest.fixture(scope="session", autouse=True)
def own_dictionaries(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep dictionaries of diagnoses away from the user's, and for the whole run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NETCHECK_DICTIONARY", str(tmp_path_factory.mktemp("dictionaries")))
        yield


@pytest.fixture
def remake_golden(request: pytest.FixtureRequest) -> bool:
    """Say whether golden files are to be written instead of compared."""
    return bool(request.config.getoption("--remake-golden"))
