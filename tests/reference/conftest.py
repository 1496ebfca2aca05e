"""Without the program there is nothing to judge: say so at once, instead of failing in every test."""

import pytest

from vetting import PROGRAM


def pytest_configure(config):
    if not PROGRAM.exists():
        pytest.exit(f"{PROGRAM} is not there: build it first (cargo build --release)", returncode=3)
