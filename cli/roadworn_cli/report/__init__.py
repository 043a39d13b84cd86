"""`roadworn report`: reports to print and to send, made of what the analyses answer."""

from roadworn_cli.lazy import Verb, lazy_app

_HERE = "roadworn_cli.report.commands"

REPORTS: tuple[Verb, ...] = (
    Verb("vehicle", f"{_HERE}:vehicle", "What the customer takes home.", "Reports"),
    Verb("fleet", f"{_HERE}:fleet", "What the fleet manager looks at.", "Reports"),
)

verb = lazy_app(
    REPORTS,
    "Write a report as one HTML file that needs no network, fit for a screen, a mail and print.",
)
