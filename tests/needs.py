"""What a test needs of the computer beside the project's own libraries."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def is_missing(what: str, package: str) -> NoReturn:
    """Skip a test for want of a program or library; a failure where all were to be installed.

    Else a package that does not come any more would take its tests with it unseen.
    """
    words = f"{what} is not on this computer: apt-get install {package}"
    if os.environ.get("CI"):
        pytest.fail(words)
    pytest.skip(words)
