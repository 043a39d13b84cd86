"""Who may ask: the host that is named, pairing, sessions, tokens, sizes, and headers.

One ASGI layer around the whole application, so that no route can forget it. A browser that was
made to ask by another site is turned away three times: by the cookie's SameSite, by the Origin,
and by the token in the form.
"""

import hmac
import ipaddress
import secrets
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request, cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "roadworn"
#: Bytes of a form, and of one with a photograph; a browser is read out to the last bound, since
#: it shows no answer to what it could not send.
FORM_BYTES, PHOTOGRAPH_BYTES, DRAINED_BYTES = 1_000_000, 26_000_000, 80_000_000
#: A session that nobody uses ends after so many seconds; so many are kept.
_IDLE = 7 * 24 * 3600.0
_MOST = 1_000
#: Wrong codes within `_PAUSE` seconds before everybody waits, and before the code is changed.
_WRONG, _PAUSE, _WRONG_IN_ALL = 5, 60.0, 15
#: What an unpaired device may ask for.
_OPEN = ("/pair", "/static/")

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' blob:; connect-src 'self'; worker-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass(slots=True)
class Session:
    """A browser that asks.

    Attributes:
        key: what its cookie holds.
        token: what its forms hold.
        paired: it may look and write.
        by: initials of who writes with it.
        used: when it asked last, seconds of the process clock.
        language: that the device asked for, or an empty text.
        said: what was written last and what is to be told of it, until it was shown.
    """

    key: str
    token: str
    paired: bool
    by: str = ""
    used: float = 0.0
    language: str = ""
    said: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())


@dataclass
class Pairing:
    """The code that lets another device in, and how often it was guessed wrongly.

    Attributes:
        needed: whether a device must pair at all.
        tell: says a new code to whoever started the page.
    """

    needed: bool
    tell: Callable[[str], None] = lambda _text: None
    clock: Callable[[], float] = time.monotonic
    code: str = ""
    _wrong: list[float] = field(default_factory=list)
    _in_all: int = 0

    def __post_init__(self) -> None:
        if self.needed:
            self._renew()

    def _renew(self) -> None:
        self.code, self._in_all = f"{secrets.randbelow(10**8):08d}", 0
        self.tell(f"Code for the next device: {self.code[:4]} {self.code[4:]}")

    def refused(self, typed: str) -> str:
        """Return why a code does not let a device in, or an empty text when it does.

        A code lets one device in; then there is another.
        """
        now = self.clock()
        self._wrong = [at for at in self._wrong if now - at < _PAUSE]
        if len(self._wrong) >= _WRONG:
            return "Too many wrong codes: wait a minute and try again."
        digits = "".join(c for c in typed if c.isdigit())
        if self.needed and hmac.compare_digest(digits.encode(), self.code.encode()):
            self._renew()
            return ""
        self._wrong.append(now)
        self._in_all += 1
        if self._in_all >= _WRONG_IN_ALL:
            self._renew()
        return "That is not the code: it stands where the page was started, eight digits."


class Sessions:
    """The browsers that ask, kept until the page is stopped.

    Args:
        pairing: whether and how a device is let in.
    """

    def __init__(self, pairing: Pairing) -> None:
        self.pairing = pairing
        self._known: dict[str, Session] = {}

    def of(self, key: str) -> Session | None:
        """Return the session of a cookie, or None."""
        session = self._known.get(key)
        now = self.pairing.clock()
        if session is None or now - session.used > _IDLE:
            self._known.pop(key, None)
            return None
        session.used = now
        return session

    def begin(self, *, paired: bool) -> Session:
        """Begin a session; the one that was not used for longest makes room."""
        if len(self._known) >= _MOST:
            unpaired_first = sorted(self._known.values(), key=lambda s: (s.paired, s.used))
            self.end(unpaired_first[0])
        made = Session(secrets.token_urlsafe(32), secrets.token_urlsafe(32), paired)
        made.used = self.pairing.clock()
        self._known[made.key] = made
        return made

    def end(self, session: Session) -> None:
        """Forget a session."""
        self._known.pop(session.key, None)


class TooLarge(Exception):
    """More was sent than is taken."""


class Guard:
    """The layer: asks of every request what it must hold before the application sees it.

    Args:
        app: the application.
        sessions: who may ask.
        names: host names that it answers to, besides its addresses.
        local: it is bound to this machine alone, so that only its own names are right.
        secure: it is reached by https.
    """

    def __init__(
        self,
        app: ASGIApp,
        sessions: Sessions,
        names: Collection[str] = (),
        *,
        local: bool = True,
        secure: bool = False,
    ) -> None:
        self.app, self.sessions, self.local, self.secure = app, sessions, local, secure
        self.names = {"localhost", *(name.casefold() for name in names)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request; whatever is no request of HTTP is not answered."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        send = self._with_headers(scope, send)
        refused = self._refused(scope, headers)
        if refused is not None:
            await refused(scope, receive, send)
            return
        cookie = cookie_parser(headers.get("cookie", "")).get(COOKIE, "")
        session = self.sessions.of(cookie)
        if session is None:
            session = self.sessions.begin(paired=not self.sessions.pairing.needed)
        scope["session"] = session
        path = scope["path"]
        if not session.paired and not path.startswith(_OPEN):
            answer: Response = PlainTextResponse("This device is not paired.", 401)
            if scope["method"] == "GET" and "text/html" in headers.get("accept", ""):
                answer = RedirectResponse("/pair", 303)
            await answer(scope, receive, send)
            return
        large = path.endswith("/photograph")
        await self._bounded(scope, receive, send, PHOTOGRAPH_BYTES if large else FORM_BYTES)

    def _refused(self, scope: Scope, headers: Headers) -> Response | None:
        """Return the answer to a request that cannot be meant, or None."""
        host = headers.get("host", "")
        if not self._knows(host):
            return PlainTextResponse("This page does not answer to that name.", 421)
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return PlainTextResponse("That is not done here.", 405)
        origin, site = headers.get("origin"), headers.get("sec-fetch-site", "same-origin")
        own = f"{'https' if self.secure else 'http'}://{host}"
        if (origin is not None and origin != own) or site not in ("same-origin", "none"):
            return PlainTextResponse("Another page asked for that: nothing was written.", 403)
        return None

    def _knows(self, host: str) -> bool:
        """Whether a Host header names this page; an address in figures cannot be rebound."""
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        name = name.strip("[]").casefold()
        if name in self.names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or not self.local

    async def _bounded(self, scope: Scope, receive: Receive, send: Send, most: int) -> None:
        """Run the application on no more than so many bytes."""
        taken = 0

        async def bounded() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > most:
                while taken < DRAINED_BYTES and message.get("more_body"):
                    message = await receive()
                    taken += len(message.get("body", b""))
                raise TooLarge(f"That is more than {most // 1_000_000} MB: nothing was written.")
            return message

        await self.app(scope, bounded, send)

    def _with_headers(self, scope: Scope, send: Send) -> Send:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
                session = scope.get("session")
                if session is not None and headers.get("x-forget") is None:
                    secure = "; Secure" if self.secure else ""
                    headers.append(
                        "set-cookie",
                        f"{COOKIE}={session.key}; HttpOnly; SameSite=Strict; Path=/{secure}",
                    )
            await send(message)

        return with_headers


def session_of(request: Request) -> Session:
    """Return who asks."""
    session: Session = request.scope["session"]
    return session


def token_fits(request: Request, form: Any) -> bool:  # noqa: ANN401  # fields of any form
    """Whether a form was given out to this session."""
    return hmac.compare_digest(
        str(form.get("token", "")).encode(), session_of(request).token.encode()
    )
