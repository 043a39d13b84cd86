"""What an analysis says, as data: its sentences by their words, and what many say alike."""

from collections.abc import Iterable, Mapping, Sequence

from roadworn.model.messages import Joined, PartName, Sentence


class Says:
    """The sentences of one analysis: the English templates by their words.

    Args:
        analysis: its name, with which the codes of the sentences begin.
        templates: word -> English template.
    """

    def __init__(self, analysis: str, templates: Mapping[str, str]) -> None:
        self._analysis, self._templates = analysis, templates

    def __call__(self, word: str, /, **arguments: object) -> Sentence:
        """Return a sentence by its word."""
        return Sentence(f"{self._analysis}.{word}", self._templates[word], **arguments)

    def some(self, n: int, word: str, /, **arguments: object) -> str:
        """Return what is said of ``{n}`` things, an empty text where there are none."""
        return self(word, n=n, **arguments) if n > 0 else ""

    def when(self, holds: object, word: str, /, **arguments: object) -> str:
        """Return a sentence where something holds, else an empty text."""
        return self(word, **arguments) if holds else ""


def all_said(*sentences: str) -> tuple[str, ...]:
    """Return the sentences that are not empty."""
    return tuple(filter(None, sentences))


def first_of(names: Sequence[str], most: int = 5) -> str:
    """Return the first names of a list, and whether there are others."""
    told = Joined(names[:most])
    return Sentence("and-others", "{names} and others", names=told) if names[most:] else told


def on_vehicle(vehicle: str | None) -> str:
    """Return on which vehicle, as part of a sentence; an empty text where all are meant."""
    return Sentence("on-vehicle", " on {vehicle}", vehicle=vehicle) if vehicle else ""


def group_name(label: Sequence[str]) -> Joined:
    """Return the name of a group of lives: the id of its component, and what tells it apart."""
    return Joined((PartName(label[0], label[0]), *label[1:]))


def left_out_why(whys: Iterable[tuple[str, int]]) -> Joined:
    """Return how many are left out, by why."""
    return Joined((Sentence("left-out", "{n} {why}", n=n, why=why) for why, n in whys), "; ")
