"""Names of recordings: made of what a phone sends, never a path, and with the time of their start."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from make_store import DATA, KEY, opened, send

from logger.capture.naming import (
    clean_name,
    comments,
    plain,
    recording_name,
    started_s,
    title_of,
)
from logger.capture.uploads import INCOMING


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("run.csv", "run"),
        ("R%C3%BCckenwind", "Rückenwind"),
        ("../../etc/passwd", "../../etc/passwd"),
        ("a%00b%1b%5B31mc", "ab[31mc"),
        ("%E2%80%AEgnp.csv", "gnp"),
        ("%F0%9F%9A%97%20fast", "\U0001f697 fast"),
        ("x" * 200, "x" * 80),
        ("%0d%0aSet-Cookie:%20a", "Set-Cookie: a"),
        ("", ""),
    ],
)
def test_names_are_cleaned(text: str, expected: str) -> None:
    assert clean_name(text) == expected
    assert plain(expected) == expected


@pytest.mark.parametrize(
    "name",
    ["../../etc/passwd", "..", ".", "/", "C:\\x", "a/b", "con", "-rf", "~", "$(reboot)", "a\nb"]
    + ["\u00fc" * 80, "\U00020000" * 80, "nul.csv", "x" * 80, "'; rm *", "%2e%2e"],
)
def test_whatever_a_phone_sends_the_file_stays_in_the_folder(tmp_path: Path, name: str) -> None:
    with opened(tmp_path) as store:
        send(store, DATA, name=name)
        file = store.finish(KEY)
    assert file.parent == tmp_path
    assert file.resolve().parent == tmp_path.resolve()
    assert file.name.startswith("recording-")
    assert file.name.endswith(".csv")
    assert len(os.fsencode(file.name)) <= 255
    assert not set(file.name) & set("/\\:*?\"<>|$'`; \n\x00")
    assert [path for path in tmp_path.iterdir() if path.name != INCOMING] == [file]


def test_the_name_shows_when_the_recording_began(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From its first time where that is a date; 1777800000 is 2026-05-03 09:20:00 UTC (date -u)."""
    import time

    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    part = tmp_path / "part"
    part.write_bytes(b'# mass_kg = 1480\n# note = "a"\nspeed_mps,time_s\n1,1777800000.25\n2,5\n')
    assert started_s(part) == 1777800000.25
    assert recording_name(part, KEY, "", 0.0) == "recording-20260503-092000-01234567.csv"
    assert recording_name(part, KEY, "run_2026-05-03_092000", 0.0).endswith("-01234567.csv")
    assert recording_name(part, KEY, "a b", 0.0, 1).endswith(f"-{KEY}-a-b.csv")
    assert recording_name(part, KEY, "a b", 0.0, 2).endswith(f"-{KEY}-a-b-2.csv")
    part.write_bytes(DATA)  # seconds from a start: no date
    assert started_s(part) is None
    assert recording_name(part, KEY, "", 86400.0) == "recording-19700102-000000-01234567.csv"


@pytest.mark.parametrize(
    "data",
    [b"", b"\n", b"time_s", b"time_s\n", b"time_s\nnan", b"a,time_s\n1", b"\xff\xfe\x00", b"#" * 9],
)
def test_a_start_is_looked_for_in_anything(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "part").write_bytes(data)
    assert started_s(tmp_path / "part") is None
    assert comments(tmp_path / "part") == {}


def test_what_a_recording_states_about_itself(tmp_path: Path) -> None:
    file = tmp_path / "part"
    file.write_bytes(
        b'# pullcoast recording 1\n# mass_kg = 1480.5\n# note = "two \\"people\\", \\u00fc"\n#x: y z\n'
        b"# mass_kg = 9\ntime_s,mark\n1,# late = 1\n# later = 2\n"
    )
    assert comments(file) == {"mass_kg": "1480.5", "note": 'two "people", \u00fc', "x": "y z"}


def test_titles_without_what_a_page_adds() -> None:
    names: dict[str, str] = {
        "run_2026-05-03_141503": "",
        "to town_2026-05-03_141503": "to town",
        "20260503 141503": "",
        "Run": "",
        "run 3": "run 3",
    }
    assert {name: title_of(name) for name in names} == names
