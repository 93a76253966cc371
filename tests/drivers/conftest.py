import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent

# The engine process finds the stand-in engine by its module name.
sys.path.insert(0, str(HERE))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.wall_clock)
