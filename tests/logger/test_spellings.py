"""One drive in many spellings reads the same or is refused; a part of the benchmark `spellings`."""

from __future__ import annotations

from pathlib import Path

import pytest
from make_spellings import judged


@pytest.mark.parametrize("part", range(4))
def test_no_spelling_of_a_drive_is_misread(part: int, tmp_path: Path) -> None:
    verdicts = dict(judged(seed, tmp_path)[::-1] for seed in range(40 * part, 40 * part + 40))
    assert [words for words, verdict in verdicts.items() if verdict == "misread"] == []
    assert sum(verdict == "same" for verdict in verdicts.values()) >= 20
