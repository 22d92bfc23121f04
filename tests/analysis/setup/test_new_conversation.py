"""`pullcoast new` on a terminal: what is asked, what is taken for an answer, and leaving early."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from make_outing import make_outing

from analysis.cli.main import main
from analysis.setup.conversation import InputEnded, ask_all
from analysis.setup.questions import QUESTIONS, hint, read_answer
from logger.session.keys import VEHICLE_KINDS
from logger.session.session import read_session

ROOT = Path(__file__).resolve().parents[3]
BY_NAME = {question.name: question for question in QUESTIONS}


@pytest.fixture
def outing(tmp_path: Path) -> Path:
    return make_outing(tmp_path / "outing")


def answered(**texts: str) -> Callable[[str], str]:
    """Answer by the question's name; anything else with an empty line."""
    by_prompt = {BY_NAME[name].ask: text for name, text in texts.items()}

    def ask(prompt: str) -> str:
        return by_prompt.get(prompt.partition("\n")[0], "")

    return ask


def test_a_wrong_answer_is_asked_again_with_the_reason() -> None:
    prompts: list[str] = []
    mass = iter(["1480", "1480 stone", "14800000kg", "1480kg"])

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        about_mass = prompt.startswith(BY_NAME["mass"].ask) or "stone" in "".join(prompts[-1:])
        if about_mass or "1480" in prompt.partition("\n")[0]:
            return next(mass, "")
        return ""

    answers = ask_all({}, ask)
    assert answers["mass"].value == 1480.0
    again = [prompt for prompt in prompts if prompt.startswith("  '1480")]
    assert "'1480' has no unit" in again[0]
    assert "Units: kg, lb, t" in again[0]
    assert "unknown unit 'stone'" in prompts[prompts.index(again[0]) + 1]
    assert any("mass as driven from 30 to 60000 kg" in prompt for prompt in prompts)


def test_an_empty_mass_is_asked_once_more_then_left_open() -> None:
    asked: list[str] = []

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return ""

    assert ask_all({}, ask) == {}
    assert sum("Without it no report can be made" in prompt for prompt in asked) == 1
    # uncertainties of what is not known are not asked
    assert not any(prompt.startswith(BY_NAME["mass_uncertainty"].ask) for prompt in asked)


def test_what_options_say_is_not_asked() -> None:
    given = read_answer(BY_NAME["mass"], "1480kg", "--mass")
    assert given is not None
    asked: list[str] = []

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return ""

    assert ask_all({"mass": given}, ask) == {"mass": given}
    assert len(asked) == len(QUESTIONS) - 2  # not the mass, not the rotating mass's uncertainty


def test_an_unusual_mass_is_doubted(capsys: pytest.CaptureFixture[str]) -> None:
    """A motorcycle of 1480 kg: taken, and said."""
    answers = ask_all({}, answered(kind="motorcycle", mass="1480kg"))
    assert answers["mass"].si == 1480.0
    assert "unusual for a motorcycle" in capsys.readouterr().out


@pytest.mark.parametrize("kind", VEHICLE_KINDS)
def test_hints_are_answers_that_would_be_taken(kind: str) -> None:
    """What is suggested as plausible is not refused."""
    for question in QUESTIONS:
        text = hint(question, kind, 1480.0)  # type: ignore[arg-type]
        assert text
        if question.quantity is not None:
            first = text.replace(",", " ").split()[0].rstrip(";")
            assert read_answer(question, first, "", 1480.0) is not None


def test_the_end_of_answers_is_an_error_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def no_more(_: str) -> str:
        msg = "the answers ended"
        raise InputEnded(msg)

    monkeypatch.setattr("analysis.cli.new._on_terminal", lambda: True)
    monkeypatch.setattr("analysis.setup.conversation.ask", no_more)
    assert main(["new", str(tmp_path / "one")]) == 2
    assert "the answers ended" in capsys.readouterr().err
    assert not (tmp_path / "one").exists()


class Terminal:
    """A command on a terminal of its own."""

    def __init__(self, *argv: str) -> None:
        self.end, other = pty.openpty()
        code = (
            "import fcntl, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
            "from analysis.cli.main import main; sys.exit(main(sys.argv[1:]))"
        )
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *argv],
            cwd=ROOT,
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
        )
        os.close(other)
        self.text = ""

    def until(self, words: str, key: str = "") -> None:
        """Read until `words` come, pressing `key` again each second as an impatient person does."""
        deadline = time.monotonic() + 60
        while words not in self.text:
            assert time.monotonic() < deadline, self.text
            if select.select([self.end], [], [], 1.0)[0]:
                self.text += os.read(self.end, 65536).decode()
            elif key:
                self.say(key)

    def say(self, keys: str) -> None:
        os.write(self.end, keys.encode())


@pytest.fixture
def on_terminal() -> Iterator[Callable[..., Terminal]]:
    opened: list[Terminal] = []

    def start(*argv: str) -> Terminal:
        opened.append(Terminal(*argv))
        return opened[-1]

    yield start
    for terminal in opened:
        terminal.process.kill()
        terminal.process.wait()
        os.close(terminal.end)


def test_a_conversation(outing: Path, on_terminal: Callable[..., Terminal]) -> None:
    terminal = on_terminal("new", str(outing), "--kind", "car", "--name", "estate")
    terminal.until("stock)\r\n> ")
    terminal.say("\n")
    terminal.until(BY_NAME["mass"].ask)
    terminal.until("> ")
    terminal.say("1480\n")
    terminal.until("has no unit")
    terminal.say("3260lb\n" + "\n" * 8)
    terminal.until("Next: pullcoast report")
    assert terminal.process.wait(20) == 0
    assert read_session(outing).vehicle.mass_kg == pytest.approx(3260 * 0.45359237, rel=1e-9)


@pytest.mark.parametrize(("key", "status"), [("\x03", 130), ("\x04", 2)], ids=["ctrl-c", "ctrl-d"])
def test_leaving_in_the_middle_leaves_nothing(
    key: str, status: int, tmp_path: Path, on_terminal: Callable[..., Terminal]
) -> None:
    folder = tmp_path / "one"
    terminal = on_terminal("new", str(folder), "--mass", "1480kg", "--kind", "car")
    terminal.until(BY_NAME["name"].ask)
    terminal.say("estate\n")
    terminal.until(BY_NAME["state"].ask)
    terminal.until("stock)\r\n> ")
    terminal.say(key)
    terminal.until("nothing was written", key)
    assert terminal.process.wait(20) == status
    assert "Traceback" not in terminal.text
    assert not folder.exists()
