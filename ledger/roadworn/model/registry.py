"""Which event kinds exist, at which version, and how old payloads are brought up to date.

The core registers its kinds here; plugins add their own under their own prefix through the
hook `roadworn_event_kinds`. A stored payload is never rewritten: one pure function a step
lifts it to the current version each time it is read.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from roadworn.model.errors import LedgerRefused, UnknownName, UsageError
from roadworn.model.kinds import CORE_KINDS, Payload

Upcast = Callable[[dict[str, Any]], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class EventKind:
    """A kind of event.

    Attributes:
        name: ``word`` for the core, ``prefix.word`` for a plugin.
        model: payload model of the current version.
        version: current version, from 1.
        upcasts: version -> function from that version's payload to the next one's.
    """

    name: str
    model: type[Payload]
    version: int = 1
    upcasts: Mapping[int, Upcast] = field(default_factory=dict)

    def upcast(self, version: int, payload: dict[str, Any]) -> dict[str, Any]:
        """Lift a stored payload of `version` to the current one.

        Raises:
            LedgerRefused: the payload is newer than this program, or a step is missing.
        """
        if version > self.version:
            raise LedgerRefused(
                f"An event of kind {self.name} has version {version} but this program knows "
                f"version {self.version}: update Roadworn, or the plugin that brings the kind."
            )
        for step in range(version, self.version):
            if step not in self.upcasts:
                raise LedgerRefused(
                    f"Kind {self.name} has no upcast from version {step}: "
                    "reinstall the plugin that brings the kind."
                )
            payload = self.upcasts[step](payload)
        return payload


class KindRegistry:
    """The kinds known in this process, by name."""

    def __init__(self, kinds: Iterable[EventKind] = ()) -> None:
        self._kinds: dict[str, EventKind] = {
            name: EventKind(name, model) for name, model in CORE_KINDS.items()
        }
        for kind in kinds:
            self.add(kind)

    def add(self, kind: EventKind) -> None:
        """Add a plugin's kind.

        Raises:
            UsageError: the name has no prefix, or is taken.
        """
        prefix, _, word = kind.name.partition(".")
        if not (prefix and word):
            raise UsageError(
                f"The event kind {kind.name!r} needs a prefix of its plugin, "
                f"as in 'myshop.{kind.name}'."
            )
        if kind.name in self._kinds:
            raise UsageError(
                f"The event kind {kind.name!r} is registered twice: rename one of them."
            )
        self._kinds[kind.name] = kind

    def __contains__(self, name: object) -> bool:
        return name in self._kinds

    def __iter__(self) -> Iterator[EventKind]:
        return iter(self._kinds.values())

    def get(self, name: str) -> EventKind:
        """Return the kind called `name`.

        Raises:
            UnknownName: there is none; carries the nearest names.
        """
        try:
            return self._kinds[name]
        except KeyError:
            near = get_close_matches(name, self._kinds, n=3)
            hint = f"did you mean {' or '.join(near)}?" if near else "see `roadworn record --help`."
            raise UnknownName(f"There is no event kind {name!r}; {hint}", near) from None
