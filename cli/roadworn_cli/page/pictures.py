"""Photographs through the page: looked at by their bytes, drawn anew without what they tell.

A camera writes place, time and the telephone's name into a file. Each picture is decoded and
encoded anew, so that nothing of a file but what can be seen is kept, and nothing in it can run.
"""

import io
from collections.abc import Iterable
from hashlib import sha256
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from roadworn.model.errors import EnvironmentFailure, UnknownName, UsageError
from roadworn.reading import read_item
from roadworn.store.photographs import media_of
from roadworn_cli.page.cards import card_of
from roadworn_cli.page.desk import Alert, Desk, Entry, Form, new_key, sent, text_of
from roadworn_cli.page.guard import session_of

#: Bytes of a file that is taken, points of a picture, and points along its longer side once kept.
MOST_BYTES, MOST_POINTS, LONGEST_SIDE = 25_000_000, 60_000_000, 2_048
_FORMATS = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP"}
_TOO_MANY = "That photograph has too many points: send a smaller one."
_NONE = "That file is no photograph that can be read: JPEG, PNG and WebP are taken."


def cleaned(data: bytes) -> bytes:
    """Return a picture drawn anew: upright, no larger than needed, with nothing told in it.

    Args:
        data: a file as it was sent.

    Raises:
        UsageError: it is no picture of the three kinds, too large, or damaged.
        EnvironmentFailure: the library for it is not installed.
    """
    media = media_of(data)
    if media is None:
        raise UsageError(_NONE)
    if len(data) > MOST_BYTES:
        raise UsageError(f"That photograph is larger than {MOST_BYTES // 1_000_000} MB.")
    try:
        from PIL import Image, ImageOps
    except ImportError:
        raise EnvironmentFailure(
            "Photographs need the extra of the page: pip install 'roadworn[page]'."
        ) from None
    out = io.BytesIO()
    try:
        with Image.open(io.BytesIO(data), formats=[_FORMATS[media]]) as opened:
            _check_points(opened.width * opened.height)
            opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            plain = Image.new("RGB", upright.size, (255, 255, 255))
            clear = upright.convert("RGBA")
            plain.paste(clear, mask=clear.getchannel("A"))
        plain.save(out, "JPEG", quality=84, optimize=True)
    except UsageError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise UsageError(_TOO_MANY) from None
    except Exception as error:  # decoders raise whatever a damaged file makes them raise
        raise UsageError(_NONE) from error
    return out.getvalue()


def _check_points(points: int) -> None:
    """Refuse a picture that would fill the memory once it is unpacked."""
    if points > MOST_POINTS:
        raise UsageError(_TOO_MANY)


def show_photograph(
    desk: Desk,
    request: Request,
    vehicle: str,
    *,
    typed: Form | None = None,
    alert: Alert | None = None,
    status: int = 200,
) -> Response:
    """Show the form for a photograph, and those that there are."""
    card = card_of(desk, vehicle, patience=0.02)
    with desk.ledger() as ledger:
        events = ledger.facts.events(card.vehicle_id, "photograph")
    kept = [(event, event.data()) for event in events]
    shown = [
        (event.event_id, event.occurred_at[:10], data)
        for event, data in kept
        if desk.photographs.there(data["digest"])
    ]
    return desk.show(
        request,
        "photograph.html",
        status=status,
        card=card,
        typed=typed or {},
        alert=alert,
        shown=shown,
    )


def send_photograph(desk: Desk, request: Request, form: Form, vehicle: str) -> Response:
    """Keep a photograph and write its event."""
    card = card_of(desk, vehicle, patience=0.02)
    new: list[str] = []

    def make() -> Iterable[Entry]:
        sent_file = form.get("file")
        data = b"" if sent_file is None or isinstance(sent_file, str) else sent_file.file.read()
        if not data:
            raise UsageError("No photograph was chosen.")
        shown = text_of(form, "about")
        about = read_item(shown, desk.words()) if shown else {}
        plain = cleaned(data)
        if not desk.photographs.there(sha256(plain).hexdigest()):
            new.append(sha256(plain).hexdigest())
        digest, media = desk.photographs.put(plain)
        payload = {"digest": digest, "media": media, "size": len(plain), **about}
        yield Entry("photograph", {**payload, "note": text_of(form, "note")})

    def show(**told: Any) -> Response:  # noqa: ANN401
        return show_photograph(desk, request, vehicle, **told)

    answer = sent(desk, request, form, card.vehicle_id, make, show)
    if not isinstance(answer, RedirectResponse):
        # It is sent again with the form; what no event names must not stay.
        for digest in new:
            desk.photographs.erase(digest)
    return answer


def picture(desk: Desk, digest: str) -> Response:
    """Return a picture that an event of the ledger names; it never changes under its name."""
    found = desk.photographs.get(digest)
    if found is None:
        raise UnknownName("There is no such photograph: it may have been erased.")
    data, media = found
    headers = {
        "cache-control": "private, max-age=3600",
        "content-disposition": "inline",
        "content-security-policy": "default-src 'none'; sandbox",
    }
    return Response(data, media_type=media, headers=headers)


def erase(desk: Desk, request: Request, form: Form, vehicle: str, event_id: str) -> Response:
    """Erase a photograph on request; the event that named it is taken back."""
    with desk.ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        event = ledger.event(event_id)
        data = event.data()
    if event.kind != "photograph" or event.vehicle_id != vehicle_id:
        raise UnknownName("That is no photograph of this vehicle.")
    session = session_of(request)
    filled = {"key": new_key(), "by": session.by or "-", "sure": text_of(form, "sure")}
    payload = {"event": event.event_id, "reason": "photograph erased on request"}
    desk.write(request, filled, vehicle_id, [Entry("retraction", payload, figure=False)])
    desk.photographs.erase(data["digest"])
    return RedirectResponse(f"/v/{vehicle_id}/photograph", 303)
