"""What the documents say of the source is what the source says."""

from __future__ import annotations

import pytest

from tests.support.documents import BLOCKS, FILES, ROOT, split_at_marks


@pytest.mark.parametrize(("document", "name"), BLOCKS)
def test_a_block_is_as_the_source_writes_it(document: str, name: str) -> None:
    """Renew the blocks by `python -m tests.support.documents`."""
    assert split_at_marks(document, name)[1] == BLOCKS[document, name]()


@pytest.mark.parametrize("name", FILES)
def test_a_file_is_as_the_source_writes_it(name: str) -> None:
    assert (ROOT / name).read_text(encoding="utf-8") == FILES[name]()
