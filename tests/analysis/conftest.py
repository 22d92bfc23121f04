"""Holds every file that the tests have published to its schemas, today's and the first one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from make_written import valid


@pytest.fixture(scope="session", autouse=True)
def _published_files_keep_their_schemas() -> Iterator[None]:
    """Check results.json, compare.json, shared.json and plans as they are made in this process."""
    from analysis.report import comparison, html, json_text, shared

    plain = json_text.json_text

    def checked(value: Any) -> str:
        text = plain(value)
        if '"format": "pullcoast-' in text[:60]:
            valid(text)
        return text

    with pytest.MonkeyPatch.context() as patch:
        for module in (json_text, html, comparison, shared):
            patch.setattr(module, "json_text", checked)
        yield
