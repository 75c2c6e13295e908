"""What tests of what learns share."""

from collections.abc import Iterator

import pytest
import torch


@pytest.fixture
def one_thread() -> Iterator[None]:
    """Sums of several threads come in any order; with one they are the same every time."""
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)
