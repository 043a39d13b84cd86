"""The bundled decoders: what is printed on plates and read from sockets, by `roadworn.trade`.

They come in by the door of an outsider's, so that nothing here can do what another may not.
"""

import re

from roadworn import Decoded, Decoder
from roadworn.trade.codes import code_of_bytes, decode_code
from roadworn.trade.scan_bytes import (
    decode_j1939,
    decode_message,
    decode_readiness,
    decode_status,
    read_bytes,
)
from roadworn.trade.vin import decode_vin

#: One code as it is typed: 0x0420, bytes with spaces between them, else a word.
_ONE_CODE = re.compile(r"0[xX]\S*|(?<!\S)[0-9A-Fa-f]{2}(?:\s+[0-9A-Fa-f]{2})+(?!\S)|\S+")
_OF_BYTES = re.compile(r"0[xX].*|[0-9A-Fa-f]{2}(?:\s+[0-9A-Fa-f]{2})+")


def _vin(text: str) -> Decoded:
    decoded = decode_vin(text)
    told = (*decoded.problems, *decoded.doubts)
    notes = [f"{problem.message} Hint: {problem.hint}." for problem in told]
    return Decoded(decoded.as_json(), notes, bool(decoded.problems))


def _code(text: str) -> Decoded:
    # D1 0A may come as one word or as two; D10A without a space may be a code short of a digit.
    codes = [
        code_of_bytes(read_bytes(one, None, "D1 0A")) if _OF_BYTES.fullmatch(one) else one
        for one in _ONE_CODE.findall(text) or [text]
    ]
    found = [decode_code(one).as_json() for one in codes]
    return Decoded(found if len(found) > 1 else found[0])


def _readiness(text: str) -> Decoded:
    decoded = decode_readiness(text)
    just = "no supported monitor has finished: the codes were cleared a short while ago."
    return Decoded(decoded.as_json(), [just] if decoded.just_cleared else [])


def _status(text: str) -> Decoded:
    return Decoded(decode_status(text).as_json())


def _j1939(text: str) -> Decoded:
    if len(read_bytes(text, None, "B8 04 03 0A")) > 4:
        message = decode_message(text)
        faults = message.faults
        answer = {"lamps": message.lamps, "faults": [fault.as_json() for fault in faults]}
    else:
        faults = (decode_j1939(text),)
        answer = faults[0].as_json()
    notes = [] if faults else ["the message says that there is no fault."]
    for fault in faults:
        if fault.is_no_fault:
            notes.append("these bytes stand for no fault, or for one that is not available.")
            continue
        notes.append(f"failure mode {fault.fmi}: {fault.failure}.")
        notes += [f"{fault.caveat}."] if fault.caveat else []
    return Decoded(answer, notes)


DECODERS = (
    Decoder(
        "vin",
        "Check digit and model years of a VIN (49 CFR 565, ISO 3779).",
        _vin,
        "All 17 characters.",
    ),
    Decoder(
        "code",
        "Who owns a trouble code and what it points to (SAE J2012, ISO 15031-6).",
        _code,
        "As P0420, P0123-11, or its bytes '04 20' or 0x0420; several.",
    ),
    Decoder(
        "readiness",
        "Lamp, number of codes and monitors from the four readiness bytes (SAE J1979).",
        _readiness,
        "As 83 07 E5 41.",
    ),
    Decoder(
        "status", "The eight bits of a trouble code's status byte (ISO 14229-1).", _status, "As 2F."
    ),
    Decoder(
        "j1939",
        "Parameter, failure mode and count of a heavy vehicle's faults (SAE J1939-73).",
        _j1939,
        "Of one fault, B8 04 03 0A, or of a whole message with its two lamp bytes first, "
        "04 FF B8 04 03 0A.",
    ),
)
