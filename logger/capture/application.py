"""What is answered at which address: the page's files to everyone, recordings by token only.

The protocol of the recordings stands in `uploads.py`.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.capture.naming import clean_name
from logger.capture.pages import PageFile
from logger.capture.parts import Part, Refusal, State
from logger.capture.uploads import ID, Store

__all__ = ["REST", "SECURITY_HEADERS", "SILENT_S", "Extra", "build_application"]

#: Key of a request's state with the bytes that had come, but were not fetched, when the connection
#: broke.
REST = "rest"
#: A phone that sends nothing for so long in the middle of a part is gone [s].
SILENT_S = 30.0
#: A newer request about the same recording ends one that has been silent for so long [s].
_STALE_S = 2.0
_PATIENCE_S = 5.0

_NUMBER = re.compile(r"[0-9]{1,15}", re.ASCII)
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data: blob:; worker-src 'self'; manifest-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
#: With every answer. No Strict-Transport-Security: it forbids going on to a page whose certificate
#: the browser does not know.
SECURITY_HEADERS: dict[str, str] = {
    "content-security-policy": _POLICY,
    "permissions-policy": (
        "geolocation=(self), accelerometer=(self), gyroscope=(self), screen-wake-lock=(self), "
        "camera=(), microphone=(), payment=(), usb=(), bluetooth=(), serial=(), hid=(), midi=()"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """One more address, answered from outside this package; behind the token unless `token` is off."""

    path: str
    answer: Callable[[Request], Awaitable[Response]]
    method: str = "GET"
    token: bool = True


@dataclass(slots=True, kw_only=True)
class _Hold:
    """The lock of one recording, and the request that holds it."""

    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    users: int = 0
    patience: asyncio.Timeout | None = None
    heard_s: float = 0.0


class _Recordings:
    """Answers requests about recordings, one at a time for each recording."""

    def __init__(
        self,
        store: Store,
        token: str,
        arrived: Callable[[str], None],
        stranger: Callable[[str], None],
        silent_s: float,
    ) -> None:
        self.store = store
        self.token = token.encode("ascii")
        self.arrived = arrived
        self.stranger = stranger
        self.silent_s = silent_s
        self.holds: dict[str, _Hold] = {}

    def _admit(self, request: Request) -> None:
        """Refuse a request whose token is not right."""
        scheme, _, given = request.headers.get("authorization", "").partition(" ")
        right = hmac.compare_digest(given.strip().encode("utf-8", "replace"), self.token)
        if scheme.lower() != "bearer" or not right:
            self.stranger(request.client.host if request.client else "?")
            text = "the token is missing or wrong: scan the code in the computer's window again"
            raise Refusal(401, text)

    def guarded(self, extra: Extra) -> Route:
        """Return the route of an extra address."""

        async def answer(request: Request) -> Response:
            try:
                if extra.token:
                    self._admit(request)
            except Refusal as refusal:
                return _refusal_answer(refusal)
            return await extra.answer(request)

        return Route(extra.path, answer, methods=[extra.method])

    async def answer(self, request: Request) -> Response:
        """Answer GET and PUT."""
        try:
            self._admit(request)
            key: str = request.path_params["key"]
            if not ID.fullmatch(key):
                raise Refusal(404, "a recording's id is 32 lower-case hexadecimal digits")
            if request.method == "PUT":
                return _state_answer(await self._put(request, key))
            return _state_answer(await self._state(key))
        except Refusal as refusal:
            return _refusal_answer(refusal)

    async def _state(self, key: str) -> State:
        """Return how much is here; what is whole, but could not be moved before, is moved now."""
        if not self.store.is_whole(key):
            return self.store.state(key)
        async with self._hold(key):
            moved = self.store.is_whole(key)
            if moved:
                await asyncio.to_thread(self.store.finish, key)
        if moved:
            self.arrived(key)
        return self.store.state(key)

    async def _put(self, request: Request, key: str) -> State:
        offset, length, name = _headers_of(request.headers)
        body = request.headers.get("content-length")
        if body is not None and _NUMBER.fullmatch(body) and int(body) > length - offset:
            raise Refusal(413, f"the body is longer than Upload-Length ({length}) leaves room for")
        async with self._hold(key) as hold:
            part = await asyncio.to_thread(self.store.begin, key, offset, length, name)
            if part is None:
                return self.store.state(key)
            silent = await self._take_in(request, part, hold)
            have = await asyncio.to_thread(part.settle)
            if silent:
                text = f"nothing came for {self.silent_s:.0f} s; what had arrived is kept"
                raise Refusal(503, text, State(have=have, done=False))
            if have < length:
                return State(have=have, done=False)
            await asyncio.to_thread(self.store.finish, key)
        self.arrived(key)
        return State(have=length, done=True)

    async def _take_in(self, request: Request, part: Part, hold: _Hold) -> bool:
        """Append the body as it comes; return whether it ended in silence."""
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(self.silent_s) as hold.patience:
                hold.heard_s = loop.time()
                async for data in request.stream():
                    hold.heard_s = loop.time()
                    hold.patience.reschedule(hold.heard_s + self.silent_s)
                    part.write(data)
        except TimeoutError:
            return True
        except ClientDisconnect:  # nobody hears the answer; what came is kept
            with contextlib.suppress(Refusal):
                part.write(request.scope["state"].get(REST, b""))
            return False
        except Refusal as refusal:
            have = await asyncio.to_thread(part.settle)
            raise Refusal(refusal.status, refusal.text, State(have=have, done=False)) from refusal
        except BaseException:
            with contextlib.suppress(Refusal):  # the server ends: keep what came, at once
                part.settle()
            raise
        finally:
            hold.patience = None
        return False

    @contextlib.asynccontextmanager
    async def _hold(self, key: str) -> AsyncIterator[_Hold]:
        """Lock a recording; a request that fell silent is ended in favour of a newer one."""
        loop = asyncio.get_running_loop()
        hold = self.holds.setdefault(key, _Hold())
        hold.users += 1
        try:
            if hold.patience is not None and loop.time() - hold.heard_s > _STALE_S:
                with contextlib.suppress(RuntimeError):  # it has just run out
                    hold.patience.reschedule(loop.time())
            try:
                await asyncio.wait_for(hold.lock.acquire(), _PATIENCE_S)
            except TimeoutError:
                text = "this recording is being sent by another request; try again soon"
                raise Refusal(503, text, self.store.state(key)) from None
            try:
                yield hold
            finally:
                hold.lock.release()
        finally:
            hold.users -= 1
            if not hold.users:
                self.holds.pop(key, None)


def _headers_of(headers: Mapping[str, str]) -> tuple[int, int, str]:
    """Return offset, length and name."""
    numbers = []
    for name in ("Upload-Offset", "Upload-Length"):
        text = headers.get(name.lower())
        if text is None or not _NUMBER.fullmatch(text):
            found = "is missing" if text is None else f"is {text[:40]!r}"
            raise Refusal(400, f"the header {name} {found}; expected a whole number of bytes")
        numbers.append(int(text))
    offset, length = numbers
    if length == 0:
        raise Refusal(400, "the header Upload-Length is 0: an empty recording holds nothing")
    if offset > length:
        raise Refusal(400, f"Upload-Offset {offset} is beyond Upload-Length {length}")
    if headers.get("content-encoding", "identity").lower() != "identity":
        raise Refusal(400, "the body must be sent as it is, without Content-Encoding")
    try:
        return offset, length, clean_name(headers.get("upload-name", ""))
    except ValueError as error:
        raise Refusal(400, str(error)) from error


def _json(body: object, status: int, headers: Mapping[str, str] | None = None) -> Response:
    return JSONResponse(body, status, {"cache-control": "no-store", **(headers or {})})


def _refusal_answer(refusal: Refusal) -> Response:
    body: dict[str, object] = {"error": refusal.text}
    if refusal.state is not None:
        body |= {"have": refusal.state.have, "done": refusal.state.done}
    headers = {"www-authenticate": "Bearer"} if refusal.status == 401 else {}
    if refusal.status == 503:
        headers["retry-after"] = "3"
    return _json(body, refusal.status, headers)


def _state_answer(state: State) -> Response:
    return _json({"have": state.have, "done": state.done}, 200)


class _Outermost:
    """Checks the Host header, adds the security headers, and turns any fault into one line."""

    def __init__(
        self, application: ASGIApp, hosts: frozenset[str], fault: Callable[[Exception], None]
    ) -> None:
        self.application = application
        self.hosts = hosts
        self.fault = fault

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        began = False

        async def guarded(message: Message) -> None:
            nonlocal began
            if message["type"] == "http.response.start":
                began = True
                own = {name for name, _ in message["headers"]}  # a page may have its own policy
                added = [(k.encode(), v.encode()) for k, v in SECURITY_HEADERS.items()]
                message["headers"] = [
                    *message["headers"],
                    *(pair for pair in added if pair[0] not in own),
                ]
            await send(message)

        hosts = [value for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1 or hosts[0].decode("latin-1").lower() not in self.hosts:
            # a name that somebody pointed at this computer to get at it through a browser
            text = "this server does not go by that name: use the address it shows"
            await _json({"error": text}, 403)(scope, receive, guarded)
            return
        try:
            await self.application(scope, receive, guarded)
        except Exception as error:  # noqa: BLE001 - the last place before a traceback
            self.fault(error)
            if not began:
                text = "a fault of the program on the computer; the recording stays on the phone"
                await _json({"error": text}, 500)(scope, receive, guarded)


async def _refused(_: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = {404: "no such address", 405: "no such method here"}
    headers = error.headers if isinstance(error, HTTPException) else None
    return _json({"error": words.get(status, "refused")}, status, headers)


def _page(pages: Mapping[str, PageFile]) -> Callable[[Request], Response]:
    def answer(request: Request) -> Response:
        page = pages.get(request.scope["path"])
        if page is None:
            raise HTTPException(404)
        # kept by the browser, but asked about each time: a new release shows at once
        headers = {**page.headers, "cache-control": "no-cache", "etag": page.etag}
        if request.headers.get("if-none-match") == page.etag:
            return Response(status_code=304, headers=headers)
        return Response(page.data, headers={**headers, "content-type": page.media_type})

    return answer


def build_application(
    store: Store,
    pages: Mapping[str, PageFile],
    token: str,
    hosts: frozenset[str],
    *,
    arrived: Callable[[str], None],
    stranger: Callable[[str], None],
    fault: Callable[[Exception], None],
    silent_s: float = SILENT_S,
    extras: Sequence[Extra] = (),
) -> ASGIApp:
    """Build the application: the page for everyone, recordings by token.

    Parameters
    ----------
    store : Store
        Where recordings go.
    pages : mapping
        By path of the address.
    token : str
        Without it no request about recordings is answered or taken.
    hosts : frozenset of str
        `Host` headers that mean this server.
    arrived : callable
        Called with the id of a recording that is whole and in its place.
    stranger : callable
        Called with the address of somebody whose token is wrong.
    fault : callable
        Called with what should never have been raised.
    silent_s : float
        How long a sender may send nothing [s].
    extras : sequence of Extra
        More addresses, behind the same checks.
    """
    recordings = _Recordings(store, token, arrived, stranger, silent_s)
    inner = Starlette(
        routes=[
            Route("/recordings/{key}", recordings.answer, methods=["GET", "PUT"]),
            *(recordings.guarded(extra) for extra in extras),
            Route("/{path:path}", _page(pages), methods=["GET"]),
        ],
        exception_handlers={HTTPException: _refused},
    )
    inner.router.redirect_slashes = False
    return _Outermost(inner, hosts, fault)
