"""From recordings to the headline, in a phone's browser: called by `page/worker.js`.

Figures and files come afterwards (`drawn.py`), since drawing loads much that the headline does not need.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from analysis.pipeline import Analysis
from analysis.session_pipeline import analyse_session
from analysis.setup.folder import find_logs, group_logs
from analysis.terminal.errors import EXIT_OK, describe
from analysis.text.headline import LONGEST_LINE, headline
from analysis.text.numbers import log_name
from logger.session.files import SESSION_FILE
from logger.session.overrides import apply_overrides
from logger.session.session import Session, read_session, session_from_document

__all__ = ["OPENED", "WorkedOut", "work_out"]

#: Folder inside the session's for files that were opened in the page.
OPENED = "opened"
_FORM = "the page"
_MOST_REASONS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkedOut:
    """What the page shows, as JSON, and what figures and files are made of; None without a result.

    `shown` has the exit `status` of `pullcoast report`, `title`, `lines`, and the `runs`.
    """

    shown: str
    outcome: Analysis | None = None


def work_out(folder: str, wishes: str) -> WorkedOut:
    """Work a session out.

    Parameters
    ----------
    folder : str
        With the recordings; files from elsewhere in its folder `OPENED`, where a session.toml may be too.
    wishes : str
        JSON: `document`, as a session.toml would hold it, without the logs in `OPENED`; and `display`
        and `leave_out`, which win over a session.toml.

    Returns
    -------
    WorkedOut
        With the reasons where there is no result: this never raises.
    """
    try:
        outcome = analyse_session(_session(Path(folder), json.loads(wishes)), quiet=True)
        shown = headline(outcome)
    except Exception as error:  # noqa: BLE001 - the page has nothing but this to show
        texts, status = describe(error)
        lines = [text[: 2 * LONGEST_LINE] for text in texts[:_MOST_REASONS]]
        title = "No result from these recordings." if status == 1 else "They cannot be worked out."
        return WorkedOut(shown=json.dumps({"status": status, "title": title, "lines": lines}))
    answer = {
        "status": EXIT_OK,
        "title": shown.title,
        "lines": shown.lines,
        "trust": outcome.verdict.trust.level,
        "runs": [
            {
                "number": number,
                "log": log_name(outcome.session, run.log),
                "up": run.direction == 1,
                "used": run in outcome.used_runs,
            }
            for number, run in enumerate(outcome.runs, start=1)
        ],
    }
    return WorkedOut(shown=json.dumps(answer), outcome=outcome)


def _session(folder: Path, wishes: dict[str, dict[str, object]]) -> Session:
    """Return the session that the page describes."""
    opened = folder / OPENED
    display = wishes.get("display", {})
    leave_out = [str(item) for item in wishes.get("leave_out", ())]
    if (opened / SESSION_FILE).exists():
        session = read_session(opened)
    else:
        document = dict(wishes["document"])
        logs = document.get("log")
        own = list(logs) if isinstance(logs, list) else []
        groups = group_logs(find_logs(opened))
        others = [{"files": [f"{OPENED}/{log.name}" for log in group.logs]} for group in groups]
        document["log"] = [*own, *others]
        session = session_from_document(document, folder, _FORM)
    return apply_overrides(
        session,
        power=_text(display.get("power")),
        speed=_text(display.get("speed")),
        leave_out=leave_out,
    )


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None
