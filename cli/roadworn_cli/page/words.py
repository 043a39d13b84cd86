"""What the page says in the language of a device: its own words, and whatever the ledger tells.

The page's own words stand in its templates in English and under ``[page]`` of each other language;
what the ledger and the analyses say is said again from its code. What somebody typed stays as it
was typed, marked with its language where that is known to be another.
"""

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from roadworn.model.messages import Says
from roadworn.say import SOURCE, Said, Speaker, languages, strings

if TYPE_CHECKING:
    from markupsafe import Markup


#: What the script says, by its own short words.
SCRIPT: Final[Mapping[str, str]] = {
    "kept": "No network: this form is kept on this device and is sent when it is back. "
    "Nothing is lost.",
    "photograph": "No network: this photograph is kept on this device and is sent when it is back.",
    "waits": "No network: what waits on this device is sent when it is back: {n}.",
    "sent": "Sent: {what}.",
    "asks": "Not written yet: open {what} again, something is asked.",
    "again": "This form was kept on this device and is not written yet: send it again.",
    "count": "{n} not written yet.",
    "count_by": "{n} not written yet, by {by}.",
    "nothing": "Nothing is written yet.",
    "large": "That photograph is larger than 25 MB: send a smaller one.",
    "no_room": "This device has no room for it: send it once the network is back.",
    "send": "Send it",
    "drop": "Throw it away",
}
#: Forms that may wait on a device, by their address.
FORMS: Final[Mapping[str, str]] = {
    "look-over": "look-over",
    "complaint": "complaint",
    "scan": "scan",
    "estimate": "estimate",
    "answer": "answer",
    "work": "work done",
    "visit": "in and out",
    "photograph": "photographs",
    "wheels": "wheels",
    "sale": "sold",
    "correct": "an entry put right",
    "take-in": "Take in",
}
#: What is said of a vehicle on its pages.
PAGE = Says(
    "page",
    {
        "since": "{condition} since {day}",
        "since-note": "{condition} since {day}, {note}",
        "answered": "{decision} on {day}",
        "read": "{distance:,.10g} {unit}, {day}",
        "written": "{day}: {told}",
        "least": "not under {figure}",
        "most": "not over {figure}",
        "limit": "{figure}",
        "least-sized": "not under the limit for its {size}",
        "most-sized": "not over the limit for its {size}",
        "sized": "the limit for its {size}",
        "usual": "usually {low:g} to {high:g} {unit}",
        "last": "last {seen}",
        "left": "about {distance:,.0f} {unit} left",
        "figure": "{value:,.10g} {unit}",
        "tread": "{value:,.10g}/32 in",
        "code": "{code} {status}: {words}",
        "span": "{low:,.0f} to {high:,.0f} {unit}",
        "meanwhile": "Since this was opened {by} wrote a {what} of this vehicle ({at} UTC): is "
        "yours another one?",
        "the-rest": "the rest",
    },
)


class PageWords:
    """Words of one language.

    Attributes:
        language: code of its file.
    """

    def __init__(self, language: str) -> None:
        self.language = language
        self._speaker = Speaker(language)
        self._page = strings(language).page

    def __call__(self, text: str, **values: object) -> Said:
        """Return a text of the page, by its English, with its places filled."""
        if values:
            return self._speaker.fill(self._page.get(text, text), values)
        return Said(self._page[text]) if text in self._page else self._speaker.say(text)

    def plain(self, value: object) -> str:
        """Return whatever the ledger tells, as a text without marks of language."""
        known = self._page.get(value) if type(value) is str else None
        return known if known is not None else str(self._speaker.say(value))

    def say(self, value: object) -> "Markup":
        """Return whatever the ledger tells, each piece in another language marked with it."""
        from markupsafe import Markup, escape

        if type(value) is str and value in self._page:
            return escape(self._page[value])
        told = self._speaker.say(value)
        mark = Markup('<span lang="{}">{}</span>')  # a constant; format escapes
        return Markup("").join(
            mark.format(language, text) if language else escape(text)
            for text, language in told.pieces
        )

    def money(self, value: Any) -> str:  # noqa: ANN401  # a mapping, or whatever has both fields
        """Return an amount with its currency."""
        amount, currency = (
            (value["amount"], value["currency"])
            if isinstance(value, Mapping)
            else (value.amount, value.currency)
        )
        return f"{self._speaker.number(f'{float(amount):,.2f}')} {currency}".strip()

    def figure(self, text: str) -> Said:
        """Return a figure with its unit, as the analyses write it."""
        return Said(self._speaker.number(str(text)))

    def script(self) -> str:
        """Return what the script says, as JSON."""
        told: dict[str, Any] = {key: self._page.get(text, text) for key, text in SCRIPT.items()}
        told["forms"] = {form: self._page.get(text, text) for form, text in FORMS.items()}
        return json.dumps(told, ensure_ascii=False)

    def others(self) -> list[tuple[str, str]]:
        """Return (code, its own name) of the other languages there are."""
        from babel import Locale

        named = {code: Locale.parse(strings(code).locale).language_name for code in languages()}
        return [(c, (name or c).capitalize()) for c, name in named.items() if c != self.language]


def words_of(language: str) -> PageWords:
    """Return the words of a language."""
    return PageWords(language if language in languages() else SOURCE)
