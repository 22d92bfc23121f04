"""What a phone may ask of the report: its state, another try, and the full page behind a ticket."""

from __future__ import annotations

import asyncio
import secrets
import time

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from analysis.batch.live import LiveReport
from analysis.report.pages import page_script
from logger.capture.application import Extra

__all__ = ["REPORT_POLICY", "ServedReport", "live_routes"]

#: The report holds pictures and styles inside itself, and one script: no other may run.
REPORT_POLICY = (
    f"default-src 'none'; style-src 'unsafe-inline'; script-src '{page_script('readout.js')[1]}'; "
    "img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
#: A link cannot carry the token: whoever has it gets a ticket, which opens the page for so long [s].
_TICKET_S = 3600.0
_MOST_TICKETS = 32
_MOST_PAGE_BYTES = 50_000_000
_FRESH = {"cache-control": "no-store"}


class ServedReport(LiveReport):
    """A report that phones may ask about, as `receive` wants it."""

    @property
    def extras(self) -> tuple[Extra, ...]:
        """Return the addresses that are answered."""
        return live_routes(self)


def live_routes(report: LiveReport) -> tuple[Extra, ...]:
    """Return the routes of a report, for `build_application`.

    Parameters
    ----------
    report : LiveReport
        Of the folder that recordings arrive in.
    """
    tickets: dict[str, float] = {}

    async def state(_: Request) -> Response:
        return JSONResponse(report.state.as_json(), headers=_FRESH)

    async def again(_: Request) -> Response:
        report.want()
        return JSONResponse(report.state.as_json(), headers=_FRESH)

    async def ticket(_: Request) -> Response:
        now = time.monotonic()
        for old in [name for name, end in tickets.items() if end < now]:
            del tickets[old]
        while len(tickets) >= _MOST_TICKETS:
            del tickets[next(iter(tickets))]
        name = secrets.token_urlsafe(24)
        tickets[name] = now + _TICKET_S
        return JSONResponse({"ticket": name}, headers=_FRESH)

    async def page(request: Request) -> Response:
        if tickets.get(request.path_params["ticket"], 0.0) < time.monotonic():
            raise HTTPException(404)
        try:
            if report.page.stat().st_size > _MOST_PAGE_BYTES:
                raise HTTPException(404)
            data = await asyncio.to_thread(report.page.read_bytes)
        except OSError as error:
            raise HTTPException(404) from error
        headers = {**_FRESH, "content-security-policy": REPORT_POLICY}
        return Response(data, headers=headers, media_type="text/html; charset=utf-8")

    return (
        Extra(path="/report", answer=state),
        Extra(path="/report", answer=again, method="POST"),
        Extra(path="/report/ticket", answer=ticket, method="POST"),
        Extra(path="/report/page/{ticket}", answer=page, token=False),
    )
